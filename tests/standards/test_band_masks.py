"""Octave and one-third octave filters, judged by the standard's class 1 mask."""

import numpy as np
import pytest
from scipy.signal import freqz, freqz_sos

from acoustic.band_filters import band_filters
from acoustic.standard_tables import (
    OCTAVE_BAND_MASK,
    OCTAVE_RATIO,
    THIRD_OCTAVE_BREAKPOINTS,
)

RATES_HZ = (
    8_000.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0,
    48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0,
)  # fmt: skip


def gains(filters, frequency_hz):
    """Amplitude that every band gives a tone of each frequency, halvings and aliases included."""
    # The other taps of a half-band filter are zero, but for the middle one.
    taps = np.zeros(2 * len(filters.halving_taps) - 1)
    taps[::2] = filters.halving_taps
    taps[len(taps) // 2] = 0.5

    result, before = [], np.ones(len(frequency_hz))
    for stage in filters.stages:
        # A tone above half of a reduced rate is folded; the response repeats with the rate.
        angle = 2 * np.pi * frequency_hz * 2**stage.halvings / filters.rate_hz
        result = [before * np.abs(freqz_sos(band, angle)[1]) for band in stage.sections] + result
        before = before * np.abs(freqz(taps, 1, angle)[1])
    return np.array(result)


def breakpoints(bands_per_octave):
    """Normalised frequencies of the mask's points."""
    if bands_per_octave == 3:
        return np.array(THIRD_OCTAVE_BREAKPOINTS)
    return np.array([OCTAVE_RATIO**point.octaves for point in OCTAVE_BAND_MASK])


def mask(bands_per_octave, normalised):
    """Least and largest attenuation of class 1, linear in lg frequency between points."""
    distance = np.abs(np.log(normalised))
    points = np.log(breakpoints(bands_per_octave))
    inside, outside = slice(0, 5), slice(5, None)
    lower = [point.class_1.lower_db for point in OCTAVE_BAND_MASK]
    upper = [point.class_1.upper_db for point in OCTAVE_BAND_MASK]
    within = distance < points[4]
    least = np.where(
        within,
        np.interp(distance, points[inside], lower[inside]),
        np.interp(distance, points[outside], lower[outside]),
    )
    most = np.where(within, np.interp(distance, points[inside], upper[inside]), np.inf)
    return least, most


def test_breakpoints_follow_the_mapping_of_the_standard():
    """The typed one-third octave breakpoints are those of the standard's formula."""
    octave = np.array([OCTAVE_RATIO**point.octaves for point in OCTAVE_BAND_MASK])
    narrowing = (OCTAVE_RATIO ** (1 / 6) - 1) / (OCTAVE_RATIO**0.5 - 1)

    # Typed with five decimals.
    assert breakpoints(3) == pytest.approx(1 + (octave - 1) * narrowing, abs=6e-6)


@pytest.mark.parametrize("bands_per_octave", [1, 3])
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_every_band_keeps_the_class_1_mask(rate_hz, bands_per_octave):
    """Attenuation re mid-band lies within the mask from 1 Hz to half the rate."""
    filters = band_filters(rate_hz, bands_per_octave)
    frequency_hz = np.geomspace(1.0, 0.49999 * rate_hz, 6000)
    attenuation_db = -20 * np.log10(gains(filters, frequency_hz) + 1e-12)
    mid_band_db = -20 * np.log10(np.diag(gains(filters, filters.bands.exact_hz)))

    for exact_hz, band_db, zero_db in zip(
        filters.bands.exact_hz, attenuation_db, mid_band_db, strict=True
    ):
        least, most = mask(bands_per_octave, frequency_hz / exact_hz)
        assert (band_db - zero_db >= least).all()
        assert (band_db - zero_db <= most).all()


@pytest.mark.parametrize("bands_per_octave", [1, 3])
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_effective_bandwidth_is_that_of_an_ideal_band(rate_hz, bands_per_octave):
    """Noise with equal power in equal ratios passes as through an ideal band, within 0.01 dB."""
    filters = band_filters(rate_hz, bands_per_octave)
    frequency_hz = np.geomspace(2.0, 0.499999 * rate_hz, 20_001)
    squares = np.square(gains(filters, frequency_hz))
    effective = np.trapezoid(squares, np.log(frequency_hz), axis=1)
    ideal = np.log(filters.bands.upper_hz / filters.bands.lower_hz)

    # The standard allows 0.4 dB.
    assert 10 * np.log10(effective / ideal) == pytest.approx(0, abs=0.01)
