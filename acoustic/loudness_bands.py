"""One-third octave levels for loudness, out of a narrow-band spectrum.

The loudness method was fitted with filters of third order, whose gentle skirts spread a tone into
the neighbouring bands. The steeper filters of `acoustic.band_filters` would make a tone of 60 dB
eight percent too soft, so its levels are computed here with the skirts that the method expects.
"""

from functools import lru_cache

import numpy as np

from acoustic.band_frequencies import FrequencyBands, bands_within
from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = ["LOUDNESS_BANDS", "loudness_band_level_db"]

LOUDNESS_BANDS: FrequencyBands = bands_within(25.0, 12_500.0, 3)
"""The 28 one-third octaves that the method takes."""

_LARGEST_SPACING_HZ = 2.5
"""Two lines in the narrowest band, which is 5.8 Hz wide."""

_ORDER = 3


def loudness_band_level_db(spectrum: Spectrum) -> Samples:
    """One-third octave levels with the skirts that the loudness method expects.

    Parameters
    ----------
    spectrum : Spectrum
        Unweighted spectrum, lines at most 2.5 Hz apart, up to at least 16 kHz.

    Returns
    -------
    ndarray of shape (28, channels)
        Levels in dB re 20 uPa, 25 Hz to 12.5 kHz.

    Raises
    ------
    InputError
        If the lines are too far apart or end too early.

    Notes
    -----
    The bands have the noise bandwidth of ideal ones, so noise reads the same as in the steeper
    filters.
    """
    frequency_hz = spectrum.frequency_hz
    if spectrum.spacing_hz > _LARGEST_SPACING_HZ:
        raise InputError(
            f"Lines every {spectrum.spacing_hz:.3g} Hz are too coarse for loudness; "
            f"use at most {_LARGEST_SPACING_HZ} Hz."
        )
    if frequency_hz[-1] < 15_999.0:
        raise InputError(
            f"Loudness needs sound up to 16 kHz, but the spectrum ends at {frequency_hz[-1]:g} Hz; "
            "use a sampling rate of at least 32 kHz."
        )
    gain = _skirts(frequency_hz.size - 1, spectrum.spacing_hz)
    mean_squares: Samples = gain @ spectrum.density_pa2_per_hz[1:] * spectrum.spacing_hz
    return level_db(mean_squares)


@lru_cache(maxsize=4)
def _skirts(lines: int, spacing_hz: float) -> Samples:
    """Power gain of each band at each line above 0 Hz, shape ``(28, lines)``; read-only."""
    relative = spacing_hz * np.arange(1, lines + 1) / LOUDNESS_BANDS.exact_hz[:, None]
    angle = np.pi / (2 * _ORDER)
    ideal = (LOUDNESS_BANDS.upper_hz - LOUDNESS_BANDS.lower_hz) / LOUDNESS_BANDS.exact_hz
    # A Butterworth filter passes more noise than an ideal band between its 3 dB points.
    width = (ideal * np.sin(angle) / angle)[:, None]
    gain: Samples = 1.0 / (1.0 + ((relative - 1.0 / relative) / width) ** (2 * _ORDER))
    gain.setflags(write=False)
    return gain
