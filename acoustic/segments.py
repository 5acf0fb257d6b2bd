"""Spectra of short overlapping segments over a stream of blocks, one by one.

An averaged spectrum sums its segments and forgets them. Here each is handed out, so that whoever
hears them can gather them by time, by speed or not at all.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len, rfft

from acoustic.errors import SignalError
from acoustic.signals import PressureSignal

__all__ = ["SegmentPowers", "SegmentState", "hear_segments", "start_segments"]

_AT_ONCE = 16
"""As many segments are transformed side by side; more would only leave the processor's cache."""


@dataclass(frozen=True, slots=True, eq=False)
class SegmentState:
    """What is remembered between two blocks: a value, never changed."""

    rate_hz: float
    """Sampling rate in hertz."""
    segment_frames: int
    """Length of a segment."""
    tail: npt.NDArray[np.float32]
    """Frames that the next segments still need, shape ``(frames, channels)``."""
    heard: int
    """Number of segments handed out."""

    @property
    def spacing_hz(self) -> float:
        """Distance between lines in hertz."""
        return self.rate_hz / self.segment_frames

    @property
    def lines(self) -> int:
        """Number of lines; the first is 0 Hz."""
        return self.segment_frames // 2 + 1

    @property
    def hop_s(self) -> float:
        """Time from one segment to the next in seconds: half of its length."""
        return self.segment_frames // 2 / self.rate_hz


@dataclass(frozen=True, slots=True, eq=False)
class SegmentPowers:
    """Power spectra of consecutive segments, averaged over channels."""

    first: int
    """Number of the first of them, counted from 0."""
    density_pa2_per_hz: npt.NDArray[np.float32]
    """Power spectral density in Pa^2/Hz, one-sided, shape ``(segments, lines)``."""

    def __len__(self) -> int:
        """Number of segments."""
        return len(self.density_pa2_per_hz)


def start_segments(rate_hz: float, channels: int, *, spacing_hz: float) -> SegmentState:
    """Begin a stream of segments.

    Parameters
    ----------
    rate_hz : float
        Sampling rate in hertz.
    channels : int
        Number of channels, at least one.
    spacing_hz : float
        Largest distance between lines in hertz; a segment lasts its inverse, or a little longer.

    Returns
    -------
    SegmentState
        State for the first block.

    Raises
    ------
    SignalError
        If rate, channels or spacing are unusable.
    """
    if channels < 1 or not (0.0 < spacing_hz <= rate_hz / 16.0 < np.inf):
        raise SignalError(
            f"Segments with lines every {spacing_hz:g} Hz of {channels} channels at {rate_hz:g} Hz "
            "cannot be made; use a spacing of at most a sixteenth of the rate."
        )
    # Even, so that segments overlap by exactly half.
    frames = 2 * int(next_fast_len(int(np.ceil(rate_hz / spacing_hz / 2.0)), real=True))
    return SegmentState(float(rate_hz), frames, np.zeros((0, channels), np.float32), 0)


def hear_segments(
    state: SegmentState, block: PressureSignal
) -> tuple[SegmentState, list[SegmentPowers]]:
    """Hear one more block.

    Parameters
    ----------
    state : SegmentState
        State after the block before; it is not changed.
    block : PressureSignal
        The next frames in Pa, any number of them.

    Returns
    -------
    state : SegmentState
        State for the next block.
    powers : list of SegmentPowers
        The segments that this block completed, some at a time. How the sound is cut into blocks
        changes nothing.

    Raises
    ------
    SignalError
        If rate or channels are not those of the stream.

    Notes
    -----
    Hann window, segments overlapping by half; segment k reaches from k to k + 2 half segments.
    Single precision: its rounding is a noise about 140 dB below the whole sound.
    """
    channels = state.tail.shape[1]
    block.must_go_on("spectra", state.rate_hz, channels)
    samples = np.concatenate([state.tail, block.samples], dtype=np.float32, casting="same_kind")
    length, hop = state.segment_frames, state.segment_frames // 2
    count = max(0, (len(samples) - length) // hop + 1)
    window = (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)).astype(np.float32)
    # The first and the last line hold one sign of frequency, the others both.
    scale = np.full(state.lines, 2.0 / (state.rate_hz * 0.375 * length * channels), np.float32)
    scale[[0, -1]] *= 0.5
    parts = []
    for first in range(0, count, _AT_ONCE):
        last = min(first + _AT_ONCE, count)
        stretch = samples[first * hop : (last - 1) * hop + length]
        # Shape (segments, channels, frames).
        cut = np.lib.stride_tricks.sliding_window_view(stretch, length, axis=0)[::hop]
        lines = rfft(cut * window, axis=-1, overwrite_x=True)
        squares = np.square(lines.real) + np.square(lines.imag)
        parts.append(SegmentPowers(state.heard + first, squares.sum(axis=1) * scale))
    return replace(state, tail=samples[count * hop :].copy(), heard=state.heard + count), parts
