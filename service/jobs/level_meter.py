"""Levels of sound in stretches: each rises from rest, and all are added up."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from acoustic.analyser import analyse, finish, start
from acoustic.decibels import level_db
from acoustic.kernels import Kernels
from acoustic.level_statistics import LevelTotals, add_levels, no_totals
from acoustic.short_levels import ROW_S, ShortLevels
from acoustic.signals import PressureSignal, Samples
from calibration.steady_interval import LONGEST_S

__all__ = ["LevelMeter"]


class LevelMeter:
    """Measures block after block.

    Parameters
    ----------
    rate_hz, channels : int
        Sampling rate in hertz, and number of channels.
    kernels : Kernels
        What filters.
    keep : callable
        Given all rows of 100 ms as they come, numbered from the beginning of the sound.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: int,
        *,
        kernels: Kernels,
        keep: Callable[[ShortLevels], None],
    ) -> None:
        self._rate_hz = rate_hz
        self._keep = keep
        self._at_rest = self._levels = start(rate_hz, channels, kernels=kernels)
        self._first_row = 0
        self._resting = True
        self._course: list[Samples] = []
        self.totals: LevelTotals | None = None
        """Sums over all rows; None before the first block."""

    def hear(self, pressure: PressureSignal, first_frame: int) -> None:
        """Take the next block.

        Parameters
        ----------
        pressure : PressureSignal
            Its sound.
        first_frame : int
            Where it begins, counted from the beginning of the sound.
        """
        if self._resting:
            self._resting = False
            self._first_row = round(first_frame / self._rate_hz / ROW_S)
        self._levels, rows = analyse(self._levels, pressure)
        self._add(rows)

    def interrupt(self) -> None:
        """End a stretch: what comes next does not go on with it."""
        if not self._resting:
            self._add(finish(self._levels))
            self._levels = self._at_rest
            self._resting = True

    def _add(self, rows: ShortLevels) -> None:
        """Take the next rows of a stretch."""
        totals = no_totals(rows) if self.totals is None else self.totals
        if len(rows):
            self._keep(replace(rows, first_row=rows.first_row + self._first_row))
            totals = add_levels(totals, rows)
        self.totals = totals
        # LAeq of each 100 ms, as far as it is worth keeping.
        if totals.rows * ROW_S > LONGEST_S:
            self._course.clear()
        else:
            self._course.append(level_db(rows.A_mean_square_pa2.mean(axis=1)))

    @property
    def course_db(self) -> Samples | None:
        """LAeq of each 100 ms, averaged over channels as energy; None for more than an hour."""
        return np.concatenate(self._course) if self._course else None
