"""The phases of a load: on and off, or over and over again.

A game, a compiler or a benchmark works in phases. Its mean temperature depends on how much of a
pause falls into the run, so of a load that cycles only the same part of its high phase counts, in
whole cycles.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import uniform_filter1d

from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["LoadPhases", "find_phases"]

_APART: Final = 0.8
"""Share of the variance that two levels must explain; a line explains 0.75, one level 0.64."""
_LEAST_STEP: Final = 0.12
"""A load has phases if it drops by more than this share."""
_LEAST_STEP_K: Final = 1.5
"""A temperature shows phases from this swing on."""
_HYSTERESIS: Final = 0.15
_FEWEST_CYCLES: Final = 3
_IRREGULAR: Final = 0.3
"""Phases whose lengths scatter by more than this share are no cycles."""
_LONGEST_DELAY_S: Final = 15.0
"""A temperature crosses the middle of its swing no later than this after the step of the load."""
_ODD: Final = 0.25
"""A cycle that is longer or shorter than usual by more than this share is left out."""


@dataclass(frozen=True, slots=True)
class LoadPhases:
    """When the load was on."""

    from_s: float
    """Begin of the load in seconds from the begin of the log."""
    to_s: float
    """End of the load."""
    cycles: tuple[tuple[float, float], ...]
    """Begin and end of the high phase of each usable whole cycle; empty for a steady load."""
    period_s: float
    """Usual length of a cycle; 0 for a steady load."""
    left_out: int
    """How many cycles were unlike the others."""

    @property
    def cycling(self) -> bool:
        """Whether the load cycles."""
        return bool(self.cycles)

    @property
    def plateau_s(self) -> tuple[float, float]:
        """Which part of each high phase counts, in seconds from its begin: the second half."""
        high_s = float(np.median([end - begin for begin, end in self.cycles]))
        return 0.5 * high_s, 0.95 * high_s


def find_phases(values: Samples, block_s: float, *, is_power: bool) -> LoadPhases:
    """Find the phases of a load.

    Parameters
    ----------
    values : ndarray of float64, shape (blocks,)
        Power in W, or the temperature of the processor in degrees Celsius where no power was
        logged; NaN where it is missing.
    block_s : float
        Length of a block in seconds.
    is_power : bool
        Whether it is the power.

    Returns
    -------
    LoadPhases
        Its phases.

    Raises
    ------
    InputError
        If nothing is known.
    """
    known = np.isfinite(values)
    if not np.any(known):
        raise InputError("The log has neither power nor temperature; nothing can be told of it.")
    filled = np.interp(np.arange(values.size), np.flatnonzero(known), values[known])
    course = filled
    steady = LoadPhases(0.0, values.size * block_s, (), 0.0, 0)
    if not is_power:
        period = _period_of(filled)
        if period is not None:
            course = filled - uniform_filter1d(filled, period, mode="nearest")
    high = _high(course, filled, is_power=is_power)
    if high is None:
        return steady
    begins = np.flatnonzero(np.diff(high.astype(np.int8)) == 1) + 1
    ends = np.flatnonzero(np.diff(high.astype(np.int8)) == -1) + 1
    if not is_power:
        begins, ends = (
            _steepest(filled, begins, 1.0, block_s),
            _steepest(filled, ends, -1.0, block_s),
        )
    if begins.size > _FEWEST_CYCLES:
        return _cycles_of(begins, ends, block_s) or steady
    # On and off once or twice: the longest time that it was on.
    marks = np.concatenate([[0] if high[0] else [], begins]).astype(int)
    stops = np.concatenate([ends, [values.size] if high[-1] else []]).astype(int)
    longest = int(np.argmax(stops - marks))
    return LoadPhases(marks[longest] * block_s, stops[longest] * block_s, (), 0.0, 0)


def _high(course: Samples, filled: Samples, *, is_power: bool) -> np.ndarray | None:
    """Mark the high phase; None where there are no two levels."""
    low, top, explained = _two_levels(course)
    least = _LEAST_STEP * abs(float(np.max(filled))) if is_power else _LEAST_STEP_K
    if explained < (_APART if is_power else 0.7) or top - low < least:
        return None
    middle, margin = (low + top) / 2.0, _HYSTERESIS * (top - low)
    # Between both thresholds it stays what it was.
    sure = np.where(course > middle + margin, 1, np.where(course < middle - margin, -1, 0))
    decided = np.flatnonzero(sure)
    last = np.searchsorted(decided, np.arange(course.size), side="right") - 1
    return np.asarray(sure[decided[np.maximum(last, 0)]] > 0)


def _steepest(filled: Samples, edges: np.ndarray, sign: float, block_s: float) -> np.ndarray:
    """Move edges of a temperature to where it turns, which is where the power stepped.

    A temperature crosses the middle some time after that. The delay is the same in every cycle, so
    it is found in their mean.
    """
    back = int(np.ceil(_LONGEST_DELAY_S / block_s))
    inside = edges[(edges > back) & (edges < filled.size - 1)]
    if inside.size == 0:
        return edges
    around = filled[inside[:, None] + np.arange(-back - 1, 1)].mean(axis=0)
    steps = sign * np.diff(around)
    turned = int(np.flatnonzero(steps > 0.5 * steps.max())[0])
    return np.asarray(np.maximum(edges - (back - turned), 0))


def _two_levels(values: Samples) -> tuple[float, float, float]:
    """Means of the two parts that differ most, and the share of the variance they explain."""
    ordered = np.sort(values)
    count = np.arange(1, ordered.size)
    total = np.cumsum(ordered)
    below = total[:-1] / count
    above = (total[-1] - total[:-1]) / (ordered.size - count)
    between = count * (ordered.size - count) * (above - below) ** 2
    if ordered.size < 2 or not np.any(between):
        return float(ordered[0]), float(ordered[-1]), 0.0
    best = int(np.argmax(between))
    explained = between[best] / ordered.size**2 / max(float(np.var(ordered)), 1e-12)
    return float(below[best]), float(above[best]), float(explained)


def _period_of(values: Samples) -> int | None:
    """Period of a temperature in blocks, by its autocorrelation; None where there is none."""
    steps = np.diff(values)
    size = 1 << int(2 * steps.size - 1).bit_length()
    power = np.abs(np.fft.rfft(steps - steps.mean(), size)) ** 2
    correlation = np.fft.irfft(power, size)[: steps.size // 3]
    if correlation.size < 12 or correlation[0] <= 0.0:
        return None
    correlation = (
        correlation / correlation[0] * steps.size / (steps.size - np.arange(correlation.size))
    )
    rising = np.flatnonzero(correlation < 0.05)
    if rising.size == 0:
        return None
    first = max(int(rising[0]), 8)
    best = first + int(np.argmax(correlation[first:]))
    if correlation[best] < 0.25:
        return None
    # The first of equally high peaks is the period, the others are multiples of it.
    near = np.flatnonzero(correlation[first:] > 0.85 * correlation[best])
    return first + int(near[0])


def _cycles_of(begins: np.ndarray, ends: np.ndarray, block_s: float) -> LoadPhases | None:
    """Whole cycles from the begins and ends of the high phase; None where they are irregular."""
    ends = ends[ends > begins[0]][: begins.size]
    whole = begins.size - 1
    high, period = ends[:whole] - begins[:whole], np.diff(begins)
    usual_high, usual = float(np.median(high)), float(np.median(period))
    odd = (np.abs(high - usual_high) > np.maximum(_ODD * usual_high, 2.0)) | (
        np.abs(period - usual) > np.maximum(_ODD * usual, 2.0)
    )
    if np.count_nonzero(odd) > _IRREGULAR * whole or np.count_nonzero(~odd) < _FEWEST_CYCLES:
        return None
    cycles = tuple(
        (float(begin) * block_s, float(end) * block_s)
        for begin, end in zip(begins[:whole][~odd], ends[:whole][~odd], strict=True)
    )
    return LoadPhases(
        float(begins[0]) * block_s,
        float(begins[-1]) * block_s,
        cycles,
        usual * block_s,
        int(np.count_nonzero(odd)),
    )
