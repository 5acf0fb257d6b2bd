"""A tone alone, and a sound without it: a narrow band around a frequency that may move.

The sound is shifted so that the tone stands at 0 Hz, everything but a narrow band there is taken
away, and it is shifted back. What is taken and what is left add up to the sound again.
"""

from typing import Final

import numpy as np
from scipy.fft import fft, ifft, next_fast_len

from acoustic.critical_bands import critical_bandwidth_hz
from acoustic.errors import SignalError
from acoustic.signals import Samples

__all__ = ["band_around", "tone_half_width_hz"]

_TONE_BAND: Final = 0.15
"""Widest tone, as a part of its critical band (ECMA-418-1)."""
_NARROWEST_HZ: Final = 5.0
"""Half-width that fans which hunt need."""
_EDGE: Final = 0.5
"""Width over which the band ends on either side, relative to its half-width."""


def tone_half_width_hz(frequency_hz: float) -> float:
    """Half of the widest band that a tone takes, 5 Hz at least.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz.

    Returns
    -------
    float
        Half-width in hertz.

    Examples
    --------
    >>> round(tone_half_width_hz(1000.0), 1)
    12.2
    """
    return max(_NARROWEST_HZ, 0.5 * _TONE_BAND * critical_bandwidth_hz(frequency_hz))


def band_around(
    samples: Samples, rate_hz: float, frequency_hz: float | Samples, *, half_width_hz: float
) -> Samples:
    """Keep a narrow band around a frequency.

    Parameters
    ----------
    samples : ndarray of shape (frames, channels)
        The sound, in any unit.
    rate_hz : float
        Sampling rate in hertz.
    frequency_hz : float or ndarray of shape (frames,)
        Middle of the band in hertz, one for all or one for each frame.
    half_width_hz : float
        From the middle to where the band begins to end; it is gone half as far again.

    Returns
    -------
    ndarray of shape (frames, channels)
        The band, without delay. The sound less the band is the sound without it.

    Raises
    ------
    SignalError
        If the band reaches below 0 Hz or beyond half of the rate.

    Examples
    --------
    >>> time_s = np.arange(48_000) / 48_000
    >>> two = np.sin(2 * np.pi * 500 * time_s) + np.sin(2 * np.pi * 600 * time_s)
    >>> one = band_around(two[:, None], 48_000, 500.0, half_width_hz=10.0)[12_000:36_000, 0]
    >>> round(float(np.sqrt(2 * np.mean(one**2))), 2)
    1.0
    """
    hz = np.broadcast_to(np.asarray(frequency_hz, dtype=np.float64), (len(samples),))
    reach_hz = (1.0 + _EDGE) * half_width_hz
    if not len(hz) or hz.min() <= reach_hz or hz.max() >= rate_hz / 2.0 - reach_hz:
        raise SignalError(
            f"A band {2.0 * reach_hz:.0f} Hz wide around a tone does not fit between 0 Hz and half "
            f"of the sampling rate of {rate_hz:g} Hz; choose another frequency."
        )
    turn = np.exp(-2j * np.pi / rate_hz * np.cumsum(hz))
    # What rings at the end must not come back at the beginning.
    size = next_fast_len(len(samples) + int(4.0 * rate_hz / half_width_hz))
    away_hz = np.abs(np.fft.fftfreq(size, 1.0 / rate_hz))
    past = np.clip((away_hz - half_width_hz) / (_EDGE * half_width_hz), 0.0, 1.0)
    gain = 0.5 + 0.5 * np.cos(np.pi * past)
    band = np.empty_like(samples)
    for channel in range(samples.shape[1]):
        shifted = fft(samples[:, channel] * turn, size)
        kept = ifft(shifted * gain)[: len(samples)]
        band[:, channel] = 2.0 * (kept * turn.conj()).real
    return band
