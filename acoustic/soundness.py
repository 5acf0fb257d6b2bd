"""Signs that samples are not the sound that was there: clipping, silence, a frozen value."""

from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import DigitalSignal

__all__ = ["clipped_frames", "constant_channels"]

_FULL_SCALE: Final = 0.999
"""Converters clip within a thousandth of full scale."""
_SHORTEST_RUN: Final = 3
"""A sine that just reaches full scale repeats a value twice at most; a clipped one stays there."""


def clipped_frames(signal: DigitalSignal) -> npt.NDArray[np.bool_]:
    """Find frames at which a channel stays at full scale.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``.

    Returns
    -------
    ndarray of bool, shape (frames,)
        True where, in any channel, at least three equal samples in a row lie within a thousandth
        of full scale or above it.

    Examples
    --------
    >>> from acoustic.signals import DigitalSignal
    >>> samples = np.array([0.5, 1.0, 1.0, 1.0, 0.2])[:, None]
    >>> [int(i) for i in np.flatnonzero(clipped_frames(DigitalSignal(samples, 48_000)))]
    [1, 2, 3]
    """
    samples = signal.samples
    found = np.zeros(len(samples), dtype=np.bool_)
    if len(samples) < _SHORTEST_RUN:
        return found
    high = np.abs(samples) >= _FULL_SCALE
    repeats = high[1:] & (samples[1:] == samples[:-1])
    starts = np.flatnonzero((repeats[1:] & repeats[:-1]).any(axis=1))
    for offset in range(_SHORTEST_RUN):
        found[starts + offset] = True
    return found


def constant_channels(signal: DigitalSignal) -> npt.NDArray[np.bool_]:
    """Find channels that hold one value throughout: silence, a frozen driver, a cut cable.

    Parameters
    ----------
    signal : DigitalSignal
        Samples re full scale, shape ``(frames, channels)``.

    Returns
    -------
    ndarray of bool, shape (channels,)
        True for a channel whose samples are all exactly equal; for a signal without frames all.
    """
    samples = signal.samples
    if not len(samples):
        return np.ones(samples.shape[1], dtype=np.bool_)
    constant: npt.NDArray[np.bool_] = (samples == samples[0]).all(axis=0)
    return constant
