"""Levels from one Fourier transform of a whole recording: slow, plain, and nobody's filter."""

import numpy as np


def power_spectrum_pa2(samples, rate_hz, pascal_per_unit=1.0):
    """Return frequencies and the mean square pressure at each; they add up to the total."""
    pressure = np.asarray(samples).ravel() * pascal_per_unit
    power = 2.0 * np.abs(np.fft.rfft(pressure)) ** 2 / len(pressure) ** 2
    return np.fft.rfftfreq(len(pressure), 1.0 / rate_hz), power


def a_weighting_power(frequency_hz):
    """Return the A-weighting as a factor on power, one at 1 kHz by division, not by a constant."""

    def response(frequency):
        square = np.asarray(frequency, dtype=float) ** 2
        poles = (square + 20.6**2) * (square + 12194.0**2)
        return square**2 / poles / np.sqrt((square + 107.7**2) * (square + 737.9**2))

    return (response(frequency_hz) / response(1000.0)) ** 2


def level_db(mean_square_pa2):
    """Return the level of a mean square pressure re 20 uPa."""
    return 10.0 * np.log10(mean_square_pa2 / 4e-10)


def laeq_db(samples, rate_hz, pascal_per_unit=1.0):
    """Return the A-weighted equivalent level of a recording."""
    frequency_hz, power = power_spectrum_pa2(samples, rate_hz, pascal_per_unit)
    return level_db(np.sum(power * a_weighting_power(frequency_hz)))


def band_level_db(samples, rate_hz, pascal_per_unit, low_hz, high_hz):
    """Return the unweighted level between two frequencies."""
    frequency_hz, power = power_spectrum_pa2(samples, rate_hz, pascal_per_unit)
    return level_db(np.sum(power[(frequency_hz >= low_hz) & (frequency_hz < high_hz)]))


def sum_db(*levels_db):
    """Return the level of uncorrelated sounds together."""
    return 10.0 * np.log10(sum(10.0 ** (level / 10.0) for level in levels_db))
