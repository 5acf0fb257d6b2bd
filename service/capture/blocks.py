"""From samples as they arrive to blocks that say whether they may enter a level."""

import numpy as np
import numpy.typing as npt

from acoustic.repetition import repeating_channels
from acoustic.signals import DigitalSignal
from acoustic.soundness import faults_by_channel
from service.ports import SoundBlock

__all__ = ["block_from_float32", "sound_block"]

BEYOND_ANY_CONVERTER = 1000.0
"""Magnitude that no sample re full scale has; integers read as floats often do."""


def sound_block(
    samples: npt.NDArray[np.floating],
    rate_hz: int,
    faults: tuple[str, ...] = (),
    before: npt.NDArray[np.floating] | None = None,
) -> SoundBlock:
    """Make a block, with what is wrong with its samples; what is no sample becomes zero.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Samples re full scale.
    rate_hz : int
        Sampling rate in hertz.
    faults : tuple of str, optional
        What is known already against the block.
    before : ndarray, shape (frames, channels), optional
        The sound right before it; with that it is seen whether a device only repeats itself.

    Returns
    -------
    SoundBlock
        The block.
    """
    usable = np.abs(samples) <= BEYOND_ANY_CONVERTER  # false for what is no number
    if not usable.all():
        samples = np.where(usable, samples, 0.0)
        faults = (*faults, "some samples are no numbers, or far beyond full scale")
    signal = DigitalSignal(np.asarray(samples, dtype=np.float64), rate_hz)
    repeating = () if before is None else repeating_channels(before, signal)
    of_channels = tuple(
        (*found, *((f"channel {channel + 1} repeats itself",) if channel in repeating else ()))
        for channel, found in enumerate(faults_by_channel(signal))
    )
    every = dict.fromkeys((*faults, *(fault for found in of_channels for fault in found)))
    return SoundBlock(signal, tuple(every), of_channels if any(of_channels) else ())


def block_from_float32(
    data: bytes, rate_hz: int, channels: int, faults: tuple[str, ...] = ()
) -> SoundBlock:
    """Make a block of interleaved little-endian float32 samples.

    Parameters
    ----------
    data : bytes
        Whole frames.
    rate_hz, channels : int
        Sampling rate in hertz, and number of channels.
    faults : tuple of str, optional
        What is known already against the block.

    Returns
    -------
    SoundBlock
        The block.
    """
    return sound_block(np.frombuffer(data, "<f4").reshape(-1, channels), rate_hz, faults)
