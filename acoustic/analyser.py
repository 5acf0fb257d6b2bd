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
import numpy.typing as npt
from scipy.signal import lfilter

from acoustic.band_filters import band_filters
from acoustic.decibels import level_db
from acoustic.errors import SignalError
from acoustic.frequency_weighting import (
    WeightingState,
    start_weighting,
    weigh,
    weighting_filters,
    without_denormals,
)
from acoustic.octave_bands import BandState, hear_bands, start_bands
from acoustic.short_levels import (
    MILLISECONDS_PER_ROW,
    ShortLevels,
    join_short_levels,
    no_short_levels,
)
from acoustic.signals import PressureSignal, Samples
from acoustic.time_weighting import TIME_CONSTANT_S, exponential_average, millisecond_edges

__all__ = ["AnalyserState", "analyse", "finish", "start"]

_DC_CORNER_HZ = 0.5
"""Corner of the high-pass before Z: an offset of the converter is no sound. 0.01 dB at 10 Hz."""

_SAMPLES_AT_ONCE = 65_536
"""Stretch that is filtered in one go: long enough to hide call overhead, short enough to cache."""


class _Milliseconds(NamedTuple):
    """Sums over consecutive whole milliseconds."""

    frames: Samples
    """Number of frames in each, shape ``(n, 1)``."""
    A_squares: Samples
    """Sum of A-weighted squares in Pa^2, shape ``(n, channels)``."""
    C_squares: Samples
    """Sum of C-weighted squares in Pa^2, shape ``(n, channels)``."""
    Z_squares: Samples
    """Sum of unweighted squares in Pa^2, shape ``(n, channels)``."""
    C_peak: Samples
    """Largest C-weighted magnitude in Pa, shape ``(n, channels)``."""


@dataclass(frozen=True, slots=True, eq=False)
class AnalyserState:
    """Everything the chain remembers between two blocks: a value, never changed."""

    rate_hz: float
    """Sampling rate in hertz."""
    channels: int
    """Number of channels."""
    weighting: WeightingState
    """State of the A- and C-weighting filters."""
    dc_delay: Samples
    """Delay value of the high-pass before Z, shape ``(1, channels)``."""
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


def start(rate_hz: float, channels: int, *, bands: bool = True) -> AnalyserState:
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
        weighting=start_weighting(filters, channels),
        dc_delay=np.zeros((1, channels)),
        tail=nothing,
        milliseconds=0,
        unfinished=_Milliseconds(np.zeros((0, 1)), nothing, nothing, nothing, nothing),
        F_average=np.zeros(channels),
        S_average=np.zeros(channels),
        bands=start_bands(band_filters(float(rate_hz), 3), channels) if bands else None,
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
    if block.rate_hz != state.rate_hz or block.samples.shape[1] != state.channels:
        raise SignalError(
            f"The block has {block.samples.shape[1]} channels at {block.rate_hz:g} Hz, but the "
            f"measurement began with {state.channels} at {state.rate_hz:g} Hz; start a new one."
        )
    samples = np.concatenate([state.tail, block.samples])
    edges = _millisecond_starts(state, len(samples))
    stretch = max(1, int(_SAMPLES_AT_ONCE * 1000.0 / (state.rate_hz * state.channels)))
    heard, band_rows = [state.unfinished], []
    for first in range(0, len(edges) - 1, stretch):
        some = edges[first : first + stretch + 1]
        sound = samples[some[0] : some[-1]]
        state, milliseconds = _hear(state, sound, some - some[0])
        heard.append(milliseconds)
        if state.bands is not None:
            bands, rows = hear_bands(state.bands, sound)
            state = replace(state, bands=bands)
            band_rows.append(rows)
    state = replace(state, tail=samples[edges[-1] :].copy())
    heard_all = _Milliseconds(*map(np.concatenate, zip(*heard, strict=True)))
    state = _complete_rows(state, heard_all)
    return _deliver(state, band_rows)


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
        return state.waiting
    filters = state.bands.filters
    silence = np.zeros((filters.delay_frames + 2 * filters.quantum, state.channels))
    bands, rows = hear_bands(state.bands, silence)
    # The silence may complete a row that the sound did not fill.
    return _deliver(replace(state, bands=bands), [rows[: len(state.waiting)]])[1]


