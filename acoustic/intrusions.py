"""Which 100 ms levels are not the cooler: doors, passing vehicles, voices.

An intrusion only ever adds sound, so the gate is one-sided. Its centre comes from the lower part
of the levels, which an intrusion of less than half the time leaves alone, and its spread from the
differences of neighbouring levels, which a slow rise leaves alone.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.errors import SignalError
from acoustic.signals import Samples

__all__ = ["INTERVAL_S", "NO_SPREAD", "GateSpread", "find_intrusions", "white_spread_db"]

INTERVAL_S: Final = 0.1
"""Length of the intervals whose levels are judged, in seconds."""

_HIT_SPREADS: Final = 3.0
"""How far above the centre a level is a hit, in spreads: one in 700 for steady noise."""
_HUNTING_ALLOWANCE_DB: Final = 0.35
"""Room for the slow hunting of a fan's speed, which the differences do not show."""
_WIDEN_INTERVALS: Final = 4
"""Intervals left out on either side of an intrusion: it rises and dies away gradually."""
_CENTRE_QUANTILE: Final = 0.3
"""Where the centre is read off: untouched while intrusions fill less than two thirds."""
_CENTRE_OFFSET_SPREADS: Final = 0.524
"""The 30 % quantile of a normal distribution lies this many spreads below its centre."""


@dataclass(frozen=True, slots=True)
class GateSpread:
    """A spread already known from earlier listening to the same sound."""

    spread_db: float
    """Standard deviation of a 100 ms level around its slow course, in dB."""
    weight_intervals: float
    """How many intervals that knowledge is worth."""


NO_SPREAD: Final = GateSpread(0.0, 0.0)
"""Nothing known beforehand."""


def white_spread_db(levels_db: Samples) -> float:
    """Spread of 100 ms levels around their slow course.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB, in order of time.

    Returns
    -------
    float
        Robust standard deviation in dB, from differences of neighbours; 0 for fewer than three.
    """
    if levels_db.size < 3:
        return 0.0
    # A difference of neighbours has sqrt(2) times the spread; 0.6745 turns a median into one.
    return float(np.median(np.abs(np.diff(levels_db))) / (0.6745 * np.sqrt(2.0)))


def find_intrusions(levels_db: Samples, known: GateSpread = NO_SPREAD) -> npt.NDArray[np.bool_]:
    """Mark the 100 ms levels that do not belong to a steady sound.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB of consecutive 100 ms intervals at one setting.
    known : GateSpread, optional
        Spread known beforehand; by default only these levels are asked.

    Returns
    -------
    ndarray of bool, shape (intervals,)
        True where an interval is left out: two hits of three in a row, widened by 0.4 s.

    Raises
    ------
    SignalError
        If `levels_db` is not one-dimensional or holds NaN.

    Examples
    --------
    A door slams in the middle of a steady sound.

    >>> levels = np.tile([40.0, 40.2], 20)
    >>> levels[20:24] += 12.0
    >>> [int(i) for i in np.flatnonzero(find_intrusions(levels))]
    [16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27]
    """
    if levels_db.ndim != 1 or np.isnan(levels_db).any():
        raise SignalError("The levels to gate must be one row of numbers without gaps.")
    count = levels_db.size
    if count < 5:
        return np.zeros(count, dtype=np.bool_)
    own = white_spread_db(levels_db)
    weight = known.weight_intervals
    spread = np.sqrt((count * own**2 + weight * known.spread_db**2) / (count + weight))
    centre = np.quantile(levels_db, _CENTRE_QUANTILE) + _CENTRE_OFFSET_SPREADS * spread
    hits = levels_db > centre + _HIT_SPREADS * spread + _HUNTING_ALLOWANCE_DB
    # Two of three in a row: a single high interval is chance, a door is not.
    padded = np.concatenate(([False], hits, [False])).astype(np.int_)
    dense = hits & (padded[:-2] + padded[1:-1] + padded[2:] >= 2)
    gap = np.zeros(count, dtype=np.bool_)
    gap[1:-1] = dense[:-2] & dense[2:]
    marked = dense | gap
    reach = np.ones(2 * _WIDEN_INTERVALS + 1, dtype=np.int_)
    return (
        np.convolve(marked.astype(np.int_), reach, mode="same")[:count] > 0
        if marked.any()
        else marked
    )
