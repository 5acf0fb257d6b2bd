"""Averaged narrow-band spectrum over a stream of blocks, in bounded memory.

A line of a spectrum means two things, which differ by the noise bandwidth of the window:

- its **density** in Pa^2/Hz, right for noise; the sum over lines times their spacing is the mean
  square of the sound;
- its **power** in Pa^2, right for a tone on the line, which reads its own mean square.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len, rfft

from acoustic.decibels import level_db
from acoustic.errors import SignalError
from acoustic.frequency_weighting import a_weighting_db
from acoustic.signals import PressureSignal, Samples

__all__ = [
    "Precision",
    "Spectrum",
    "SpectrumState",
    "add_to_spectrum",
    "averaged_spectrum",
    "interrupted",
    "spectrum_of",
    "start_spectrum",
]

Precision = Literal["single", "double"]
"""In what the lines of a segment are computed; sums over segments are always double."""

_SEGMENTS_AT_ONCE = {"single": 4, "double": 2}
"""As many as the transform computes side by side; more would only leave the processor's cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Power spectrum averaged over segments, one-sided."""

    spacing_hz: float
    """Distance between lines in hertz."""
    noise_bandwidth_hz: float
    """Bandwidth of one line for noise in hertz: 1.5 spacings, for the Hann window."""
    density_pa2_per_hz: Samples
    """Power spectral density in Pa^2/Hz, shape ``(lines, channels)``; the first line is 0 Hz."""
    averages: int
    """Number of segments averaged; neighbours share half of their frames."""

    @property
    def frequency_hz(self) -> Samples:
        """Frequencies of the lines in hertz, shape ``(lines,)``."""
        return self.spacing_hz * np.arange(len(self.density_pa2_per_hz), dtype=np.float64)

    @property
    def power_pa2(self) -> Samples:
        """Mean square in Pa^2 that a tone on the line would have, shape ``(lines, channels)``."""
        power: Samples = self.density_pa2_per_hz * self.noise_bandwidth_hz
        return power

    @property
    def power_level_db(self) -> Samples:
        """Level in dB that a tone on the line would have, shape ``(lines, channels)``."""
        return level_db(self.power_pa2)

    @property
    def density_level_db(self) -> Samples:
        """Level in dB of the sound in 1 Hz, shape ``(lines, channels)``."""
        return level_db(self.density_pa2_per_hz)

    def a_weighted(self) -> "Spectrum":
        """Weight every line by the definition of the A-weighting.

        Returns
        -------
        Spectrum
            The same spectrum, A-weighted.
        """
        return self.changed_by_db(a_weighting_db(self.frequency_hz))

    def changed_by_db(self, gain_db: Samples) -> "Spectrum":
        """Raise or lower every line.

        Parameters
        ----------
        gain_db : ndarray of shape (lines,)
            Change of each line in dB; ``-inf`` takes a line away.

        Returns
        -------
        Spectrum
            The changed spectrum.
        """
        gain = 10.0 ** (gain_db / 10.0)
        return replace(self, density_pa2_per_hz=self.density_pa2_per_hz * gain[:, None])

    def mean_of_channels(self) -> "Spectrum":
        """Average over channels, as power.

        Returns
        -------
        Spectrum
            A spectrum of one channel.
        """
        density = self.density_pa2_per_hz.mean(axis=1, keepdims=True)
        return replace(self, density_pa2_per_hz=density)


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumState:
    """Segments heard so far: a value, never changed."""

    rate_hz: float
    """Sampling rate in hertz."""
    segment_frames: int
    """Length of a segment."""
    tail: npt.NDArray[np.floating]
    """Frames that the next segments still need, in the precision of the lines; shape
    ``(frames, channels)``."""
    squares: Samples
    """Sum of squared magnitudes of the segments, shape ``(lines, channels)``."""
    segments: int
    """Number of segments summed."""

    @property
    def hop_frames(self) -> int:
        """Frames from one segment to the next: half of its length."""
        return self.segment_frames // 2

    @property
    def hop_s(self) -> float:
        """Time from one segment to the next in seconds."""
        return self.hop_frames / self.rate_hz

    def frames_until(self, segments: int) -> int:
        """Count the frames that are still missing.

        Parameters
        ----------
        segments : int
            Number of segments to sum, more than there are.

        Returns
        -------
        int
            Frames up to the end of the last of them.
        """
        missing = segments - self.segments
        return (missing - 1) * self.hop_frames + self.segment_frames - len(self.tail)