def _deliver(state: AnalyserState, band_rows: list[Samples]) -> tuple[AnalyserState, ShortLevels]:
    """Split off the complete rows, together with their bands if bands are measured."""
    rows, levels = len(state.waiting), state.waiting
    if state.bands is not None:
        nominal_hz = state.bands.filters.bands.nominal_hz
        nothing = np.zeros((0, state.channels, len(nominal_hz)))
        mean_squares = np.concatenate([nothing, *band_rows])
        rows = len(mean_squares)
        levels = replace(
            levels.rows(0, rows), band_mean_square_pa2=mean_squares, nominal_hz=nominal_hz
        )
    return replace(state, waiting=state.waiting.rows(rows, len(state.waiting))), levels


def _millisecond_starts(state: AnalyserState, frames: int) -> npt.NDArray[np.intp]:
    """First frames of the whole milliseconds in `frames` frames, and the end of the last."""
    first = state.milliseconds
    begin = int(millisecond_edges(state.rate_hz, first, first)[0])
    last = int((begin + frames) / state.rate_hz * 1000.0) + 1
    edges = millisecond_edges(state.rate_hz, first, last) - begin
    return edges[edges <= frames]


def _hear(
    state: AnalyserState, samples: Samples, edges: npt.NDArray[np.intp]
) -> tuple[AnalyserState, _Milliseconds]:
    """Filter whole milliseconds and sum them up."""
    A, C, weighting = weigh(state.weighting, samples)
    pole = np.exp(-2 * np.pi * _DC_CORNER_HZ / state.rate_hz)
    gain = (1 + pole) / 2
    Z, dc_delay = lfilter([gain, -gain], [1.0, -pole], samples, axis=0, zi=state.dc_delay)
    starts = edges[:-1]
    milliseconds = _Milliseconds(
        np.diff(edges)[:, None].astype(np.float64),
        np.add.reduceat(np.square(A), starts, axis=0),
        np.add.reduceat(np.square(C), starts, axis=0),
        np.add.reduceat(np.square(Z), starts, axis=0),
        np.maximum.reduceat(np.abs(C), starts, axis=0),
    )
    state = replace(
        state,
        weighting=weighting,
        dc_delay=without_denormals(dc_delay),
        milliseconds=state.milliseconds + len(starts),
    )
    return state, milliseconds


def _complete_rows(state: AnalyserState, heard: _Milliseconds) -> AnalyserState:
    """Make rows of the milliseconds heard, and keep those of the row that is not complete."""
    rows = len(heard.frames) // MILLISECONDS_PER_ROW
    used = rows * MILLISECONDS_PER_ROW
    kept = _Milliseconds(*(values[used:] for values in heard))
    heard = _Milliseconds(*(values[:used] for values in heard))

    def by_row(values: Samples) -> Samples:
        return values.reshape(rows, MILLISECONDS_PER_ROW, values.shape[1])

    frames = by_row(heard.frames).sum(axis=1)
    averages = {}
    for name, average in (("F", state.F_average), ("S", state.S_average)):
        averages[name] = exponential_average(
            heard.A_squares / heard.frames,
            heard.frames[:, 0] / state.rate_hz,
            average,
            TIME_CONSTANT_S[name],
        )
    F, S = by_row(averages["F"]), by_row(averages["S"])
    levels = ShortLevels(
        first_row=(state.milliseconds - len(kept.frames) - used) // MILLISECONDS_PER_ROW,
        A_mean_square_pa2=by_row(heard.A_squares).sum(axis=1) / frames,
        C_mean_square_pa2=by_row(heard.C_squares).sum(axis=1) / frames,
        Z_mean_square_pa2=by_row(heard.Z_squares).sum(axis=1) / frames,
        C_peak_pa=by_row(heard.C_peak).max(axis=1),
        LAF_db=level_db(F[:, -1]),
        LAFmax_db=level_db(F.max(axis=1)),
        LAFmin_db=level_db(F.min(axis=1)),
        LASmax_db=level_db(S.max(axis=1)),
        LASmin_db=level_db(S.min(axis=1)),
        band_mean_square_pa2=np.zeros((rows, state.channels, 0)),
        nominal_hz=(),
    )
    if rows:
        state = replace(state, F_average=F[-1, -1], S_average=S[-1, -1])
    return replace(state, unfinished=kept, waiting=join_short_levels([state.waiting, levels]))
