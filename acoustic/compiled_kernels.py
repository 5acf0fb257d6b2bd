"""The inner loops of the chain, compiled by numba: only whoever wants them may import this.

Every sample is taken up once, and everything that one rate has to do with it is done while it is
in a register. numba keeps what it compiled on disk, beside this file or, where that cannot be
written, in the user's cache folder.
"""

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from acoustic.band_filters import HALVING_DELAY, BandFilters
from acoustic.frequency_weighting import WeightingFilters, WeightingState
from acoustic.kernels import BandMemory, Frames, MillisecondSums
from acoustic.lanes import chained, chosen, even_ones, lanes, larger, load, settled, store
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

_LANES: Final = 8
_EIGHT: Final = (0.0,) * _LANES
_FOUR: Final = (0.0,) * 4
_SECTIONS: Final = (0.0,) * 5
"""Three sections of C and two of A after C."""

_SETTLE_FRAMES: Final = 256
"""How often vanishing memories are set to zero: before any filter gets from 1e-150 to 1e-308."""

_FRAMES_AT_ONCE: Final = 2048
"""How many frames go through all rates in one go: short enough for the nearest cache; a whole
number of quanta."""

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
        sound = np.ascontiguousarray(samples[:, channel])
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


def bands_at_rest(filters: BandFilters, channels: int) -> BandMemory:
    """See `acoustic.kernels.Kernels`."""
    delays = np.zeros((channels, _lane_form(filters).coefficients.size))
    return delays, np.zeros((channels, len(filters.stages), 2 * HALVING_DELAY))


def sum_bands(
    filters: BandFilters, memory: BandMemory, sound: Samples, edges: Frames
) -> tuple[BandMemory, Samples]:
    """See `acoustic.kernels.Kernels`."""
    form = _lane_form(filters)
    delays, pasts = (array.copy() for array in memory)
    squares = np.zeros((len(sound), edges.shape[1] - 1, form.columns))
    for channel, frames in enumerate(sound):
        _sum_bands(
            np.ascontiguousarray(frames),
            edges,
            filters.halving_taps,
            form.coefficients,
            form.groups,
            delays[channel],
            pasts[channel],
            squares[channel],
        )
    by_band = form.square_gains * squares[:, :, form.column_of_band]
    return (delays, pasts), by_band.transpose(1, 0, 2)


class _LaneForm(NamedTuple):
    """The filters of all bands in groups of lanes."""

    coefficients: npt.NDArray[np.float64]
    """Coefficients a1 and a2 of every section, lanes side by side, group after group; flat."""
    groups: npt.NDArray[np.intp]
    """For each group its stage, its number of lanes, where its coefficients begin, and its first
    column of sums."""
    columns: int
    """Number of columns of sums."""
    column_of_band: npt.NDArray[np.intp]
    """Which column belongs to each band."""
    square_gains: npt.NDArray[np.float64]
    """What the sums of each band have to be multiplied by."""


@lru_cache(maxsize=32)
def _lane_form(filters: BandFilters) -> _LaneForm:
    """Put the bands of each stage side by side, eight or four at a time."""
    parts, groups, column_of_band, gains = [np.zeros(0)], [], np.empty(0, np.intp), np.empty(0)
    size = column = 0
    for number, stage in enumerate(filters.stages):
        columns = np.arange(column, column + len(stage.sections))
        # Bands of later stages are lower, so they come first.
        column_of_band = np.concatenate([columns, column_of_band])
        gains = np.concatenate([stage.sections[:, :, 0].prod(axis=1), gains])
        for first in range(0, len(stage.sections), 8):
            some = stage.sections[first : first + 8, :, 4:]
            count = 4 if len(some) <= 4 else 8
            part = np.zeros((*some.shape[1:], count))
            part[:, :, : len(some)] = some.transpose(1, 2, 0)
            groups.append((number, count, size, column))
            parts.append(part.ravel())
            size += part.size
            column += count
    return _LaneForm(
        np.concatenate(parts),
        np.array(groups, np.intp).reshape(-1, 4),
        column,
        column_of_band,
        np.square(gains),
    )


