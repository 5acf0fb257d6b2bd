"""The inner loops of the chain, compiled by numba: only whoever wants them may import this.

Every sample is taken up once, and everything that one rate has to do with it is done while it is
in a register. numba keeps what it compiled on disk, beside this file or, where that cannot be
written, in the user's cache folder.
"""

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from acoustic.compiled_bands import bands_at_rest, read_only, sum_bands
from acoustic.frequency_weighting import WeightingFilters, WeightingState
from acoustic.kernels import Frames, MillisecondSums
from acoustic.lanes import chained, chosen, lanes, larger, load, settled, store
from acoustic.signals import Samples

__all__ = [
    "SAMPLES_AT_ONCE",
    "bands_at_rest",
    "exponential_average",
    "sum_bands",
    "sum_weighted",
]

SAMPLES_AT_ONCE: Final = 2**19
"""See `acoustic.kernels.Kernels`."""

_EIGHT: Final = (0.0,) * 8
_SECTIONS: Final = (0.0,) * 5
"""Three sections of C and two of A after C."""

_compiled = njit(cache=True, error_model="numpy", fastmath={"contract"})


def sum_weighted(
    state: WeightingState, samples: Samples, edges: Frames
) -> tuple[WeightingState, MillisecondSums]:
    """See `acoustic.kernels.Kernels`."""
    form = _cascade_form(state.filters)
    after = WeightingState(state.filters, state.C.copy(), state.A.copy(), state.Z.copy())
    squares = np.empty((samples.shape[1], len(edges) - 1, 8))
    largest = np.empty_like(squares)
    for channel in range(samples.shape[1]):
        memory = np.zeros((2, 8))
        memory[:, :3] = state.C[:, :, channel].T
        memory[:, 3:5] = state.A[:, :, channel].T
        memory[0, 5] = state.Z[0, channel]
        sound = read_only(samples[:, channel])
        _sum_cascade(sound, edges, form, memory.ravel(), squares[channel], largest[channel], _EIGHT)
        after.C[:, :, channel] = memory[:, :3].T
        after.A[:, :, channel] = memory[:, 3:5].T
        after.Z[0, channel] = memory[0, 5]
    sums = MillisecondSums(
        A_squares=squares[:, :, 4].T,
        C_squares=squares[:, :, 2].T,
        Z_squares=squares[:, :, 5].T,
        C_peak=np.sqrt(largest[:, :, 2].T),
    )
    return after, sums


@lru_cache(maxsize=32)
def _cascade_form(filters: WeightingFilters) -> npt.NDArray[np.float64]:
    """Coefficients b0, b1, b2, a1 and a2 of all sections, and their lags, a lane for each; flat."""
    form = np.zeros((6, 8))
    form[:3, :3], form[3:5, :3] = filters.C_sections[:, :3].T, filters.C_sections[:, 4:].T
    form[:3, 3:5] = filters.A_sections_after_C[:, :3].T
    form[3:5, 3:5] = filters.A_sections_after_C[:, 4:].T
    gain = (1.0 + filters.Z_pole) / 2.0
    form[:5, 5] = gain, -gain, 0.0, -filters.Z_pole, 0.0
    form[5, :5] = range(5)
    return form.ravel()


@_compiled
def _step(x, y, s, t, b0, b1, b2, a1, a2):
    """Take up a sample; sections 0 to 4 take each other's last output, Z the sample itself."""
    v = chained(y, x, _SECTIONS)
    y = b0 * v + s
    return y, t + b1 * v - a1 * y, b2 * v - a2 * y


@_compiled
def _sum_cascade(sound, edges, form, memory, squares, largest, like):
    """Weight and sum; memory, squares and the largest of the squares are written to.

    The sections are lanes, each a frame behind the one before: so one waits for another only from
    frame to frame, and all compute at once.
    """
    b0, b1, b2 = load(form, 0, like), load(form, 8, like), load(form, 16, like)
    a1, a2, lag = load(form, 24, like), load(form, 32, like), load(form, 40, like)
    s, t = load(memory, 0, like), load(memory, 8, like)
    none = lanes(0.0, like)
    y, total, peak = none, none, none
    for row in range(len(edges) - 1):
        before, peak_before = total, peak
        total, peak = none, none
        for late in range(4):
            # The lanes that lag by more are still in the row before, or have not begun.
            y, s_new, t_new = _step(sound[edges[row] + late], y, s, t, b0, b1, b2, a1, a2)
            since = lanes(float(late), like)
            here, there = chosen(lag, since, y * y, none), chosen(lag, since, none, y * y)
            total, peak = total + here, larger(here, peak)
            before, peak_before = before + there, larger(there, peak_before)
            begun = since if row == 0 else lag
            s, t = chosen(lag, begun, s_new, s), chosen(lag, begun, t_new, t)
        if row > 0:
            store(squares[row - 1], 0, before)
            store(largest[row - 1], 0, peak_before)
        for frame in range(edges[row] + 4, edges[row + 1]):
            y, s, t = _step(sound[frame], y, s, t, b0, b1, b2, a1, a2)
            square = y * y
            total, peak = total + square, larger(square, peak)
        s, t = settled(s), settled(t)
    for late in range(4):
        y, s_new, t_new = _step(0.0, y, s, t, b0, b1, b2, a1, a2)
        since = lanes(float(late), like)
        there = chosen(lag, since, none, y * y)
        total, peak = total + there, larger(there, peak)
        s, t = chosen(lag, since, s, s_new), chosen(lag, since, t, t_new)
    store(squares[len(edges) - 2], 0, total)
    store(largest[len(edges) - 2], 0, peak)
    store(memory, 0, settled(s))
    store(memory, 8, settled(t))


def exponential_average(
    mean_squares: Samples, durations_s: Samples, start: Samples, time_constant_s: float
) -> Samples:
    """See `acoustic.kernels.Kernels`."""
    averages = np.empty(mean_squares.shape)
    _average(mean_squares, durations_s, start, time_constant_s, averages)
    return averages


@_compiled
def _average(mean_squares, durations_s, start, time_constant_s, averages):
    """Average exponentially; the averages are written to."""
    for channel in range(mean_squares.shape[1]):
        average, duration_s, share = start[channel], 0.0, 0.0
        for place in range(len(durations_s)):
            if durations_s[place] != duration_s:
                duration_s = durations_s[place]
                share = -np.expm1(-duration_s / time_constant_s)
            average += share * (mean_squares[place, channel] - average)
            averages[place, channel] = average
