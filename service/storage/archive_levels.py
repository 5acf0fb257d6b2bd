"""The level log: one block a minute goes in, any range of time comes out at any resolution."""

from concurrent.futures import Future
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy.orm import Session

from acoustic.errors import InputError
from acoustic.level_history import StretchSummary, energy_ratio_db
from acoustic.signals import Samples
from service.records.levels import (
    BROADBAND,
    ROWS_A_MINUTE,
    LevelMinute,
    LevelRange,
    LevelTrend,
    LevelUnit,
)
from service.storage.database import Database
from service.storage.level_coding import decoded, encoded
from service.storage.level_rows import (
    blocks_of,
    forget_before,
    keep_minute,
    minutes_together,
    series_of,
    summary_of,
)

__all__ = ["Levels"]

_MINUTE: Final = timedelta(minutes=1)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MINUTES_A_DAY: Final = 1440
_LONGEST: Final = timedelta(hours=48)
"""Longest range of every 100 ms: some 250 MB."""
_ROWS_OF_A_POINT: Final = (1, 2, 5, 10, 20, 50, 100, 200, 300, 600)
"""How a minute can be divided into points."""


class Levels:
    """The levels of every 100 ms that inputs heard.

    Parameters
    ----------
    database : Database
        Where they are.
    days : int
        How long they are kept, counted from the newest; 0 keeps them for ever.
    """

    def __init__(self, database: Database, *, days: int) -> None:
        self._database = database
        self._days = days

    def add(self, minute: LevelMinute) -> "Future[None]":
        """Keep a minute, without waiting for the disk; one that is there is added to.

        Levels are kept to 0.01 dB. Minutes that are too old go meanwhile, sixty at a time.

        Parameters
        ----------
        minute : LevelMinute
            The minute; where nothing valid was heard in it, nothing is kept.

        Returns
        -------
        Future
            Done when it is on the disk; a StorageError where the database failed.

        Raises
        ------
        InputError
            If it does not begin at a full minute or its levels have another shape.
        ArchiveClosed
            If the archive is closed.
        """
        columns = len(BROADBAND) + len(minute.nominal_hz)
        number, rest = divmod(minute.start - _EPOCH, _MINUTE)
        if rest or minute.levels.shape != (ROWS_A_MINUTE, columns):
            raise InputError(
                f"A minute of levels begins at a full minute and has {ROWS_A_MINUTE} rows of "
                f"{columns} levels, not {minute.levels.shape} from {minute.start.isoformat()} on."
            )
        block = encoded(minute.levels)

        def work(session: Session) -> None:
            series = series_of(session, minute.input, minute.unit, minute.nominal_hz)
            keep_minute(session, number, series, block)
            if self._days:
                forget_before(session, number - self._days * _MINUTES_A_DAY)

        return self._database.write(work)

    def read(
        self,
        source: str,
        since: datetime,
        until: datetime,
        *,
        unit: LevelUnit = "db",
    ) -> LevelRange:
        """Return every 100 ms of a range of time, at most 48 hours.

        Parameters
        ----------
        source : str
            Which input.
        since, until : datetime
            From which minute on, and before which; seconds are left out.
        unit : {"db", "dbfs"}, optional
            What the levels are in.

        Returns
        -------
        LevelRange
            All rows of that time. Where bands were others than in its newest minute, they are NaN.

        Raises
        ------
        InputError
            If there is no such time, or it is too long.
        StorageError
            If the database fails.
        """
        first, last = _minutes(since, until)
        if until - since > _LONGEST:
            raise InputError("Every 100 ms can be had of 48 hours at most; ask for a trend.")
        with self._database.reading() as session:
            blocks = list(blocks_of(session, source, unit, first, last))
        nominal_hz = blocks[-1].nominal_hz if blocks else ()
        columns = len(BROADBAND) + len(nominal_hz)
        levels = np.full(((last - first) * ROWS_A_MINUTE, columns), np.nan, dtype=np.float32)
        for block in blocks:
            place = (block.minute - first) * ROWS_A_MINUTE
            known = columns if block.nominal_hz == nominal_hz else len(BROADBAND)
            rows = decoded(block.levels, len(BROADBAND) + len(block.nominal_hz))
            levels[place : place + ROWS_A_MINUTE, :known] = rows[:, :known]
        return LevelRange(_EPOCH + first * _MINUTE, unit, nominal_hz, levels)

    def trend(
        self,
        source: str,
        since: datetime,
        until: datetime,
        *,
        points: int = 1440,
        unit: LevelUnit = "db",
    ) -> LevelTrend:
        """Return the A-weighted levels over a range of time.

        Parameters
        ----------
        source : str
            Which input.
        since, until : datetime
            From which minute on, and before which; seconds are left out.
        points : int, optional
            How many points at most.
        unit : {"db", "dbfs"}, optional
            What the levels are in.

        Returns
        -------
        LevelTrend
            The points that have levels, each of whole minutes, or of a part of one where that
            many points are asked for.

        Raises
        ------
        InputError
            If there is no such time, or no point is asked for.
        StorageError
            If the database fails.
        """
        first, last = _minutes(since, until)
        if points < 1:
            raise InputError("A trend needs a point at least.")
        if points > last - first:
            return self._fine_trend(source, unit, first, last, points)
        minutes_each = -(-(last - first) // points)
        with self._database.reading() as session:
            found = minutes_together(session, source, unit, first, last, minutes_each=minutes_each)
        return _trend(
            unit,
            60.0 * minutes_each,
            60.0 * (first + minutes_each * np.array([part for part, _ in found])),
            _joined([summary for _, summary in found]),
        )

    def _fine_trend(
        self,
        source: str,
        unit: LevelUnit,
        first: int,
        last: int,
        points: int,
    ) -> LevelTrend:
        """Return levels of parts of minutes."""
        whole = (last - first) * ROWS_A_MINUTE
        rows_each = next(rows for rows in _ROWS_OF_A_POINT if rows * points >= whole)
        with self._database.reading() as session:
            found = [
                (block.minute, summary_of(block.levels, rows_each))
                for block in blocks_of(session, source, unit, first, last)
            ]
        within_s = 0.1 * rows_each * np.arange(ROWS_A_MINUTE // rows_each)
        start_s = [60.0 * minute + within_s for minute, _ in found]
        return _trend(
            unit,
            0.1 * rows_each,
            np.concatenate([np.zeros(0), *start_s]),
            _joined([summary for _, summary in found]),
        )


def _minutes(since: datetime, until: datetime) -> tuple[int, int]:
    """Return the first minute of a time and the one after the last."""
    first, last = (since - _EPOCH) // _MINUTE, -((_EPOCH - until) // _MINUTE)
    if first >= last:
        raise InputError("A range of time ends after it begins.")
    return first, last


def _joined(parts: list[StretchSummary]) -> StretchSummary:
    """Put summaries one after the other."""
    return StretchSummary(
        *(
            np.concatenate([np.zeros(0), *(getattr(part, field.name) for part in parts)])
            for field in fields(StretchSummary)
        )
    )


def _trend(
    unit: LevelUnit, interval_s: float, start_s: Samples, summary: StretchSummary
) -> LevelTrend:
    """Put points that have levels into a trend."""
    heard = summary.rows > 0
    return LevelTrend(
        unit=unit,
        interval_s=interval_s,
        start_s=start_s[heard],
        heard=summary.rows[heard] / (10.0 * interval_s),
        LAeq=energy_ratio_db(summary.energy[heard]),
        LA10=summary.L10_db[heard],
        LA50=summary.L50_db[heard],
        LA90=summary.L90_db[heard],
        LAFmax=summary.Lmax_db[heard],
    )
