"""The level log: what goes in every minute, and what comes out of a range of time."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples

__all__ = ["BROADBAND", "ROWS_A_MINUTE", "LevelMinute", "LevelRange", "LevelTrend", "LevelUnit"]

ROWS_A_MINUTE: Final = 600
"""A row is 100 ms."""
BROADBAND: Final = ("LAeq", "LAF", "LAFmax")
"""First columns of a row: equivalent level, level F at its end, and largest level F in it."""

LevelUnit = Literal["db", "dbfs"]
"""dB re 20 uPa, or re full scale while the input was not calibrated."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelMinute:
    """The levels of one minute of one input."""

    input: str
    """Which input."""
    start: datetime
    """The full minute at which it begins."""
    unit: LevelUnit
    """What the levels are in."""
    nominal_hz: tuple[float, ...]
    """Nominal mid-band frequencies of the one-third octaves in hertz."""
    levels: Samples
    """Levels of shape ``(600, 3 + bands)``: the columns `BROADBAND`, then unweighted one-third
    octaves; NaN where nothing valid was heard, ``-inf`` for exact silence."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelRange:
    """Every 100 ms of a range of time."""

    start: datetime
    """When the first row begins."""
    unit: LevelUnit
    """What the levels are in."""
    nominal_hz: tuple[float, ...]
    """Nominal mid-band frequencies of the one-third octaves in hertz."""
    levels: npt.NDArray[np.float32]
    """Levels of shape ``(rows, 3 + bands)``, columns as in `LevelMinute`; NaN where there are
    none."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelTrend:
    """Levels over a range of time, as points of equal length; those without levels are left out."""

    unit: LevelUnit
    """What the levels are in."""
    interval_s: float
    """How much time a point stands for, in seconds."""
    start_s: Samples
    """When each point begins, in seconds since 1970 in UTC, shape ``(points,)``."""
    heard: Samples
    """Share of each point's time in which something valid was heard, 0 to 1."""
    LAeq: Samples
    """Equivalent level of each point."""
    LA10: Samples
    """Level F exceeded 10 % of the time; of several minutes the mean of theirs."""
    LA50: Samples
    """The same for 50 %."""
    LA90: Samples
    """The same for 90 %."""
    LAFmax: Samples
    """Largest level F."""
