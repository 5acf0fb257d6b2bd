"""A signal that plays itself again: a device that hangs hands out the same buffer over and over."""

from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import DigitalSignal

__all__ = ["LONGEST_S", "repeating_channels"]

LONGEST_S: Final = 0.5
"""Longest buffer that is looked for, in seconds: so much sound has to be remembered."""
_SHORTEST_S: Final = 0.005
"""Shortest one, in seconds. Below that an exact repetition may be a tone that was computed, and no
buffer of a device is as short."""
_LEAST_S: Final = 0.02
"""Least sound that is judged, in seconds: a few quiet samples are alike by chance."""
_FIRST_FRAMES: Final = 64
"""So many frames are compared everywhere before the few places that are left are looked at."""


def repeating_channels(before: npt.NDArray[np.floating], now: DigitalSignal) -> tuple[int, ...]:
    """Find channels that say again, sample for sample, what they said just before.

    Parameters
    ----------
    before : ndarray, shape (frames, channels)
        Samples re full scale right before `now`, at best `LONGEST_S` of them.
    now : DigitalSignal
        What follows, shape ``(frames, channels)``.

    Returns
    -------
    tuple of int
        Channels, counted from 0, all of whose samples equal those a fixed time of 5 ms to 0.5 s
        earlier. A channel that keeps one value is none of them.

    Notes
    -----
    The noise of a microphone and its converter never comes twice.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal((1000, 1))
    >>> again = np.concatenate([noise, noise, noise])
    >>> repeating_channels(again[:1500], DigitalSignal(again[1500:], 48000))
    (0,)
    """
    if now.duration_s < _LEAST_S:
        return ()
    shortest = _SHORTEST_S * now.rate_hz
    return tuple(
        channel
        for channel in range(now.samples.shape[1])
        if _period(before[:, channel], now.samples[:, channel]) >= shortest
    )


def _period(before: npt.NDArray[np.floating], now: npt.NDArray[np.floating]) -> int:
    """Return after how many frames all of `now` repeats what came before; 0 for never."""
    if np.all(now == now[0]):
        return 0
    both = np.concatenate([before, now])
    places = np.flatnonzero(before == now[0])
    for frame in range(1, _FIRST_FRAMES):
        if len(places) == 0:
            return 0
        places = places[both[places + frame] == now[frame]]
    for place in places[::-1].tolist():
        if np.array_equal(both[place : place + len(now)], now):
            return len(before) - int(place)
    return 0
