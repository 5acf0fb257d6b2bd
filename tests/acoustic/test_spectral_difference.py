"""Differences of spectra against what went in, with the scatter that noise really has."""

import numpy as np
import pytest

from acoustic.band_frequencies import audible_bands
from acoustic.errors import InputError
from acoustic.signals import PressureSignal
from acoustic.spectral_difference import (
    band_levels,
    spectral_difference,
    third_octaves_db,
    twelfth_octaves_hz,
)
from acoustic.spectrum import Spectrum, spectrum_of

RATE_HZ = 44_100
CLEAR = twelfth_octaves_hz() > 60
"""Bands that are not widened to three lines."""


def even(density, averages=40):
    """A spectrum of even density."""
    return Spectrum(1.0, 1.5, np.full((24_001, 1), float(density)), averages)


def noise(rms, seconds, seed):
    """Spectrum of random white noise."""
    samples = rms * np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), 1))
    return spectrum_of(PressureSignal(samples, RATE_HZ), spacing_hz=1.0)


def test_four_bands_are_a_one_third_octave():
    """Bands of even noise sum to one-third octaves of the nominal width."""
    levels = third_octaves_db(band_levels(even(20e-6**2)).level_db)
    exact_hz = audible_bands(48_000.0, 3).exact_hz[-31:]
    widths_hz = exact_hz * (10**0.05 - 10**-0.05)

    assert levels[6:] == pytest.approx(10 * np.log10(widths_hz[6:]), abs=0.01)


def test_a_gain_is_the_difference_in_every_band():
    """Twice the power is 3.01 dB more, everywhere the same."""
    found = spectral_difference(band_levels(even(1.0)), band_levels(even(2.0)), u_of_both_db=0.1)

    assert found.difference_db == pytest.approx(np.full(124, 3.0103), abs=1e-6)
    assert (found.U95_db > 1.96 * 0.1).all()


def test_stated_intervals_hold_the_truth():
    """Of bands of random noise 95 % of intervals hold the difference of what was drawn."""
    held = []
    for seed in range(15):
        first, second = noise(1.0, 6, 90 + 2 * seed), noise(1.3, 6, 91 + 2 * seed)
        found = spectral_difference(band_levels(first), band_levels(second), u_of_both_db=0.0)
        error = np.abs(found.difference_db - 20 * np.log10(1.3))[CLEAR]
        held.append(error <= found.U95_db[CLEAR])

    # 1500 bands: two standard errors of the share are 1.1 %.
    assert 0.935 <= np.mean(held) <= 0.97


def test_without_the_room_the_source_is_itself():
    """A source heard in a room 4 dB below it is given back, and less surely than with the room."""
    room, source = 10**-0.4, 1.0
    together = band_levels(even(room + source), even(room))

    assert together.level_db == pytest.approx(band_levels(even(source)).level_db, abs=1e-6)
    assert not together.upper_bound.any()
    # dL/dL' and dL/dLb of a difference of energies, both with the same scatter.
    lift, room_share = (room + source) / source, room / source
    expected = np.hypot(lift, room_share) * band_levels(even(1.0)).u_db
    assert together.u_db == pytest.approx(expected)


def test_a_room_too_near_gives_no_difference():
    """Within 3 dB of the room the source is only bounded, and its difference is not known."""
    near = band_levels(even(1.5), even(1.0))
    clear = band_levels(even(10.0), even(1.0))
    found = spectral_difference(clear, near, u_of_both_db=0.0)

    assert near.upper_bound.all()
    assert np.isnan(found.difference_db).all()
    assert np.isnan(found.U95_db).all()


def test_bands_beyond_the_rate_are_not_known():
    """At a low rate the upper bands are missing, with and without a room."""
    low = Spectrum(1.0, 1.5, np.ones((4001, 1)), 40)
    beyond = twelfth_octaves_hz() > 4000

    for levels in (band_levels(low), band_levels(low, low)):
        assert np.isnan(levels.level_db[beyond]).all()
        assert not levels.upper_bound[beyond].any()


def test_several_channels_are_refused():
    """A comparison is one of single channels."""
    both = Spectrum(1.0, 1.5, np.ones((4001, 2)), 40)

    with pytest.raises(InputError, match="one channel"):
        band_levels(both)
