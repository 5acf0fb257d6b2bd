"""Critical bands of hearing, as the assessment of discrete tones uses them.

All formulas are those of ECMA-418-1 (formerly ECMA-74, Annex D); frequencies in hertz.
"""

from typing import NamedTuple

import numpy as np

__all__ = [
    "FrequencyRange",
    "bands_beside",
    "critical_band",
    "critical_bandwidth_hz",
    "hearing_threshold_db",
    "merging_distance_hz",
    "prominent_prominence_ratio_db",
    "prominent_tone_to_noise_ratio_db",
]


class FrequencyRange(NamedTuple):
    """A range of frequencies."""

    lower_hz: float
    """Lower end in hertz."""
    upper_hz: float
    """Upper end in hertz."""

    @property
    def width_hz(self) -> float:
        """Width in hertz."""
        return self.upper_hz - self.lower_hz


def critical_bandwidth_hz(frequency_hz: float) -> float:
    """Width of the critical band around a frequency.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz.

    Returns
    -------
    float
        Width in hertz.

    Examples
    --------
    >>> round(critical_bandwidth_hz(1000.0), 1)
    162.2
    """
    return float(25.0 + 75.0 * (1.0 + 1.4 * (frequency_hz / 1000.0) ** 2) ** 0.69)


def critical_band(frequency_hz: float) -> FrequencyRange:
    """Critical band around a tone.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz.

    Returns
    -------
    FrequencyRange
        Arithmetically centred up to 500 Hz, geometrically above.

    Examples
    --------
    >>> band = critical_band(1000.0)
    >>> round(band.lower_hz, 1), round(band.upper_hz, 1)
    (922.2, 1084.4)
    """
    width_hz = critical_bandwidth_hz(frequency_hz)
    if frequency_hz <= 500.0:
        return FrequencyRange(frequency_hz - width_hz / 2, frequency_hz + width_hz / 2)
    lower_hz = -width_hz / 2 + np.sqrt(width_hz**2 + 4.0 * frequency_hz**2) / 2
    return FrequencyRange(float(lower_hz), float(lower_hz + width_hz))


def bands_beside(frequency_hz: float) -> tuple[FrequencyRange, FrequencyRange]:
    """Critical bands next to the one around a tone.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz.

    Returns
    -------
    below, above : FrequencyRange
        The neighbours. Up to 171.4 Hz the lower one is cut off at 20 Hz.
    """
    f = frequency_hz
    middle = critical_band(f)
    if f <= 171.4:
        bottom_hz = 20.0
    elif f <= 1600.0:
        bottom_hz = -149.5 + 1.001 * f - 6.9e-5 * f**2
    else:
        bottom_hz = 6.8 + 0.806 * f - 8.2e-6 * f**2
    if f <= 1600.0:
        top_hz = 149.5 + 1.035 * f + 7.7e-5 * f**2
    else:
        top_hz = 3.3 + 1.215 * f + 2.16e-5 * f**2
    return FrequencyRange(bottom_hz, middle.lower_hz), FrequencyRange(middle.upper_hz, top_hz)


def merging_distance_hz(frequency_hz: float) -> float:
    """Distance below which two tones in one critical band are heard as one.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the stronger tone in hertz.

    Returns
    -------
    float
        Distance in hertz; infinite from 1 kHz on.

    Examples
    --------
    >>> round(merging_distance_hz(150.0)), round(merging_distance_hz(850.0), 1)
    (23, 63.8)
    """
    if frequency_hz >= 1000.0:
        return float("inf")
    return float(21.0 * 10.0 ** (1.2 * abs(np.log10(frequency_hz / 212.0)) ** 1.8))


def prominent_tone_to_noise_ratio_db(frequency_hz: float) -> float:
    """Tone-to-noise ratio from which a tone is prominent.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz.

    Returns
    -------
    float
        Criterion in dB: 8 dB from 1 kHz on, more below.
    """
    return float(8.0 + 8.33 * max(0.0, np.log10(1000.0 / frequency_hz)))


def prominent_prominence_ratio_db(frequency_hz: float) -> float:
    """Prominence ratio from which a tone is prominent.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz.

    Returns
    -------
    float
        Criterion in dB: 9 dB from 1 kHz on, more below.
    """
    return float(9.0 + 10.0 * max(0.0, np.log10(1000.0 / frequency_hz)))


_THRESHOLD_HZ = (
    20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800,
    1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500,
)  # fmt: skip
_THRESHOLD_DB = (
    78.5, 68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1, 17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3.0, 2.2,
    2.4, 3.5, 1.7, -1.3, -4.2, -6.0, -5.4, -1.5, 6.0, 12.6, 13.9, 12.3,
)  # fmt: skip


def hearing_threshold_db(frequency_hz: float) -> float:
    """Threshold of hearing for a pure tone in a free field.

    Parameters
    ----------
    frequency_hz : float
        Frequency of the tone in hertz, 20 Hz to 12.5 kHz; beyond, the value at the end.

    Returns
    -------
    float
        Level in dB re 20 uPa that half of young listeners just hear (ISO 226:2003), linear in
        lg frequency between one-third octaves.
    """
    return float(np.interp(np.log10(frequency_hz), np.log10(_THRESHOLD_HZ), _THRESHOLD_DB))
