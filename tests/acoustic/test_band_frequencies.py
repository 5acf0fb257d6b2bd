"""Band frequencies against an independent library and the standard's construction."""

import numpy as np
import pytest

from acoustic.band_frequencies import audible_bands, bands_within
from acoustic.errors import InputError


@pytest.mark.parametrize("bands_per_octave", [1, 3])
def test_exact_frequencies_agree_with_an_independent_library(independent, bands_per_octave):
    """Mid-band and edge frequencies are those of the acoustics package."""
    other = independent("standards.iec_61260_1_2014")
    bands = bands_within(20, 20_000, bands_per_octave)
    numbers = np.rint(bands_per_octave * np.log10(bands.exact_hz / 1000) / 0.3)
    exact_hz = other.exact_center_frequency(numbers, fraction=bands_per_octave)

    assert bands.exact_hz == pytest.approx(exact_hz)
    assert bands.lower_hz == pytest.approx(other.lower_frequency(exact_hz, bands_per_octave))
    assert bands.upper_hz == pytest.approx(other.upper_frequency(exact_hz, bands_per_octave))


def test_nominal_frequencies_are_the_usual_labels():
    """Labels are the rounded ones of the trade."""
    assert bands_within(20, 200, 3).nominal_hz == (20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200)
    assert bands_within(1, 16_000, 1).nominal_hz[-10:] == (
        31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16_000,
    )  # fmt: skip


def test_bands_touch_each_other():
    """The upper edge of a band is the lower edge of the next."""
    bands = bands_within(20, 20_000, 3)

    assert len(bands) == 31
    assert bands.upper_hz[:-1] == pytest.approx(bands.lower_hz[1:])


@pytest.mark.parametrize(
    ("rate_hz", "bands_per_octave", "highest_hz"),
    [
        (192_000, 3, 20_000), (48_000, 3, 20_000), (44_100, 3, 16_000), (8_000, 3, 3150),
        (48_000, 1, 16_000), (44_100, 1, 8000), (8_000, 1, 2000),
    ],
)  # fmt: skip
def test_bands_above_what_the_rate_allows_are_left_out(rate_hz, bands_per_octave, highest_hz):
    """The highest band is the last whose upper edge the rate can hold."""
    bands = audible_bands(rate_hz, bands_per_octave)

    assert bands.nominal_hz[-1] == highest_hz
    assert bands.upper_hz[-1] < rate_hz / 2


def test_impossible_bands_are_refused():
    """Other widths, empty ranges and hopeless rates are errors."""
    with pytest.raises(InputError, match="not 2 to the octave"):
        bands_within(20, 20_000, 2)
    with pytest.raises(InputError, match="No mid-band frequency"):
        bands_within(1050, 1150, 3)
    with pytest.raises(InputError, match="No mid-band frequency"):
        bands_within(0, 0, 3)
    with pytest.raises(InputError, match="higher sampling rate"):
        audible_bands(30.0, 3)
