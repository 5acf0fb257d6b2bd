"""Waterfall: spectra over time, in memory that does not grow with the recording.

Each column is an averaged spectrum of a step of time. Once there are as many columns as wanted,
neighbours are joined to the mean of their energies and every later step is twice as long: a
minute is seen in fine steps, a day in coarse ones, and no energy is lost between them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from acoustic.errors import SignalError
from acoustic.signals import PressureSignal, Samples
from acoustic.spectrum import SpectrumState, add_to_spectrum, averaged_spectrum, start_spectrum

__all__ = [
    "Levels",
    "Waterfall",
    "WaterfallState",
    "add_to_waterfall",
    "start_waterfall",
    "waterfall_of",
    "waterfall_so_far",
]

Levels = npt.NDArray[np.float32]
"""Levels in dB in single precision: right to 0.00001 dB, at half the memory."""


@dataclass(frozen=True, slots=True, eq=False)
class Waterfall:
    """Spectra of consecutive steps of time."""

    spacing_hz: float
    """Distance between lines in hertz."""
    noise_bandwidth_hz: float
    """Bandwidth of one line for noise in hertz: 1.5 spacings, for the Hann window."""
    step_s: float
    """Time from one column to the next in seconds."""
    time_s: Samples
    """Middle of each column in seconds from the start of the sound, shape ``(columns,)``."""
    power_level_db: Levels
    """Level in dB that a tone on the line would have, shape ``(columns, lines, channels)``;
    ``-inf`` for silence. The first line is 0 Hz."""

    @property
    def frequency_hz(self) -> Samples:
        """Frequencies of the lines in hertz, shape ``(lines,)``."""
        return self.spacing_hz * np.arange(self.power_level_db.shape[1], dtype=np.float64)

    def of_channels(self, channels: Sequence[int]) -> "Waterfall":
        """Keep some of the channels.

        Parameters
        ----------
        channels : sequence of int
            Which, counted from 0.

        Returns
        -------
        Waterfall
            A waterfall of these channels.
        """
        return replace(self, power_level_db=self.power_level_db[:, :, list(channels)])

    def mean_of_channels(self) -> "Waterfall":
        """Average over channels, as energy.

        Returns
        -------
        Waterfall
            A waterfall of one channel.
        """
        mean = _mean_levels(np.moveaxis(self.power_level_db, 2, 0))
        return replace(self, power_level_db=mean[:, :, None])

    def strongest(self, edges_hz: Samples) -> Levels:
        """Level of the strongest line in each of several bands, for drawing.

        Parameters
        ----------
        edges_hz : ndarray of float64, shape (bands + 1,)
            Rising edges of the bands in hertz, within the lines. A band narrower than the spacing
            shows the line nearest to its middle.

        Returns
        -------
        ndarray of float32, shape (columns, bands, channels)
            Levels in dB.
        """
        last = self.power_level_db.shape[1] - 1
        nearest = np.rint(0.5 * (edges_hz[:-1] + edges_hz[1:]) / self.spacing_hz).astype(np.int_)
        first = np.ceil(edges_hz[:-1] / self.spacing_hz).astype(np.int_)
        stop = np.ceil(edges_hz[1:] / self.spacing_hz).astype(np.int_)
        none = stop <= first
        first, stop = np.where(none, nearest, first), np.where(none, nearest + 1, stop)
        bands = [
            self.power_level_db[:, min(low, last) : max(high, 1)].max(axis=1)
            for low, high in zip(first.tolist(), stop.tolist(), strict=True)
        ]
        return np.stack(bands, axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class WaterfallState:
    """Columns heard so far: a value, never changed."""

    most_columns: int
    """Number of columns that are kept at most; even."""
    segments_per_column: int
    """Number of segments that make a column."""
    columns: tuple[Levels, ...]
    """Complete columns, each of shape ``(lines, channels)``, read-only."""
    spectrum: SpectrumState
    """The column that is being heard."""


def start_waterfall(
    rate_hz: float, channels: int, *, spacing_hz: float, step_s: float, most_columns: int
) -> WaterfallState:
    """Begin a waterfall.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz.
    channels : int
        Number of channels, at least one.
    spacing_hz : float
        Largest distance between lines in hertz; a segment then lasts its inverse.
    step_s : float
        Time from one column to the next in seconds, at least half a segment. It becomes the
        nearest whole number of half segments.
    most_columns : int
        Number of complete columns that are kept at most; even, at least two.

    Returns
    -------
    WaterfallState
        State for the first block.

    Raises
    ------
    SignalError
        If rate, channels, spacing, step or number of columns are unusable.
    """
    spectrum = start_spectrum(rate_hz, channels, spacing_hz=spacing_hz)
    hop_s = spectrum.hop_s
    if not hop_s * (1.0 - 1e-9) <= step_s < np.inf:
        raise SignalError(
            f"Columns every {step_s:g} s are too close for lines every {spacing_hz:g} Hz, which "
            f"need {2.0 * hop_s:.3g} s of sound; use a step of at least {hop_s:.3g} s or a larger "
            "spacing."
        )
    if most_columns < 2 or most_columns % 2:
        raise SignalError(
            f"A waterfall keeps an even number of columns, at least 2, not {most_columns}."
        )
    return WaterfallState(most_columns, round(step_s / hop_s), (), spectrum)


def add_to_waterfall(state: WaterfallState, block: PressureSignal) -> WaterfallState:
    """Hear one more block.

    Parameters
    ----------
    state : WaterfallState
        State after the block before; it is not changed.
    block : PressureSignal
        The next frames in Pa, any number of them.

    Returns
    -------
    WaterfallState
        State for the next block. How the sound is cut into blocks changes nothing.

    Raises
    ------
    SignalError
        If rate or channels are not those of the waterfall.
    """
    start = 0
    while True:
        # Up to the end of the segment that completes the column, no further.
        stop = start + state.spectrum.frames_until(state.segments_per_column)
        piece = PressureSignal(block.samples[start:stop], block.rate_hz)
        state = replace(state, spectrum=add_to_spectrum(state.spectrum, piece))
        if state.spectrum.segments < state.segments_per_column:
            return state
        state = _completed(state)
        start = stop


def waterfall_so_far(state: WaterfallState) -> Waterfall:
    """Show what was heard so far.

    Parameters
    ----------
    state : WaterfallState
        State after the last block.

    Returns
    -------
    Waterfall
        All columns, with the one that is being heard if it holds a segment.

    Raises
    ------
    SignalError
        If not one segment was heard.

    Notes
    -----
    Hann window, segments overlapping by half. The level of a column is that of the mean energy of
    its segments.
    """
    columns, heard = state.columns, state.spectrum.segments
    if heard or not columns:
        columns = (*columns, _column(state.spectrum))
    hop_s = state.spectrum.hop_s
    first = state.segments_per_column * np.arange(len(columns), dtype=np.float64)
    counts = np.full(len(columns), state.segments_per_column)
    if heard:
        counts[-1] = heard
    spacing_hz = 0.5 / hop_s
    return Waterfall(
        spacing_hz=spacing_hz,
        noise_bandwidth_hz=1.5 * spacing_hz,
        step_s=hop_s * state.segments_per_column,
        # The middle of segment k lies k + 1 half segments after the start.
        time_s=hop_s * (first + 0.5 * (counts + 1.0)),
        power_level_db=np.stack(columns),
    )


def waterfall_of(
    signal: PressureSignal, *, spacing_hz: float, step_s: float, most_columns: int
) -> Waterfall:
    """Waterfall of a whole signal.

    Parameters
    ----------
    signal : PressureSignal
        Sound pressure in Pa, shape ``(frames, channels)``.
    spacing_hz : float
        Largest distance between lines in hertz.
    step_s : float
        Time from one column to the next in seconds, at least half a segment.
    most_columns : int
        Number of complete columns at most; even, at least two. One more may be incomplete.

    Returns
    -------
    Waterfall
        The waterfall.

    Raises
    ------
    SignalError
        If the signal is shorter than one segment or a number is unusable.

    Examples
    --------
    A tone of 1 Pa RMS for a second, then silence.

    >>> time_s = np.arange(16_000) / 8_000
    >>> tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s) * (time_s < 1.0)
    >>> seen = waterfall_of(
    ...     PressureSignal(tone[:, None], 8_000), spacing_hz=10.0, step_s=0.05, most_columns=100
    ... )
    >>> seen.power_level_db.shape, round(float(seen.power_level_db[3, 100, 0]), 2)
    ((39, 401, 1), 93.98)
    """
    state = start_waterfall(
        signal.rate_hz,
        signal.samples.shape[1],
        spacing_hz=spacing_hz,
        step_s=step_s,
        most_columns=most_columns,
    )
    return waterfall_so_far(add_to_waterfall(state, signal))


def _completed(state: WaterfallState) -> WaterfallState:
    """Put the column that was heard to the others; join neighbours where they get too many."""
    spectrum = state.spectrum
    if len(state.columns) == state.most_columns:
        pairs = zip(state.columns[::2], state.columns[1::2], strict=True)
        # What is being heard goes on: it is the first half of a column twice as long.
        return replace(
            state,
            segments_per_column=2 * state.segments_per_column,
            columns=tuple(_joined(one, two) for one, two in pairs),
        )
    return replace(
        state,
        columns=(*state.columns, _column(spectrum)),
        spectrum=replace(spectrum, squares=np.zeros_like(spectrum.squares), segments=0),
    )


def _column(spectrum: SpectrumState) -> Levels:
    """Levels of the segments heard, in single precision."""
    return _read_only(averaged_spectrum(spectrum).power_level_db)


def _joined(one: Levels, two: Levels) -> Levels:
    """Levels of the mean energy of two columns."""
    return _mean_levels(np.stack([one, two]))


def _mean_levels(levels_db: Levels) -> Levels:
    """Levels of the mean energy over the first axis."""
    powers = 10.0 ** (levels_db.astype(np.float64) / 10.0)
    with np.errstate(divide="ignore"):
        return _read_only(10.0 * np.log10(powers.mean(axis=0)))


def _read_only(levels_db: Samples) -> Levels:
    """Round to single precision, for sharing between states."""
    rounded = levels_db.astype(np.float32)
    rounded.setflags(write=False)
    return rounded
