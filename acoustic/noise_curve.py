"""The course of a noise spectrum over frequency, as few points as a picture needs."""

import numpy as np

from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = ["noise_curve_db"]


def noise_curve_db(noise: Spectrum, edges_hz: Samples) -> Samples:
    """Level in 1 Hz, averaged between frequencies.

    Parameters
    ----------
    noise : Spectrum
        Spectrum of one channel, best without its tones.
    edges_hz : ndarray of shape (points + 1,)
        Rising frequencies in hertz; where they are closer than three lines, the three lines
        around them count.

    Returns
    -------
    ndarray of shape (points,)
        Level of the mean density in dB; NaN where the spectrum ends.

    Raises
    ------
    InputError
        If the spectrum has several channels or the frequencies do not rise.

    Examples
    --------
    >>> even = Spectrum(1.0, 1.5, np.full((101, 1), 20e-6**2), averages=1)
    >>> print(noise_curve_db(even, np.array([20.0, 30.0, 30.5])).round(1))
    [0. 0.]
    """
    if noise.density_pa2_per_hz.shape[1] != 1 or (np.diff(edges_hz) <= 0.0).any():
        raise InputError("A curve is drawn of one channel, over frequencies that rise.")
    middle_hz = 0.5 * (edges_hz[1:] + edges_hz[:-1])
    least_hz = 1.5 * noise.spacing_hz
    lower_hz = np.minimum(edges_hz[:-1], middle_hz - least_hz)
    upper_hz = np.maximum(edges_hz[1:], middle_hz + least_hz)
    # A line stands for what is half a spacing around it.
    lines_hz = noise.spacing_hz * (np.arange(len(noise.density_pa2_per_hz) + 1) - 0.5)
    sums = np.concatenate([[0.0], np.cumsum(noise.density_pa2_per_hz[:, 0]) * noise.spacing_hz])
    power = np.interp(upper_hz, lines_hz, sums) - np.interp(lower_hz, lines_hz, sums)
    levels = level_db(np.maximum(power, 0.0) / (upper_hz - lower_hz))
    return np.where(upper_hz > lines_hz[-1], np.nan, levels)
