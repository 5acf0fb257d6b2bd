"""Rows of the level log within a transaction."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from acoustic.level_history import StretchSummary, summarise_stretches
from acoustic.signals import Samples
from service.records.levels import BROADBAND, ROWS_A_MINUTE, LevelUnit
from service.storage.level_coding import decoded_columns, merged
from service.storage.tables import LevelBlock, LevelMinuteRow, LevelSeries

__all__ = [
    "Block",
    "blocks_of",
    "forget_before",
    "keep_minute",
    "minute_columns",
    "minutes_together",
    "series_of",
    "summary_of",
]

_FORGOTTEN_AT_ONCE: Final = 60
"""Minutes that go at once when they are too old: so few that nobody has to wait."""


@dataclass(frozen=True, slots=True)
class Block:
    """The levels of a minute as they are stored."""

    minute: int
    """Minutes since 1970 in UTC."""
    nominal_hz: tuple[float, ...]
    """Its bands."""
    levels: bytes
    """The levels."""


def series_of(
    session: Session,
    source: str,
    unit: str,
    nominal_hz: tuple[float, ...],
) -> int:
    """Find the series of what an input delivers, or begin it.

    Parameters
    ----------
    session : Session
        The transaction.
    source, unit : str
        Which input, and what its levels are in.
    nominal_hz : tuple of float
        Its bands.

    Returns
    -------
    int
        The series.
    """
    bands = " ".join(f"{hz:g}" for hz in nominal_hz)
    query = select(LevelSeries).where(
        LevelSeries.input == source, LevelSeries.unit == unit, LevelSeries.bands == bands
    )
    row = session.scalar(query)
    if row is None:
        row = LevelSeries(input=source, unit=unit, bands=bands)
        session.add(row)
        session.flush()
    return row.id


def keep_minute(session: Session, minute: int, series: int, block: bytes) -> None:
    """Keep a minute with what it comes to; one that is there already is added to.

    Parameters
    ----------
    session : Session
        The transaction.
    minute, series : int
        Which one.
    block : bytes
        Its levels.
    """
    kept = session.get(LevelBlock, (minute, series))
    if kept is not None:
        block = merged(kept.levels, block)
    columns = minute_columns(minute, series, block)
    if columns is None:
        return
    session.merge(LevelMinuteRow(**columns))
    if kept is None:
        session.add(LevelBlock(minute=minute, series=series, levels=block))
    else:
        kept.levels = block


def minute_columns(minute: int, series: int, block: bytes) -> dict[str, Any] | None:
    """Return what a minute comes to.

    It is told from the levels as they are kept, so that anybody can come to the same again.

    Parameters
    ----------
    minute, series : int
        Which one.
    block : bytes
        Its levels.

    Returns
    -------
    dict or None
        Values by column; None where it has no level.
    """
    whole = summary_of(block, ROWS_A_MINUTE)
    if not whole.rows[0]:
        return None
    return {
        "minute": minute,
        "series": series,
        "rows": int(whole.rows[0]),
        "energy": float(whole.energy[0]),
        "LA10": _finite(whole.L10_db),
        "LA50": _finite(whole.L50_db),
        "LA90": _finite(whole.L90_db),
        "LAFmax": _finite(whole.Lmax_db),
    }


def _finite(levels_db: Samples) -> float | None:
    """Return the only level; None where there is none, or silence, which some databases lack."""
    return float(levels_db[0]) if np.isfinite(levels_db[0]) else None


def summary_of(block: bytes, rows_each: int) -> StretchSummary:
    """Take the rows of a minute together.

    Parameters
    ----------
    block : bytes
        Its levels.
    rows_each : int
        How many rows at a time.

    Returns
    -------
    StretchSummary
        What they come to.
    """
    broadband = decoded_columns(block, len(BROADBAND))
    return summarise_stretches(*broadband.T, rows_each=rows_each)


def forget_before(session: Session, minute: int) -> None:
    """Remove some of the oldest minutes before one.

    Parameters
    ----------
    session : Session
        The transaction.
    minute : int
        The first minute that stays.
    """
    oldest = (
        select(LevelMinuteRow.minute)
        .where(LevelMinuteRow.minute < minute)
        .order_by(LevelMinuteRow.minute)
        .limit(_FORGOTTEN_AT_ONCE)
    )
    last = session.scalar(select(func.max(oldest.subquery().c.minute)))
    if last is not None:
        session.execute(delete(LevelMinuteRow).where(LevelMinuteRow.minute <= last))
        session.execute(delete(LevelBlock).where(LevelBlock.minute <= last))


def blocks_of(
    session: Session,
    source: str,
    unit: LevelUnit,
    first: int,
    last: int,
) -> Iterator[Block]:
    """Return the levels of a range of minutes, oldest first.

    Parameters
    ----------
    session : Session
        The transaction.
    source : str
        Which input.
    unit : {"db", "dbfs"}
        What the levels are in.
    first, last : int
        The first minute, and the one after the last.

    Yields
    ------
    Block
        A minute.
    """
    bands = {
        series: tuple(float(hz) for hz in text.split())
        for series, text in session.execute(
            select(LevelSeries.id, LevelSeries.bands).where(
                LevelSeries.input == source, LevelSeries.unit == unit
            )
        )
    }
    query = (
        select(LevelBlock.minute, LevelBlock.series, LevelBlock.levels)
        .where(LevelBlock.minute >= first, LevelBlock.minute < last)
        .where(LevelBlock.series.in_(bands))
        .order_by(LevelBlock.minute, LevelBlock.series)
    )
    for minute, series, levels in session.execute(query):
        yield Block(minute, bands[series], levels)


def minutes_together(
    session: Session,
    source: str,
    unit: LevelUnit,
    first: int,
    last: int,
    *,
    minutes_each: int,
) -> list[tuple[int, StretchSummary]]:
    """Take minutes together by what is known of each, without their levels.

    Parameters
    ----------
    session : Session
        The transaction.
    source : str
        Which input.
    unit : {"db", "dbfs"}
        What the levels are in.
    first, last : int
        The first minute, and the one after the last.
    minutes_each : int
        How many at a time.

    Returns
    -------
    list of tuple of int and StretchSummary
        The parts that have levels, counted from 0, and what they come to; exceeded levels are the
        mean of those of the minutes.
    """
    row = LevelMinuteRow
    series = select(LevelSeries.id).where(LevelSeries.input == source, LevelSeries.unit == unit)
    part = (row.minute - first) // minutes_each
    query = (
        select(
            part,
            func.sum(row.rows),
            func.sum(row.energy * row.rows) / func.sum(row.rows),
            func.avg(row.LA10),
            func.avg(row.LA50),
            func.avg(row.LA90),
            func.max(row.LAFmax),
        )
        .where(row.minute >= first, row.minute < last, row.series.in_(series))
        .group_by(part)
        .order_by(part)
    )
    return [
        (int(place), StretchSummary(*(np.array([value], dtype=np.float64) for value in values)))  # type: ignore[arg-type]
        for place, *values in session.execute(query)
    ]
