"""A spectrum in narrow bands of equal width on a logarithmic axis, as a view shows it."""

import numpy as np

from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = ["narrow_band_levels_db"]


def narrow_band_levels_db(spectrum: Spectrum, frequency_hz: Samples) -> Samples:
    """Levels in bands around frequencies at equal ratios.

    A band reaches halfway to its neighbours, but never holds less than three lines of the
    spectrum, over which the window spreads a tone: where the axis is finer than the lines, a tone
    reads its own level within 0.5 dB. Elsewhere one on the edge of two bands reads up to 3 dB less
    in each.

    Parameters
    ----------
    spectrum : Spectrum
        The spectrum.
    frequency_hz : ndarray of shape (points,)
        Frequencies in hertz, rising at equal ratios, at least two.

    Returns
    -------
    ndarray of shape (points, channels)
        Levels in dB re 20 uPa; NaN for bands that reach beyond the spectrum.

    Raises
    ------
    InputError
        If the frequencies do not rise from above zero.

    Notes
    -----
    The power between two frequencies is interpolated linearly in the sum over lines.

    Examples
    --------
    Noise of 1 Pa^2/Hz has a level of 93.98 dB in every hertz.

    >>> even = Spectrum(1.0, 1.5, np.ones((1001, 1)), averages=1)
    >>> np.round(narrow_band_levels_db(even, np.array([100.0, 200.0]))[:, 0], 2)
    array([112.47, 115.48])
    """
    if len(frequency_hz) < 2 or frequency_hz[0] <= 0.0 or (np.diff(frequency_hz) <= 0.0).any():
        raise InputError("The frequencies of narrow bands must rise from above 0 Hz.")
    half = np.sqrt(frequency_hz[1] / frequency_hz[0])
    least = 1.5 * spectrum.spacing_hz
    lower = np.minimum(frequency_hz / half, frequency_hz - least)
    upper = np.maximum(frequency_hz * half, frequency_hz + least)
    lines = len(spectrum.density_pa2_per_hz)
    # A line stands for what is half a spacing around it.
    edges_hz = (np.arange(lines + 1) - 0.5) * spectrum.spacing_hz
    levels = np.empty((len(frequency_hz), spectrum.density_pa2_per_hz.shape[1]))
    for channel, density in enumerate(spectrum.density_pa2_per_hz.T):
        sums = np.concatenate([[0.0], np.cumsum(density) * spectrum.spacing_hz])
        # Differences of sums may fall below zero by rounding.
        power = np.interp(upper, edges_hz, sums) - np.interp(lower, edges_hz, sums)
        levels[:, channel] = level_db(np.maximum(power, 0.0))
    levels[upper > edges_hz[-1]] = np.nan
    return levels
