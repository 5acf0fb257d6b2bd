"""Tests of a spectrum in narrow bands on a logarithmic axis."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.errors import InputError
from acoustic.narrow_bands import narrow_band_levels_db
from acoustic.signals import PressureSignal
from acoustic.spectrum import Spectrum, spectrum_of

AXIS_HZ = np.geomspace(20.0, 20_000.0, 400)


@given(frequency_hz=st.floats(30.0, 15_000.0))
def test_a_tone_reads_its_own_level_at_its_place(frequency_hz):
    """The highest band is beside the tone, and holds the tone or, on a coarse axis, half of it."""
    time_s = np.arange(24_000) / 48_000
    tone = np.sqrt(2.0) * np.sin(2.0 * np.pi * frequency_hz * time_s)[:, None]
    spectrum = spectrum_of(PressureSignal(tone, 48_000), spacing_hz=2.0)

    levels = narrow_band_levels_db(spectrum, AXIS_HZ)[:, 0]

    highest = int(np.argmax(levels))
    # One of the two points beside it; where these are closer than lines, within a line.
    step = AXIS_HZ[1] / AXIS_HZ[0]
    apart = max(AXIS_HZ[highest] / frequency_hz, frequency_hz / AXIS_HZ[highest])
    assert apart < step or abs(AXIS_HZ[highest] - frequency_hz) <= spectrum.spacing_hz
    # Below 100 Hz points are closer than lines, and a band of three lines around the nearest point
    # holds at least 93 % of a tone; far above, a tone on an edge is shared by two bands.
    least_db = -0.31 if frequency_hz < 100.0 else -3.02
    assert least_db < levels[highest] - 93.98 < 0.01


def test_even_noise_has_the_level_of_the_width_of_the_band():
    """Density times width is the power, for bands wider and narrower than a line."""
    even = Spectrum(2.0, 3.0, np.full((12_001, 2), 1e-6), averages=1)

    levels = narrow_band_levels_db(even, AXIS_HZ)

    ratio = np.sqrt(AXIS_HZ[1] / AXIS_HZ[0])
    width_hz = np.maximum(AXIS_HZ * (ratio - 1 / ratio), 6.0)
    expected = 10 * np.log10(1e-6 * width_hz / 4e-10)
    # The lower side of a band is narrower than the upper one, so that only one may be widened.
    assert np.abs(levels - expected[:, None]).max() < 0.06


def test_bands_beyond_the_spectrum_have_no_level():
    """Where the rate does not reach there is no number rather than silence."""
    spectrum = Spectrum(2.0, 3.0, np.ones((5001, 1)), averages=1)

    levels = narrow_band_levels_db(spectrum, AXIS_HZ)[:, 0]

    assert np.isnan(levels[AXIS_HZ > 10_001]).all()
    assert np.isfinite(levels[AXIS_HZ < 9_900]).all()


@pytest.mark.parametrize("axis_hz", [[100.0], [0.0, 10.0], [100.0, 100.0]])
def test_an_axis_that_does_not_rise_is_refused(axis_hz):
    """Frequencies that make no bands are said to be none."""
    with pytest.raises(InputError, match="rise from above 0 Hz"):
        narrow_band_levels_db(Spectrum(2.0, 3.0, np.ones((11, 1)), 1), np.array(axis_hz))
