"""Whether samples can be sound at all: clipping, digital silence, a signal that stands still.

A microphone with its converter never gives exactly the same value for long; where it does, what
is seen is the converter's end stop, a muted input or a stream that has stopped.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.signals import DigitalSignal

__all__ = [
    "Stretch",
    "faults_by_channel",
    "faults_in",
    "find_clipping",
    "find_standstill",
    "silent_channels",
]

_FULL_SCALE: Final = 0.999
"""Share of full scale from which a run of equal samples is the converter's end stop."""
_CLIPPED_FRAMES: Final = 3
"""Shortest run that is clipping; two equal samples are found at the top of any slow sine."""
_STANDSTILL_S: Final = 0.05
"""Longest time for which sound may keep one value, in seconds: a period at 20 Hz."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of one channel in which every sample has the same value."""

    channel: int
    """Which channel, counted from 0."""
    start_s: float
    """Where it begins, in seconds."""
    duration_s: float
    """How long it is, in seconds."""


def find_clipping(signal: DigitalSignal) -> tuple[Stretch, ...]:
    """Find where a signal was cut off at full scale.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``.

    Returns
    -------
    tuple of Stretch
        Runs of at least 3 equal samples of a magnitude of at least 0.999; empty for none.

    Notes
    -----
    Clipping before the converter, at less than its full scale, cannot be seen this way.

    Examples
    --------
    >>> clipped = np.clip(1.2 * np.sin(0.05 * np.arange(100.0)), -1.0, 1.0)[:, np.newaxis]
    >>> len(find_clipping(DigitalSignal(clipped, 48000)))
    2
    """
    return _runs(signal, shortest=_CLIPPED_FRAMES, least_magnitude=_FULL_SCALE)


def find_standstill(
    signal: DigitalSignal, *, longest_s: float = _STANDSTILL_S
) -> tuple[Stretch, ...]:
    """Find where a signal keeps one value for longer than sound can.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``.
    longest_s : float, optional
        How long one value may last, in seconds.

    Returns
    -------
    tuple of Stretch
        Every longer run of equal samples; empty for none.
    """
    shortest = int(longest_s * signal.rate_hz) + 1
    return _runs(signal, shortest=shortest, least_magnitude=0.0)


def silent_channels(signal: DigitalSignal) -> tuple[int, ...]:
    """Find channels that carry nothing.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``, at least two frames.

    Returns
    -------
    tuple of int
        Channels, counted from 0, whose samples are all equal, most often all zero.
    """
    constant = np.all(signal.samples == signal.samples[:1], axis=0)
    return tuple(int(channel) for channel in np.flatnonzero(constant))


def faults_in(signal: DigitalSignal) -> tuple[str, ...]:
    """Say why a stretch of signal must not enter a level.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``.

    Returns
    -------
    tuple of str
        One phrase for each kind of fault and channel, channels counted from 1; empty for none.

    Examples
    --------
    >>> faults_in(DigitalSignal(np.zeros((4800, 1)), 48000))
    ('channel 1 stands still',)
    """
    return tuple(fault for faults in faults_by_channel(signal) for fault in faults)


def faults_by_channel(signal: DigitalSignal) -> tuple[tuple[str, ...], ...]:
    """Say of each channel why a stretch of it must not enter a level.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``.

    Returns
    -------
    tuple of tuple of str
        For each channel one phrase for each kind of fault, which names the channel, counted from
        1.
    """
    clipped = {stretch.channel for stretch in find_clipping(signal)}
    still = {stretch.channel for stretch in find_standstill(signal)}
    return tuple(
        tuple(
            f"channel {channel + 1} {what}"
            for what, where in (("is clipped", clipped), ("stands still", still))
            if channel in where
        )
        for channel in range(signal.samples.shape[1])
    )


def _runs(signal: DigitalSignal, *, shortest: int, least_magnitude: float) -> tuple[Stretch, ...]:
    """Find runs of equal samples of at least `shortest` frames, 2 or more, and magnitude."""
    found: list[Stretch] = []
    for channel in range(signal.samples.shape[1]):
        samples = signal.samples[:, channel]
        # Sound has few neighbours that are equal, so this costs little more than to compare them.
        pairs = np.flatnonzero(samples[1:] == samples[:-1])
        if len(pairs) == 0:
            continue
        gaps = np.flatnonzero(np.diff(pairs) > 1)
        starts = pairs[np.append(0, gaps + 1)]
        lengths = pairs[np.append(gaps, len(pairs) - 1)] - starts + 2
        long = lengths >= shortest
        for start, length in zip(starts[long], lengths[long], strict=True):
            if abs(samples[start]) >= least_magnitude:
                found.append(
                    Stretch(channel, float(start / signal.rate_hz), float(length / signal.rate_hz))
                )
    return tuple(found)
