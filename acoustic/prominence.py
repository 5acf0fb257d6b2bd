"""The level from which a tone is prominent, over frequency: the criterion as a curve."""

import numpy as np

from acoustic.critical_bands import (
    critical_band,
    hearing_threshold_db,
    prominent_tone_to_noise_ratio_db,
)
from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum
from acoustic.tones import HIGHEST_TONE_HZ, LOWEST_TONE_HZ

__all__ = ["prominent_from_db"]


def prominent_from_db(noise: Spectrum, frequency_hz: Samples, *, calibrated: bool) -> Samples:
    """Level from which a single tone would be prominent by its tone-to-noise ratio.

    Parameters
    ----------
    noise : Spectrum
        Spectrum of one channel without its tones, as `noise_beside_tones` makes it.
    frequency_hz : ndarray of shape (n,)
        Frequencies of the tone in hertz.
    calibrated : bool
        Whether levels are sound pressure levels. Only then it is at least the threshold of
        hearing.

    Returns
    -------
    ndarray of shape (n,)
        Level in dB; NaN outside 89.1 Hz to 11.2 kHz and where the spectrum does not hold the whole
        critical band.

    Raises
    ------
    InputError
        If the spectrum has several channels.

    Notes
    -----
    ECMA-418-1. A tone below the curve may still be prominent by its prominence ratio, or together
    with others in its band.

    Examples
    --------
    In noise of 0 dB in every hertz, 22.1 dB lie in the 162.2 Hz around 1 kHz; 8 dB more are
    prominent.

    >>> even = Spectrum(1.0, 1.5, np.full((20_001, 1), 20e-6**2), averages=1)
    >>> prominent_from_db(even, np.array([1000.0]), calibrated=False).round(1)
    array([30.1])
    """
    if noise.density_pa2_per_hz.shape[1] != 1:
        raise InputError("Tones are assessed in one channel; pick one of the spectrum first.")
    edges_hz = noise.spacing_hz * (np.arange(len(noise.density_pa2_per_hz) + 1) - 0.5)
    below = np.concatenate([[0.0], np.cumsum(noise.density_pa2_per_hz[:, 0]) * noise.spacing_hz])
    levels = np.full(len(frequency_hz), np.nan)
    for place, f in enumerate(frequency_hz.tolist()):
        band = critical_band(f)
        if LOWEST_TONE_HZ <= f <= HIGHEST_TONE_HZ and band.upper_hz <= edges_hz[-1]:
            low, high = np.interp([band.lower_hz, band.upper_hz], edges_hz, below)
            levels[place] = level_db(float(high - low)) + prominent_tone_to_noise_ratio_db(f)
            if calibrated:
                levels[place] = max(levels[place], hearing_threshold_db(f))
    return levels
