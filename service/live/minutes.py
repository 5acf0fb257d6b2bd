"""The level log as it grows: one block a minute of everything heard in its tenths of a second."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from acoustic.short_levels import ROW_S
from acoustic.signals import Samples
from service.live.frames import THIRD_OCTAVES_HZ
from service.live.levels import LiveLevels
from service.records.levels import BROADBAND, ROWS_A_MINUTE, LevelMinute

__all__ = ["MinuteLog"]

_ASTRAY_S: Final = 1.0
"""Sound and clock may be so far apart before the clock counts: buffers deliver in bursts."""


class MinuteLog:
    """Gathers levels into minutes; used by one thread.

    Within a minute the place of a level follows from the sound, which is even, rather than from
    the moment it was read. What goes faster than real time overwrites itself.

    Parameters
    ----------
    name : str
        The input.
    keep : callable
        Given each minute when it is over, or as far as it came.
    """

    def __init__(self, name: str, keep: Callable[[LevelMinute], None]) -> None:
        self._name = name
        self._keep = keep
        self._start: datetime | None = None
        self._levels = _nothing()
        self._calibrated = False
        self._next: datetime | None = None

    def add(self, levels: LiveLevels) -> None:
        """Take the next level; one that must not enter a level leaves a gap."""
        time = levels.time
        if self._next is not None and abs((time - self._next).total_seconds()) < _ASTRAY_S:
            time = self._next
        self._next = time + timedelta(seconds=ROW_S)
        start = time.replace(second=0, microsecond=0)
        if start != self._start or levels.calibrated != self._calibrated:
            self.finish()
            self._start, self._calibrated = start, levels.calibrated
        row = int((time - start).total_seconds() / ROW_S + 0.5) % ROWS_A_MINUTE
        if levels.faults:
            self._levels[row] = np.nan
            return
        self._levels[row, : len(BROADBAND)] = levels.LAeq_db, levels.LAF_db, levels.LAFmax_db
        self._levels[row, len(BROADBAND) :] = levels.third_octaves_db

    def finish(self) -> None:
        """Hand on what there is of the present minute."""
        if self._start is not None and not np.isnan(self._levels).all():
            self._keep(
                LevelMinute(
                    input=self._name,
                    start=self._start,
                    unit="db" if self._calibrated else "dbfs",
                    nominal_hz=THIRD_OCTAVES_HZ,
                    levels=self._levels,
                )
            )
        self._start = None
        self._levels = _nothing()


def _nothing() -> Samples:
    return np.full((ROWS_A_MINUTE, len(BROADBAND) + len(THIRD_OCTAVES_HZ)), np.nan)