def start_spectrum(
    rate_hz: float, channels: int, *, spacing_hz: float, precision: Precision = "double"
) -> SpectrumState:
    """Begin a spectrum.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz.
    channels : int
        Number of channels, at least one.
    spacing_hz : float
        Largest distance between lines in hertz. 1 Hz suits discrete tones; a segment then lasts
        a second.
    precision : {"double", "single"}, optional
        Single takes half the time. Its rounding is a noise about 140 dB below the whole sound, in
        each line far less; no converter is as quiet.

    Returns
    -------
    SpectrumState
        State for the first block.

    Raises
    ------
    SignalError
        If rate, channels or spacing are unusable.
    """
    if channels < 1:
        raise SignalError(f"A spectrum needs at least one channel, not {channels}.")
    if not (0.0 < spacing_hz <= rate_hz / 16.0 < np.inf):
        raise SignalError(
            f"Lines every {spacing_hz:g} Hz do not suit a sampling rate of {rate_hz:g} Hz; "
            "use a spacing above zero and at most a sixteenth of the rate."
        )
    # Even, so that segments overlap by exactly half.
    frames = 2 * int(next_fast_len(int(np.ceil(rate_hz / spacing_hz / 2.0)), real=True))
    return SpectrumState(
        rate_hz=float(rate_hz),
        segment_frames=frames,
        tail=np.zeros((0, channels), np.float32 if precision == "single" else np.float64),
        squares=np.zeros((frames // 2 + 1, channels)),
        segments=0,
    )


def add_to_spectrum(state: SpectrumState, block: PressureSignal) -> SpectrumState:
    """Hear one more block.

    Parameters
    ----------
    state : SpectrumState
        State after the block before; it is not changed.
    block : PressureSignal
        The next frames in Pa, any number of them.

    Returns
    -------
    SpectrumState
        State for the next block. How the sound is cut into blocks changes nothing.

    Raises
    ------
    SignalError
        If rate or channels are not those of the spectrum.
    """
    channels = state.tail.shape[1]
    block.must_go_on("spectrum", state.rate_hz, channels)
    precision = state.tail.dtype
    samples = np.concatenate([state.tail, block.samples], dtype=precision, casting="same_kind")
    length, hop = state.segment_frames, state.hop_frames
    count = max(0, (len(samples) - length) // hop + 1)
    squares = state.squares
    if count:
        window = _hann(length, precision)
        # Shape (segments, channels, frames).
        segments = np.lib.stride_tricks.sliding_window_view(samples, length, axis=0)[::hop]
        at_once = _SEGMENTS_AT_ONCE["single" if precision == np.float32 else "double"]
        sums = np.zeros((channels, 2 * len(squares)))
        for first in range(0, count, at_once):
            windowed = segments[first : first + at_once] * window
            parts = rfft(windowed, axis=-1, overwrite_x=True).view(precision)
            sums += np.einsum("scl,scl->cl", parts, parts)
        # Real and imaginary parts lay side by side.
        squares = squares + (sums[:, ::2] + sums[:, 1::2]).T
    return replace(
        state,
        tail=samples[count * hop :].copy(),
        squares=squares,
        segments=state.segments + count,
    )


def interrupted(state: SpectrumState) -> SpectrumState:
    """Say that sound is left out here, so that no segment reaches across.

    Parameters
    ----------
    state : SpectrumState
        State after the last block before the gap; it is not changed.

    Returns
    -------
    SpectrumState
        State for the first block after it.
    """
    return replace(state, tail=state.tail[:0])


def averaged_spectrum(state: SpectrumState) -> Spectrum:
    """Average the segments heard so far.

    Parameters
    ----------
    state : SpectrumState
        State after the last block.

    Returns
    -------
    Spectrum
        The spectrum. Sound after the last whole segment does not count.

    Raises
    ------
    SignalError
        If not one segment was heard.

    Notes
    -----
    Hann window, segments overlapping by half, powers averaged. Lines but the first and the last
    hold both signs of frequency.
    """
    if state.segments == 0:
        raise SignalError(
            f"The spectrum needs {state.segment_frames / state.rate_hz:.3g} s of sound, but only "
            f"{len(state.tail) / state.rate_hz:.3g} s were heard; listen longer."
        )
    window = _hann(state.segment_frames, np.dtype(np.float64))
    density = state.squares / (state.segments * state.rate_hz * np.square(window).sum())
    density[1:-1] *= 2.0
    spacing_hz = state.rate_hz / state.segment_frames
    return Spectrum(spacing_hz, 1.5 * spacing_hz, density, state.segments)


def spectrum_of(signal: PressureSignal, *, spacing_hz: float) -> Spectrum:
    """Averaged spectrum of a whole signal.

    Parameters
    ----------
    signal : PressureSignal
        Sound pressure in Pa, shape ``(frames, channels)``.
    spacing_hz : float
        Largest distance between lines in hertz.

    Returns
    -------
    Spectrum
        The spectrum.

    Raises
    ------
    SignalError
        If the signal is shorter than one segment or the spacing is unusable.

    Examples
    --------
    A tone of 1 Pa RMS reads 93.98 dB on its line.

    >>> time_s = np.arange(96_000) / 48_000
    >>> tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s)[:, None]
    >>> spectrum = spectrum_of(PressureSignal(tone, 48_000), spacing_hz=1.0)
    >>> round(float(spectrum.power_level_db[1000, 0]), 2)
    93.98
    """
    state = start_spectrum(signal.rate_hz, signal.samples.shape[1], spacing_hz=spacing_hz)
    return averaged_spectrum(add_to_spectrum(state, signal))


@lru_cache(maxsize=8)
def _hann(frames: int, precision: np.dtype[np.floating]) -> npt.NDArray[np.floating]:
    """Periodic Hann window; read-only."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(frames) / frames)
    window = window.astype(precision)
    window.setflags(write=False)
    return window
