"""Looking through the whole archive for what is damaged, missing or left over."""

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from pathlib import PurePosixPath
from typing import Any, Final

from sqlalchemy import Text, cast, delete, func, select, text, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.documents.data_check import DataCheckDocument, DataFinding
from service.errors import DocumentError, StorageError
from service.records.levels import BROADBAND
from service.storage.archive import Archive
from service.storage.archive_files import ArchiveFiles
from service.storage.document_columns import FILED, columns_of
from service.storage.hashes import hash_of_file
from service.storage.level_coding import block_bytes
from service.storage.tables import (
    KINDS,
    Base,
    LevelBlock,
    LevelMinuteRow,
    LevelSeries,
    Match,
    Profile,
    Sound,
)

__all__ = ["check_archive", "forget_missing"]

_FROM_A_COPY: Final = (
    "Bring back a copy of the data folder, or export what can be read and import it into an empty "
    "one."
)


def check_archive(
    archive: Archive, *, progress: Callable[[float], None] = lambda _: None
) -> DataCheckDocument:
    """Look through everything; nothing is changed.

    Parameters
    ----------
    archive : Archive
        The archive; others may go on using it.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    DataCheckDocument
        What is wrong.

    Raises
    ------
    StorageError
        If the database cannot be read at all.
    """
    with archive.database.reading() as session:
        findings = list(_database(session, archive))
        entries: dict[str, int] = {}
        if findings:  # whatever else is read cannot be relied on
            return DataCheckDocument(
                database=archive.database.name, entries=entries, files=0, findings=findings
            )
        for number, row in enumerate(KINDS):
            progress(0.5 * number / len(KINDS))
            entries[row.__tablename__] = _count(session, row)
            if row in FILED:
                findings += _documents(session, row)
        entries[LevelMinuteRow.__tablename__] = _count(session, LevelMinuteRow)
        findings += _levels(session)
        files = _listed_files(session)
    for number, (reference, digest) in enumerate(files.items()):
        progress(0.5 + 0.5 * number / len(files))
        finding = _file(archive.files, reference, digest)
        if finding is not None:
            findings.append(finding)
    findings += _left_over(archive.files, files)
    return DataCheckDocument(
        database=archive.database.name, entries=entries, files=len(files), findings=findings
    )


def forget_missing(archive: Archive, findings: Iterable[DataFinding]) -> int:
    """Refer no more to files that are missing.

    Parameters
    ----------
    archive : Archive
        The archive.
    findings : iterable of DataFinding
        What a check found.

    Returns
    -------
    int
        How many files are not referred to any more.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    gone = [finding.what for finding in findings if finding.kind == "missing-file"]

    def work(session: Session) -> int:
        for row in (Match, Profile):
            there = update(row).where(row.trail.in_(gone))
            session.execute(there.values(trail=None, trail_sha256=None))
        session.execute(delete(Sound).where(Sound.path.in_(gone)))
        return len(gone)

    return archive.database.write(work).result()


def _count(session: Session, row: type[Base]) -> int:
    return session.scalar(select(func.count()).select_from(row)) or 0


def _database(session: Session, archive: Archive) -> Iterator[DataFinding]:
    """Let SQLite look through its own file; PostgreSQL keeps its own order."""
    if archive.database.file is None:
        return
    for pragma, fine in (("integrity_check", "ok"), ("foreign_key_check", None)):
        try:
            found = [tuple(row) for row in session.execute(text(f"PRAGMA {pragma}"))]
        except DBAPIError as error:  # it gives up where too much is damaged
            found = [(str(error.orig),)]
        for row in found:
            if row[0] != fine:
                yield DataFinding(
                    kind="damaged-database",
                    what=archive.database.name,
                    why=f"SQLite finds in {pragma}: {' '.join(map(str, row))}.",
                    advice=_FROM_A_COPY,
                )


def _documents(session: Session, row: type[Any]) -> Iterator[DataFinding]:
    """Look whether documents keep to their schemas, and columns say what their documents say."""
    table = row.__table__
    # As text: a document that is no JSON any more is one of the things to be found.
    others = [column for column in table.c if column is not table.c.document]
    query = select(*others, cast(table.c.document, Text).label("document")).order_by(table.c.id)
    for found in session.execute(query.execution_options(yield_per=500)).mappings():
        what = f"{row.__tablename__} {found['id']}"
        why = _wrong_with(row, found, f"The document of {what}")
        if why is not None:
            yield DataFinding(kind="broken-document", what=what, why=why, advice=_FROM_A_COPY)


def _wrong_with(row: type[Any], found: Mapping[Any, Any], where: str) -> str | None:
    """Say what is wrong with an entry; None where nothing is."""
    try:
        filled = columns_of(row, json.loads(found["document"]), where)
    except DocumentError as error:
        return str(error)
    except ValueError:
        return f"{where} is not JSON."
    other = [name for name, value in filled.items() if found[name] != value]
    return f"It is listed with another {other[0]} than its document." if other else None


def _levels(session: Session) -> Iterator[DataFinding]:
    """Look whether each minute of the level log has its levels, and all of them."""
    sizes = {
        series: block_bytes(len(BROADBAND) + len(bands.split()))
        for series, bands in session.execute(select(LevelSeries.id, LevelSeries.bands))
    }
    for series, size in sizes.items():
        here = LevelBlock.series == series
        lengths = select(LevelBlock.minute).where(here, func.length(LevelBlock.levels) != size)
        counts = [
            session.scalar(select(func.count()).select_from(each).where(each.series == series))
            for each in (LevelBlock, LevelMinuteRow)
        ]
        short = session.scalars(lengths.limit(1)).first()
        if short is not None or counts[0] != counts[1]:
            yield DataFinding(
                kind="broken-levels",
                what=f"level_series {series}",
                why="Some minutes of this level log lack levels.",
                advice=_FROM_A_COPY,
            )


def _listed_files(session: Session) -> dict[str, str]:
    """Return the SHA-256 of every file that entries refer to."""
    files: dict[str, str] = dict(iter(session.execute(select(Sound.path, Sound.sha256))))
    for row in (Match, Profile):
        query = select(row.trail, row.trail_sha256).where(row.trail.is_not(None))
        files |= {trail: digest or "" for trail, digest in session.execute(query) if trail}
    return files


def _file(files: ArchiveFiles, reference: str, digest: str) -> DataFinding | None:
    """Look at one file."""
    try:
        path = files.path_of(reference)
        if not path.exists():
            return DataFinding(
                kind="missing-file",
                what=reference,
                why="It is referred to and not there.",
                advice="Bring it back from a copy, or let the archive forget it with 'evenhush "
                "data check --forget-missing'.",
            )
        if hash_of_file(path) == digest:
            return None
        why = "It is not what was written when it was measured."
    except (DocumentError, StorageError) as error:
        why = str(error)
    return DataFinding(
        kind="damaged-file",
        what=reference,
        why=why,
        advice="Bring it back from a copy; levels and settings do not depend on it.",
    )


def _left_over(files: ArchiveFiles, listed: Collection[str]) -> Iterator[DataFinding]:
    """Look for files among the sound that nothing refers to."""
    known = {files.folder.joinpath(*PurePosixPath(reference).parts) for reference in listed}
    known |= {path.with_suffix(".json") for path in known}
    for path in sorted(files.sounds.rglob("*")):
        if path.is_file() and path not in known:
            yield DataFinding(
                kind="unknown-file",
                what=files.reference_to(path),
                why="Nothing refers to it; a measurement under way will, one that broke off won't.",
                advice="Where no measurement is under way, delete it, or move it elsewhere to "
                "keep it.",
            )
