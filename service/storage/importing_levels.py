"""Taking the level log of an export."""

import json
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Any, Final

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from service.errors import DocumentError
from service.records.levels import BROADBAND
from service.storage.bundle import BundleReader
from service.storage.level_coding import block_bytes
from service.storage.level_rows import minute_columns, series_of
from service.storage.tables import LevelBlock, LevelMinuteRow

__all__ = ["import_levels"]

_MINUTE: Final = timedelta(minutes=1)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_AT_ONCE: Final = 200
"""Minutes that are written to the database at once."""


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a minute stands in the export."""

    series: int
    minute: int
    part: str
    offset: int
    bytes: int


def import_levels(
    session: Session, bundle: BundleReader, progress: Callable[[float], None]
) -> tuple[int, int, int]:
    """Take the minutes that the archive does not have.

    Parameters
    ----------
    session : Session
        The transaction.
    bundle : BundleReader
        The export.
    progress : callable
        Told the share that is done.

    Returns
    -------
    tuple of int
        How many were added, replaced (none) and there already.

    Raises
    ------
    DocumentError
        If something in it is damaged.
    """
    series = _series_in(session, bundle)
    places = list(_places_in(bundle, series.keys()))
    known = {key: _minutes_of(session, here) for key, (here, _) in series.items()}
    added = 0
    for name, group in groupby(places, key=lambda place: place.part):
        minutes: list[dict[str, Any]] = []
        blocks: list[dict[str, Any]] = []
        with bundle.part(name) as part:
            for place in group:
                here, size = series[place.series]
                if (place.offset, place.bytes) != (part.bytes, size):
                    raise DocumentError(f"{name} in {bundle.place} is not as its list says.")
                block = part.read(place.bytes)
                if len(block) != size:
                    raise DocumentError(f"{name} in {bundle.place} ends too early.")
                if place.minute in known[place.series]:
                    continue
                columns = minute_columns(place.minute, here, block)
                if columns is not None:
                    minutes.append(columns)
                    blocks.append({"minute": place.minute, "series": here, "levels": block})
        for start in range(0, len(minutes), _AT_ONCE):
            session.execute(insert(LevelMinuteRow), minutes[start : start + _AT_ONCE])
            session.execute(insert(LevelBlock), blocks[start : start + _AT_ONCE])
        added += len(minutes)
        progress(0.9 + 0.1 * added / max(1, len(places)))
    return added, 0, len(places) - added


def _minutes_of(session: Session, series: int) -> set[int]:
    """Return the minutes that a series has."""
    return set(
        session.scalars(select(LevelMinuteRow.minute).where(LevelMinuteRow.series == series))
    )


def _series_in(session: Session, bundle: BundleReader) -> dict[int, tuple[int, int]]:
    """Find or begin each series; return its number here and how many bytes its minutes have."""
    found = {}
    for where, line in _lines(bundle, "level_series.jsonl"):
        try:
            bands_hz = tuple(float(hz) for hz in line["nominal_hz"])
            number, source, unit = int(line["series"]), str(line["input"]), line["unit"]
        except (KeyError, TypeError, ValueError) as error:
            raise DocumentError(f"{where} is no series of levels.") from error
        if unit not in ("db", "dbfs"):
            raise DocumentError(f"{where} has levels in {unit!r}, which is not known.")
        here = series_of(session, source, unit, bands_hz)
        found[number] = here, block_bytes(len(BROADBAND) + len(bands_hz))
    return found


def _places_in(bundle: BundleReader, series: Collection[int]) -> Iterator[_Place]:
    """Read where each minute stands."""
    for where, line in _lines(bundle, "level_minutes.jsonl"):
        try:
            number, rest = divmod(datetime.fromisoformat(line["minute"]) - _EPOCH, _MINUTE)
            place = _Place(line["series"], number, line["part"], line["offset"], line["bytes"])
        except (KeyError, TypeError, ValueError) as error:
            raise DocumentError(f"{where} is no minute of levels.") from error
        if rest or place.series not in series or not isinstance(place.part, str):
            raise DocumentError(f"{where} is no minute of levels.")
        yield place


def _lines(bundle: BundleReader, name: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Read the objects of a part, each with what to call it."""
    with bundle.part(name) as part:
        for number, line in enumerate(part.lines(), start=1):
            where = f"Line {number} of {name} in {bundle.place}"
            try:
                plain = json.loads(line)
            except ValueError as error:
                raise DocumentError(f"{where} is not JSON.") from error
            if not isinstance(plain, dict):
                raise DocumentError(f"{where} is no JSON object.")
            yield where, plain