@_compiled
def _sum_bands(sound, edges, taps, coefficients, groups, delays, pasts, squares):
    """Filter one channel into all bands; delays, pasts and squares are written to."""
    past = pasts.shape[1]
    # Lanes are loaded from beyond the last frame, but not used.
    size = past + _FRAMES_AT_ONCE + 2 * _LANES
    here, halved = np.zeros(size), np.zeros(size)
    evens = np.empty(past + _FRAMES_AT_ONCE // 2)
    for begin in range(0, len(sound), _FRAMES_AT_ONCE):
        count = min(_FRAMES_AT_ONCE, len(sound) - begin)
        here[past : past + count] = sound[begin : begin + count]
        for stage in range(len(edges)):
            here[:past] = pasts[stage]
            pasts[stage] = here[count : count + past]
            frames, first, rows = here[past : past + count], begin >> stage, edges[stage]
            for group in range(len(groups)):
                if groups[group, 0] != stage:
                    continue
                base, column = groups[group, 2], groups[group, 3]
                if groups[group, 1] == 8:
                    _sum_lanes(
                        frames, first, rows, coefficients, delays, squares, base, column, _EIGHT
                    )
                else:
                    _sum_lanes(
                        frames, first, rows, coefficients, delays, squares, base, column, _FOUR
                    )
            if stage + 1 < len(edges):
                count //= 2
                _halve(here, taps, evens, halved[past : past + count], _EIGHT)
                here, halved = halved, here


@_compiled
def _sum_lanes(frames, first, edges, coefficients, delays, squares, base, column, like):
    """Filter into the bands of one group and add up; delays and squares are written to.

    Sections have the numerator 1 - z^-2; their gain is left to the caller. Delays are kept with
    the opposite sign, so that a section takes three instructions.
    """
    count = len(like)
    a0, b0 = load(coefficients, base, like), load(coefficients, base + count, like)
    a1, b1 = load(coefficients, base + 2 * count, like), load(coefficients, base + 3 * count, like)
    a2, b2 = load(coefficients, base + 4 * count, like), load(coefficients, base + 5 * count, like)
    a3, b3 = load(coefficients, base + 6 * count, like), load(coefficients, base + 7 * count, like)
    s0, t0 = load(delays, base, like), load(delays, base + count, like)
    s1, t1 = load(delays, base + 2 * count, like), load(delays, base + 3 * count, like)
    s2, t2 = load(delays, base + 4 * count, like), load(delays, base + 5 * count, like)
    s3, t3 = load(delays, base + 6 * count, like), load(delays, base + 7 * count, like)
    for row in range(len(edges) - 1):
        start, stop = max(edges[row] - first, 0), min(edges[row + 1] - first, len(frames))
        if start >= stop:
            continue
        total = load(squares[row], column, like)
        for settling in range(start, stop, _SETTLE_FRAMES):
            for frame in range(settling, min(settling + _SETTLE_FRAMES, stop)):
                x = lanes(frames[frame], like)
                y = x - s0
                s0, t0 = t0 + a0 * y, x + b0 * y
                x = y - s1
                s1, t1 = t1 + a1 * x, y + b1 * x
                y = x - s2
                s2, t2 = t2 + a2 * y, x + b2 * y
                x = y - s3
                s3, t3 = t3 + a3 * x, y + b3 * x
                total = total + x * x
            s0, t0, s1, t1 = settled(s0), settled(t0), settled(s1), settled(t1)
            s2, t2, s3, t3 = settled(s2), settled(t2), settled(s3), settled(t3)
        store(squares[row], column, total)
    store(delays, base, s0)
    store(delays, base + count, t0)
    store(delays, base + 2 * count, s1)
    store(delays, base + 3 * count, t1)
    store(delays, base + 4 * count, s2)
    store(delays, base + 5 * count, t2)
    store(delays, base + 6 * count, s3)
    store(delays, base + 7 * count, t3)


@_compiled
def _halve(sound, taps, evens, halves, like):
    """Low-pass at every other frame; the arrays after the taps are written to.

    Lanes are neighbouring results. Four times as many are made at once, as each frame that is
    loaded then serves up to three of them: what it would take to load it again is what limits.
    """
    count, last = len(like), len(taps) - 1
    half = lanes(0.5, like)
    for place in range(0, len(halves) + last, count):
        pair = load(sound, 2 * place, like), load(sound, 2 * place + count, like)
        store(evens, place, even_ones(pair[0], pair[1]))
    whole = len(halves) - len(halves) % (4 * count)
    for place in range(0, whole, 4 * count):
        odd = 2 * place + last
        h0 = half * even_ones(load(sound, odd, like), load(sound, odd + count, like))
        odd += 2 * count
        h1 = half * even_ones(load(sound, odd, like), load(sound, odd + count, like))
        odd += 2 * count
        h2 = half * even_ones(load(sound, odd, like), load(sound, odd + count, like))
        odd += 2 * count
        h3 = half * even_ones(load(sound, odd, like), load(sound, odd + count, like))
        for tap in range(count):
            w0, w1 = lanes(taps[tap], like), lanes(taps[tap + count], like)
            w2, at = lanes(taps[tap + 2 * count], like), place + tap
            x0, x1 = load(evens, at, like), load(evens, at + count, like)
            x2, x3 = load(evens, at + 2 * count, like), load(evens, at + 3 * count, like)
            x4, x5 = load(evens, at + 4 * count, like), load(evens, at + 5 * count, like)
            h0 = h0 + w0 * x0 + w1 * x1 + w2 * x2
            h1 = h1 + w0 * x1 + w1 * x2 + w2 * x3
            h2 = h2 + w0 * x2 + w1 * x3 + w2 * x4
            h3 = h3 + w0 * x3 + w1 * x4 + w2 * x5
        store(halves, place, h0)
        store(halves, place + count, h1)
        store(halves, place + 2 * count, h2)
        store(halves, place + 3 * count, h3)
    for place in range(whole, len(halves)):
        result = 0.5 * sound[2 * place + last]
        for tap in range(len(taps)):
            result += taps[tap] * evens[place + tap]
        halves[place] = result
