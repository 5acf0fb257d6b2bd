"""The loops of `acoustic.compiled_kernels` that filter into bands.

Frames go through all rates in short stretches, and at each rate through neighbouring bands side by
side, one a lane.
"""

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from acoustic.band_filters import HALVING_DELAY, BandFilters
from acoustic.kernels import BandMemory, Frames
from acoustic.lanes import even_ones, joined, lanes, load, lower, settled, store, upper
from acoustic.signals import Samples

__all__ = ["bands_at_rest", "read_only", "sum_bands"]

_LANES: Final = 8
_EIGHT: Final = (0.0,) * _LANES
_FOUR: Final = (0.0,) * 4

_SETTLE_FRAMES: Final = 256
"""How often vanishing memories are set to zero: before any filter gets from 1e-150 to 1e-308."""

_FRAMES_AT_ONCE: Final = 2048
"""How many frames go through all rates in one go: short enough for the nearest cache; a whole
number of quanta."""

_compiled = njit(cache=True, error_model="numpy", fastmath={"contract"})


def read_only(samples: Samples) -> Samples:
    """Samples side by side and read-only, as numba compiles anew for an array that is not."""
    view = np.ascontiguousarray(samples).view()
    view.setflags(write=False)
    return view


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
            read_only(frames),
            edges,
            filters.halving_taps,
            form.coefficients,
            form.groups,
            form.leader,
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
    leader: int
    """The first group of four lanes, if there is one."""
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
    lanes_of_groups = [count for _, count, _, _ in groups]
    return _LaneForm(
        np.concatenate(parts),
        np.array(groups, np.intp).reshape(-1, 4),
        lanes_of_groups.index(4) if 4 in lanes_of_groups else 0,
        column,
        column_of_band,
        np.square(gains),
    )


