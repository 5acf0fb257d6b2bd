"""The measuring chain over a stream of blocks: levels of every 100 ms, state in and state out.

::

    state = start(48_000, channels=1)
    for block in blocks:
        state, levels = analyse(state, block)   # rows that this block completed
    levels = finish(state)                      # rows that the band filters still held back
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from acoustic import array_kernels
from acoustic.band_filters import band_filters
from acoustic.decibels import level_db
from acoustic.errors import SignalError
from acoustic.frequency_weighting import WeightingState, start_weighting, weighting_filters
from acoustic.kernels import Frames, Kernels, MillisecondSums
from acoustic.octave_bands import BandState, hear_bands, start_bands
from acoustic.short_levels import (
    MILLISECONDS_PER_ROW,
    ShortLevels,
    join_short_levels,
    no_short_levels,
)
from acoustic.signals import PressureSignal, Samples
from acoustic.time_weighting import TIME_CONSTANT_S, millisecond_edges

__all__ = ["AnalyserState", "analyse", "finish", "start"]


class _Milliseconds(NamedTuple):
    """Consecutive whole milliseconds."""

    frames: Samples
    """Number of frames in each, shape ``(n, 1)``."""
    sums: MillisecondSums
    """Sums over each."""


@dataclass(frozen=True, slots=True, eq=False)
class AnalyserState:
    """Everything the chain remembers between two blocks: a value, never changed."""

    rate_hz: float
    """Sampling rate in hertz."""
    channels: int
    """Number of channels."""
    kernels: Kernels
    """What filters."""
    weighting: WeightingState
    """State of the A-, C- and Z-weighting filters."""
    tail: Samples
    """Frames of the millisecond that is not complete yet, shape ``(frames, channels)``."""
    milliseconds: int
    """Whole milliseconds heard so far."""
    unfinished: _Milliseconds
    """Milliseconds of the row that is not complete yet."""
    F_average: Samples
    """Exponential average of the A-weighted square, F, in Pa^2; shape ``(channels,)``."""
    S_average: Samples
    """Exponential average of the A-weighted square, S, in Pa^2; shape ``(channels,)``."""
    bands: BandState | None
    """State of the one-third octave filters; None without bands."""
    waiting: ShortLevels
    """Complete rows that wait for their bands; none without bands."""


def start(
    rate_hz: float, channels: int, *, bands: bool = True, kernels: Kernels = array_kernels
) -> AnalyserState:
    """Begin a measurement: filters at rest, nothing heard.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz, 8 kHz to 192 kHz.
    channels : int
        Number of channels, at least one.
    bands : bool, optional
        Whether to measure one-third octaves as well. Without them the chain costs a quarter, and
        a row is there as soon as its last frame; with them up to 20 ms later.
    kernels : Kernels, optional
        What filters; by default NumPy and SciPy. Others change the time it takes, not the levels.

    Returns
    -------
    AnalyserState
        State for the first `analyse`.

    Raises
    ------
    SignalError
        If the rate or the number of channels is unusable.
    """
    if channels < 1:
        raise SignalError(f"A measurement needs at least one channel, not {channels}.")
    filters = weighting_filters(rate_hz)
    nothing = np.zeros((0, channels))
    return AnalyserState(
        rate_hz=float(rate_hz),
        channels=channels,
        kernels=kernels,
        weighting=start_weighting(filters, channels),
        tail=nothing,
        milliseconds=0,
        unfinished=_Milliseconds(np.zeros((0, 1)), MillisecondSums(*4 * [nothing])),
        F_average=np.zeros(channels),
        S_average=np.zeros(channels),
        bands=start_bands(band_filters(float(rate_hz), 3), channels, kernels=kernels)
        if bands
        else None,
        waiting=no_short_levels(channels),
    )


def analyse(state: AnalyserState, block: PressureSignal) -> tuple[AnalyserState, ShortLevels]:
    """Hear one more block.

    Parameters
    ----------
    state : AnalyserState
        State after the block before, or from `start`.
    block : PressureSignal
        The next frames in Pa, shape ``(frames, channels)``; any number of frames, also none.

    Returns
    -------
    state : AnalyserState
        State for the next block.
    levels : ShortLevels
        Levels of every 100 ms that this block completed, possibly none.

    Raises
    ------
    SignalError
        If rate or channels are not those of the measurement.

    Notes
    -----
    How the sound is cut into blocks changes nothing. A row covers the frames nearest to its
    100 ms, where these are no whole number. Sound that does not fill a row at the end has none.
    """
    block.must_go_on("measurement", state.rate_hz, state.channels)
    samples = block.samples
    if len(state.tail):
        samples = np.concatenate([state.tail, samples])
    edges = _millisecond_starts(state, len(samples))
    at_once = state.kernels.SAMPLES_AT_ONCE / state.channels
    stretch = max(1, int(at_once * 1000.0 / state.rate_hz))
    heard, band_rows = [state.unfinished], []
    weighting, bands = state.weighting, state.bands
    for first in range(0, len(edges) - 1, stretch):
        some = edges[first : first + stretch + 1]
        sound = samples[some[0] : some[-1]]
        weighting, sums = state.kernels.sum_weighted(weighting, sound, some - some[0])
        heard.append(_Milliseconds(np.diff(some)[:, None].astype(np.float64), sums))
        if bands is not None:
            bands, rows = hear_bands(bands, sound)
            band_rows.append(rows)
    state = replace(
        state,
        weighting=weighting,
        tail=samples[edges[-1] :].copy(),
        milliseconds=state.milliseconds + len(edges) - 1,
    )
    state, levels = _complete_rows(state, heard)
    if bands is None:
        return state, levels
    waiting = join_short_levels([state.waiting, levels]) if len(state.waiting) else levels
    return _with_bands(state, bands, waiting, band_rows)


def finish(state: AnalyserState) -> ShortLevels:
    """Deliver the rows that still wait for their bands; the sound is followed by silence.

    Parameters
    ----------
    state : AnalyserState
        State after the last block.

    Returns
    -------
    ShortLevels
        The last complete rows; none without bands.
    """
    if state.bands is None:
        return _no_row_yet(state)
    filters = state.bands.filters
    silence = np.zeros((filters.delay_frames + 2 * filters.quantum, state.channels))
    bands, rows = hear_bands(state.bands, silence)
    # The silence may complete a row that the sound did not fill.
    return _with_bands(state, bands, state.waiting, [rows[: len(state.waiting)]])[1]


def _with_bands(
    state: AnalyserState, bands: BandState, waiting: ShortLevels, band_rows: list[Samples]
) -> tuple[AnalyserState, ShortLevels]:
    """Split off the rows whose bands are there now."""
    nominal_hz = bands.filters.bands.nominal_hz
    nothing = np.zeros((0, state.channels, len(nominal_hz)))
    mean_squares = np.concatenate([nothing, *band_rows])
    rows = len(mean_squares)
    levels = replace(
        waiting.rows(0, rows), band_mean_square_pa2=mean_squares, nominal_hz=nominal_hz
    )
    return replace(state, bands=bands, waiting=waiting.rows(rows, len(waiting))), levels


def _millisecond_starts(state: AnalyserState, frames: int) -> Frames:
    """First frames of the whole milliseconds in `frames` frames, and the end of the last."""
    first = state.milliseconds
    begin = int(millisecond_edges(state.rate_hz, first, first)[0])
    last = int((begin + frames) / state.rate_hz * 1000.0) + 1
    edges = millisecond_edges(state.rate_hz, first, last) - begin
    return edges[edges <= frames]


def _no_row_yet(state: AnalyserState) -> ShortLevels:
    """No levels, where the next row will continue."""
    first_row = state.milliseconds // MILLISECONDS_PER_ROW
    return replace(no_short_levels(state.channels), first_row=first_row)


def _complete_rows(
    state: AnalyserState, parts: list[_Milliseconds]
) -> tuple[AnalyserState, ShortLevels]:
    """Make rows of the milliseconds heard, and keep those of the row that is not complete."""
    frames = np.concatenate([part.frames for part in parts])
    sums = MillisecondSums(*map(np.concatenate, zip(*(part.sums for part in parts), strict=True)))
    rows = len(frames) // MILLISECONDS_PER_ROW
    used = rows * MILLISECONDS_PER_ROW
    kept = _Milliseconds(frames[used:], MillisecondSums(*(values[used:] for values in sums)))
    state = replace(state, unfinished=kept)
    if rows == 0:
        return state, _no_row_yet(state)
    frames, sums = frames[:used], MillisecondSums(*(values[:used] for values in sums))

    def by_row(values: Samples) -> Samples:
        return values.reshape(rows, MILLISECONDS_PER_ROW, values.shape[1])

    A_mean_squares, durations_s = sums.A_squares / frames, frames[:, 0] / state.rate_hz
    F, S = (
        by_row(
            state.kernels.exponential_average(
                A_mean_squares, durations_s, average, TIME_CONSTANT_S[name]
            )
        )
        for name, average in (("F", state.F_average), ("S", state.S_average))
    )
    row_frames = by_row(frames).sum(axis=1)
    weighted_db = level_db(
        np.stack([F[:, -1], F.max(axis=1), F.min(axis=1), S.max(axis=1), S.min(axis=1)])
    )
    levels = ShortLevels(
        first_row=state.milliseconds // MILLISECONDS_PER_ROW - rows,
        A_mean_square_pa2=by_row(sums.A_squares).sum(axis=1) / row_frames,
        C_mean_square_pa2=by_row(sums.C_squares).sum(axis=1) / row_frames,
        Z_mean_square_pa2=by_row(sums.Z_squares).sum(axis=1) / row_frames,
        C_peak_pa=by_row(sums.C_peak).max(axis=1),
        LAF_db=weighted_db[0],
        LAFmax_db=weighted_db[1],
        LAFmin_db=weighted_db[2],
        LASmax_db=weighted_db[3],
        LASmin_db=weighted_db[4],
        band_mean_square_pa2=np.zeros((rows, state.channels, 0)),
        nominal_hz=(),
    )
    return replace(state, F_average=F[-1, -1], S_average=S[-1, -1]), levels
