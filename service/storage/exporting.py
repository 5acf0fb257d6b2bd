"""Everything in the archive as an open form: lines of JSON, levels, sound and trails.

The form, ``evenhush.archive-export/1``:

- ``about.json`` says what it is, and lists every other part with size and SHA-256.
- ``jobs.jsonl``, ``events.jsonl``, ``coolers.jsonl``, ``calibrations.jsonl``,
  ``floor_checks.jsonl``, ``profiles.jsonl``, ``matches.jsonl``, ``rechecks.jsonl``,
  ``sounds.jsonl``: one entry a line, the searched columns by name and the whole published document
  under ``document``.
- ``level_series.jsonl``: what each series of the level log is, and ``level_minutes.jsonl``: where
  each of its minutes stands, in ``levels/SERIES-DAY.i16``: 600 rows of 16-bit whole numbers, low
  byte first, in 0.01 dB. A row is LAeq, LAF and LAFmax of 100 ms, and its one-third octaves;
  -32768 is no level, -32767 silence.
- ``sounds/``, ``trails/``: the files that entries refer to.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Row, func, select
from sqlalchemy.orm import Session

from service.clock import utc_now, utc_text
from service.storage.archive import Archive
from service.storage.archive_files import ArchiveFiles
from service.storage.bundle import BundleWriter, new_bundle
from service.storage.row_lines import line_of
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

__all__ = ["EXPORT_SCHEMA", "export_archive", "level_part"]

EXPORT_SCHEMA: Final = "evenhush.archive-export/1"
"""Name of the form."""
_MINUTES_A_DAY: Final = 1440
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_AT_ONCE: Final = 500
"""Entries that are read from the database at once."""
_PIECE: Final = 2**20


def export_archive(
    archive: Archive,
    place: Path,
    *,
    tell: Callable[[str], None] = lambda _: None,
    progress: Callable[[float], None] = lambda _: None,
) -> dict[str, int]:
    """Write everything that is in the archive at one moment.

    Parameters
    ----------
    archive : Archive
        The archive; others may go on using it.
    place : Path
        Where to: a zip file if it ends in ``.zip``, else a folder. Nothing may stand there.
    tell : callable, optional
        Given a remark about each file that is missing.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    dict
        How many entries of each kind were written.

    Raises
    ------
    StorageError
        If it cannot be written, or the database fails; then nothing stands there.
    """
    with archive.database.reading() as session, new_bundle(place) as bundle:
        tables: list[type[Base]] = [*KINDS, LevelMinuteRow]
        counts = {
            row.__tablename__: session.scalar(select(func.count()).select_from(row)) or 0
            for row in tables
        }
        done = _Done(sum(counts.values()), progress)
        for row in KINDS:
            with bundle.part(f"{row.__tablename__}.jsonl") as part:
                for entry in _entries(session, row):
                    part.write(line_of(entry))
                    done.one_more()
        _write_levels(session, bundle, done)
        missing = _write_files(session, bundle, archive.files)
        for reference in missing:
            tell(f"{reference} is missing or cannot be read, and is left out")
        bundle.finish(
            {
                "schema": EXPORT_SCHEMA,
                "time": utc_text(utc_now()),
                "evenhush": version("evenhush"),
                "entries": counts,
                "missing": missing,
            }
        )
    return counts


class _Done:
    """How much is done.

    Parameters
    ----------
    whole : int
        How many entries there are.
    progress : callable
        Told the share that is done.
    """

    def __init__(self, whole: int, progress: Callable[[float], None]) -> None:
        self._whole = max(1, whole)
        self._progress = progress
        self._count = 0

    def one_more(self) -> None:
        """Count an entry."""
        self._count += 1
        if self._count % 100 == 0:
            self._progress(self._count / self._whole)


def _entries(session: Session, row: type[Base]) -> Iterator[dict[str, Any]]:
    """Read all entries of a kind, in the order of their ids."""
    table = row.__table__
    query = select(table).order_by(table.c.id).execution_options(yield_per=_AT_ONCE)
    for found in session.execute(query).mappings():
        yield dict(found)


def level_part(series: int, minute: int) -> str:
    """Return the name of the part with the levels of a minute."""
    day = _EPOCH + timedelta(days=minute // _MINUTES_A_DAY)
    return f"levels/{series}-{day:%Y-%m-%d}.i16"


def _write_levels(session: Session, bundle: BundleWriter, done: _Done) -> None:
    """Write the level log, a part a series and day."""
    with bundle.part("level_series.jsonl") as part:
        for series in session.scalars(select(LevelSeries).order_by(LevelSeries.id)):
            bands_hz = [float(hz) for hz in series.bands.split()]
            about = {"input": series.input, "unit": series.unit, "nominal_hz": bands_hz}
            part.write(line_of({"series": series.id, **about}))
    query = (
        select(LevelBlock.series, LevelBlock.minute, LevelBlock.levels)
        .order_by(LevelBlock.series, LevelBlock.minute)
        .execution_options(yield_per=_AT_ONCE)
    )

    def name_of(block: Row[int, int, bytes]) -> str:
        return level_part(block.series, block.minute)

    lines: list[bytes] = []
    for name, blocks in groupby(session.execute(query), key=name_of):
        with bundle.part(name) as part:
            for block in blocks:
                time = utc_text(_EPOCH + timedelta(minutes=block.minute))
                place = {"series": block.series, "minute": time, "part": name}
                lines.append(line_of({**place, "offset": part.bytes, "bytes": len(block.levels)}))
                part.write(block.levels)
                done.one_more()
    with bundle.part("level_minutes.jsonl") as part:
        for line in lines:
            part.write(line)


def _write_files(session: Session, bundle: BundleWriter, files: ArchiveFiles) -> list[str]:
    """Write the files that entries refer to; return those that are missing."""
    references = set(session.scalars(select(Sound.path)))
    for trail in (Match.trail, Profile.trail):
        references.update(session.scalars(select(trail).where(trail.is_not(None))))
    missing = []
    for reference in sorted(references):
        try:
            file = files.path_of(reference).open("rb")
        except OSError:
            missing.append(reference)
            continue
        with file, bundle.part(reference) as part:
            while data := file.read(_PIECE):
                part.write(data)
    return missing
