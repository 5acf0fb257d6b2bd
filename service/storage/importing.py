"""Taking an export into the archive, all of it or nothing, and nothing twice."""

import json
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import func, insert, inspect, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.clock import utc_now
from service.documents.kept_sound import KeptSoundDocument
from service.errors import DocumentError, StorageError
from service.storage.archive import Archive
from service.storage.archive_calibrations import note_drifts
from service.storage.arriving_files import ArrivingFiles
from service.storage.bundle import BundleReader, open_bundle
from service.storage.exporting import EXPORT_SCHEMA
from service.storage.importing_levels import import_levels
from service.storage.row_lines import values_in
from service.storage.tables import KINDS, Base, Calibration, Job, Match, Profile, Sound

__all__ = ["ImportCount", "import_archive"]

_AT_ONCE: Final = 500
"""Entries that are written to the database at once."""


@dataclass(slots=True)
class ImportCount:
    """What an import came to for one kind."""

    added: int = 0
    """Entries that were new."""
    replaced: int = 0
    """Entries that were known, and had been changed since."""
    known: int = 0
    """Entries that were there already."""


def import_archive(
    archive: Archive, place: Path, *, progress: Callable[[float], None] = lambda _: None
) -> dict[str, ImportCount]:
    """Take everything from an export that the archive does not have.

    What has the same id is the same: of what can change, such as the drift of a match, the later
    state stays. Jobs that had not ended are interrupted, unless the archive has no job yet.

    Parameters
    ----------
    archive : Archive
        The archive.
    place : Path
        The export: a folder or a zip file.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    dict of str to ImportCount
        What it came to, by kind.

    Raises
    ------
    DocumentError
        If it is no export, or something in it is damaged; then nothing was taken.
    StorageError
        If something cannot be written; then nothing was taken either.
    """
    with open_bundle(place, EXPORT_SCHEMA) as bundle:
        coming = ArrivingFiles(archive.files, bundle)
        stopped = threading.Event()

        def go_on(share: float) -> None:
            if stopped.is_set():
                raise StorageError("The import was interrupted, so nothing was taken.")
            progress(share)

        def work(session: Session) -> dict[str, ImportCount]:
            counts = _Import(session, bundle, coming, go_on).run()
            coming.place()
            return counts

        taking = archive.database.write(work)
        try:
            return taking.result()
        except BaseException:
            stopped.set()
            # Whether it went well is known only when the database has confirmed it.
            wait([taking])
            if taking.exception() is not None:
                coming.take_back()
            raise


class _Import:
    """An import within a transaction."""

    def __init__(
        self,
        session: Session,
        bundle: BundleReader,
        coming: ArrivingFiles,
        progress: Callable[[float], None],
    ) -> None:
        self._session = session
        self._bundle = bundle
        self._coming = coming
        self._progress = progress
        self._first_jobs = not session.scalar(select(func.count()).select_from(Job))

    def run(self) -> dict[str, ImportCount]:
        """Take everything."""
        counts = {}
        for row in KINDS:
            try:
                counts[row.__tablename__] = self._take_kind(row)
            except IntegrityError as error:
                raise DocumentError(
                    f"{row.__tablename__}.jsonl in {self._bundle.place} refers to what is neither "
                    "there nor in the archive."
                ) from error
        for source, channel in self._session.execute(
            select(Calibration.input, Calibration.channel).distinct()
        ).all():
            note_drifts(self._session, source, channel)
        minutes = import_levels(self._session, self._bundle, self._progress)
        counts["level_minutes"] = ImportCount(*minutes)
        return counts

    def _take_kind(self, row: type[Any]) -> ImportCount:
        """Take all entries of a kind."""
        count = ImportCount()
        changes = "changed" in inspect(row).columns
        query = select(row.id, row.changed if changes else row.id)
        there: dict[str, Any] = dict(iter(self._session.execute(query)))
        new: list[dict[str, Any]] = []
        for number, values in enumerate(self._entries(row)):
            if number % _AT_ONCE == 0:
                self._progress(0.9 * KINDS.index(row) / len(KINDS))
            key = values["id"]
            if key not in there:
                there[key] = values.get("changed")
                self._bring_files(row, values)
                new.append(values)
                count.added += 1
                if len(new) == _AT_ONCE:
                    self._session.execute(insert(row), new)
                    new.clear()
            elif changes and values["changed"] > there[key]:
                self._replace(row, values)
                count.replaced += 1
            else:
                count.known += 1
        if new:
            self._session.execute(insert(row), new)
        return count

    def _entries(self, row: type[Base]) -> Iterator[dict[str, Any]]:
        """Read all entries of a kind."""
        name = f"{row.__tablename__}.jsonl"
        with self._bundle.part(name) as part:
            for number, line in enumerate(part.lines(), start=1):
                yield values_in(row, line, f"Line {number} of {name} in {self._bundle.place}")

    def _bring_files(self, row: type[Base], values: dict[str, Any]) -> None:
        """Bring the files that a new entry refers to."""
        if row is Sound:
            values["path"] = self._coming.take(values["path"])
            document = KeptSoundDocument.from_json(json.dumps(values["document"]), values["path"])
            self._coming.describe(values["path"], document)
        elif row in (Match, Profile) and values["trail"] is not None:
            values["trail"] = self._coming.take(values["trail"])
        elif row is Job and values["ended"] is None and not self._first_jobs:
            _interrupt(values)

    def _replace(self, row: type[Any], values: dict[str, Any]) -> None:
        """Put a later state in the place of an entry; its files stay those that it has."""
        if row is Job and values["ended"] is None:
            _interrupt(values)
        kept = {k: v for k, v in values.items() if k not in ("id", "trail", "trail_sha256")}
        self._session.execute(update(row).where(row.id == values["id"]).values(**kept))


def _interrupt(values: dict[str, Any]) -> None:
    """End a job that waits in another lab: nothing here may start to move because of it."""
    values |= {
        "state": "interrupted",
        "position": None,
        "ended": utc_now(),
        "why": "It had not ended when it was exported from another archive.",
    }