@_compiled
def _sum_bands(sound, edges, taps, coefficients, groups, leader, delays, pasts, squares):
    """Filter one channel into all bands; delays, pasts and squares are written to."""
    past, stages = pasts.shape[1], len(edges)
    # Lanes are loaded from beyond the last frame, but not used.
    sounds = np.zeros((stages, past + _FRAMES_AT_ONCE + 2 * _LANES))
    evens = np.empty(past + _FRAMES_AT_ONCE // 2)
    for begin in range(0, len(sound), _FRAMES_AT_ONCE):
        count = min(_FRAMES_AT_ONCE, len(sound) - begin)
        sounds[0, past : past + count] = sound[begin : begin + count]
        for stage in range(stages):
            here, here_count = sounds[stage], count >> stage
            here[:past] = pasts[stage]
            pasts[stage] = here[here_count : here_count + past]
            if stage + 1 < stages:
                halves = sounds[stage + 1, past : past + here_count // 2]
                _halve(here, taps, evens, halves, _EIGHT)

        # Four bands wait for themselves from frame to frame while half the processor idles. So
        # those of the leader, the highest, go along with those of one lower rate after the other,
        # which together have fewer frames.
        led, led_stage = 0, groups[leader, 0]
        for number in range(len(groups)):
            group, stage = groups[number], groups[number, 0]
            first, rows, end = begin >> stage, edges[stage], past + (count >> stage)
            frames = sounds[stage, past:end]
            if group[1] == _LANES:
                _sum_lanes(frames, first, rows, group, coefficients, delays, squares, _EIGHT)
            elif number == leader:
                continue
            elif led + len(frames) <= count >> led_stage:
                _sum_pair(
                    sounds[led_stage, past + led : past + led + len(frames)],
                    (begin >> led_stage) + led,
                    edges[led_stage],
                    groups[leader],
                    frames,
                    first,
                    rows,
                    group,
                    coefficients,
                    delays,
                    squares,
                )
                led += len(frames)
            else:
                _sum_lanes(frames, first, rows, group, coefficients, delays, squares, _FOUR)
        if groups[leader, 1] != _LANES:
            frames = sounds[led_stage, past + led : past + (count >> led_stage)]
            first, rows = (begin >> led_stage) + led, edges[led_stage]
            _sum_lanes(frames, first, rows, groups[leader], coefficients, delays, squares, _FOUR)


@_compiled
def _sum_lanes(frames, first, rows, group, coefficients, delays, squares, like):
    """Filter into the bands of one group and add up; delays and squares are written to."""
    base, column, count = group[2], group[3], len(like)
    form, memory = _loaded(coefficients, base, like), _loaded(delays, base, like)
    begin = 0
    while begin < len(frames):
        row, end = _row_at(rows, first, begin, len(frames))
        total = load(squares[row], column, like)
        for frame in range(begin, end):
            y, memory = _pass(lanes(frames[frame], like), form, memory)
            total = total + y * y
        store(squares[row], column, total)
        memory, begin = _settled(memory), end
    for place in range(8):
        store(delays, base + place * count, memory[place])


@_compiled
def _sum_pair(
    frames,
    first,
    rows,
    group,
    others,
    other_first,
    other_rows,
    other_group,
    coefficients,
    delays,
    squares,
):
    """Filter as many frames of two rates into a group of four lanes each; see `_sum_lanes`."""
    base, column = group[2], group[3]
    other_base, other_column = other_group[2], other_group[3]
    form = _loaded_pair(coefficients, base, other_base)
    memory = _loaded_pair(delays, base, other_base)
    begin = 0
    while begin < len(frames):
        row, end = _row_at(rows, first, begin, len(frames))
        other_row, end = _row_at(other_rows, other_first, begin, end)
        total = joined(
            load(squares[row], column, _FOUR), load(squares[other_row], other_column, _FOUR)
        )
        for frame in range(begin, end):
            x = joined(lanes(frames[frame], _FOUR), lanes(others[frame], _FOUR))
            y, memory = _pass(x, form, memory)
            total = total + y * y
        store(squares[row], column, lower(total))
        store(squares[other_row], other_column, upper(total))
        memory, begin = _settled(memory), end
    for place in range(8):
        store(delays, base + place * 4, lower(memory[place]))
        store(delays, other_base + place * 4, upper(memory[place]))


@_compiled
def _row_at(rows, first, begin, end):
    """Row of a frame, and until which frame to go on: to its end, or until delays must settle."""
    row = np.searchsorted(rows, first + begin, side="right") - 1
    return row, min(end, begin + _SETTLE_FRAMES, rows[row + 1] - first)


@_compiled
def _pass(x, form, memory):
    """Let a frame through four sections; return what comes out, and the delays.

    Sections have the numerator 1 - z^-2; their gain is left to the caller. Delays are kept with
    the opposite sign, so that a section takes three instructions.
    """
    a0, b0, a1, b1, a2, b2, a3, b3 = form
    s0, t0, s1, t1, s2, t2, s3, t3 = memory
    y = x - s0
    s0, t0 = t0 + a0 * y, x + b0 * y
    x = y - s1
    s1, t1 = t1 + a1 * x, y + b1 * x
    y = x - s2
    s2, t2 = t2 + a2 * y, x + b2 * y
    x = y - s3
    s3, t3 = t3 + a3 * x, y + b3 * x
    return x, (s0, t0, s1, t1, s2, t2, s3, t3)


@_compiled
def _loaded(numbers, base, like):
    """Coefficients or delays of the four sections of a group."""
    count = len(like)
    v0, v1 = load(numbers, base, like), load(numbers, base + count, like)
    v2, v3 = load(numbers, base + 2 * count, like), load(numbers, base + 3 * count, like)
    v4, v5 = load(numbers, base + 4 * count, like), load(numbers, base + 5 * count, like)
    v6, v7 = load(numbers, base + 6 * count, like), load(numbers, base + 7 * count, like)
    return v0, v1, v2, v3, v4, v5, v6, v7


@_compiled
def _loaded_pair(numbers, base, other_base):
    """Coefficients or delays of two groups of four lanes, side by side."""
    u0, u1, u2, u3, u4, u5, u6, u7 = _loaded(numbers, base, _FOUR)
    v0, v1, v2, v3, v4, v5, v6, v7 = _loaded(numbers, other_base, _FOUR)
    return (
        joined(u0, v0),
        joined(u1, v1),
        joined(u2, v2),
        joined(u3, v3),
        joined(u4, v4),
        joined(u5, v5),
        joined(u6, v6),
        joined(u7, v7),
    )


@_compiled
def _settled(values):
    """Delays of four sections, vanishing ones set to zero."""
    v0, v1, v2, v3, v4, v5, v6, v7 = values
    v0, v1, v2, v3 = settled(v0), settled(v1), settled(v2), settled(v3)
    return v0, v1, v2, v3, settled(v4), settled(v5), settled(v6), settled(v7)


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
