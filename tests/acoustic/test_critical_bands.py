"""Critical bands and criteria against the values that the standard prints."""

import numpy as np
import pytest
from mosqito.sq_metrics.tonality.tone_to_noise_ecma._LTH import _LTH

from acoustic.critical_bands import (
    bands_beside,
    critical_band,
    critical_bandwidth_hz,
    hearing_threshold_db,
    merging_distance_hz,
    prominent_prominence_ratio_db,
    prominent_tone_to_noise_ratio_db,
)
from acoustic.standard_tables import PROMINENCE_RATIO_CRITERIA_DB, TONE_TO_NOISE_CRITERIA_DB


@pytest.mark.parametrize(("frequency_hz", "width_hz"), [(500.0, 117.3), (1000.0, 162.2)])
def test_bandwidths_are_those_of_the_standard(frequency_hz, width_hz):
    """The width of the critical band matches the printed examples."""
    assert critical_bandwidth_hz(frequency_hz) == pytest.approx(width_hz, abs=0.05)


def test_edges_are_those_of_the_standard():
    """The band at 1 kHz lies geometrically, that at 250 Hz arithmetically, around its tone."""
    assert critical_band(1000.0) == pytest.approx((922.2, 1084.4), abs=0.05)
    assert np.mean(critical_band(250.0)) == pytest.approx(250.0)


@pytest.mark.parametrize("frequency_hz", np.geomspace(89.1, 11_200, 40))
def test_bands_beside_touch_the_band_and_are_about_as_wide_as_critical_bands(frequency_hz):
    """The fitted outer edges give bands of about the critical bandwidth at their middle."""
    below, above = bands_beside(frequency_hz)

    assert below.upper_hz == critical_band(frequency_hz).lower_hz
    assert above.lower_hz == critical_band(frequency_hz).upper_hz
    # The outer edges are polynomials, and middles are arithmetic at low, geometric at high ones.
    assert above.width_hz == pytest.approx(critical_bandwidth_hz(np.mean(above)), rel=0.07)
    if frequency_hz > 171.4:
        assert below.width_hz == pytest.approx(critical_bandwidth_hz(np.mean(below)), rel=0.07)
    else:
        assert below.lower_hz == 20.0


@pytest.mark.parametrize(("frequency_hz", "criterion_db"), TONE_TO_NOISE_CRITERIA_DB.items())
def test_tone_to_noise_criterion_is_that_of_the_standard(frequency_hz, criterion_db):
    """The criterion rises below 1 kHz as printed."""
    # Printed to 0.1 dB.
    assert prominent_tone_to_noise_ratio_db(frequency_hz) == pytest.approx(criterion_db, abs=0.051)


@pytest.mark.parametrize(("frequency_hz", "criterion_db"), PROMINENCE_RATIO_CRITERIA_DB.items())
def test_prominence_criterion_is_that_of_the_standard(frequency_hz, criterion_db):
    """The criterion rises below 1 kHz as printed."""
    assert prominent_prominence_ratio_db(frequency_hz) == pytest.approx(criterion_db, abs=0.051)


def test_merging_distance_is_that_of_the_standard():
    """Neighbours merge below the printed distances, and always from 1 kHz on."""
    assert merging_distance_hz(150.0) == pytest.approx(23, abs=0.5)
    assert merging_distance_hz(850.0) == pytest.approx(63.8, abs=0.05)
    assert merging_distance_hz(1000.0) == float("inf")


@pytest.mark.parametrize("frequency_hz", np.geomspace(100, 11_200, 25))
def test_threshold_runs_along_an_independent_one(frequency_hz):
    """The median threshold lies some 10 dB above the lowest one of the tone standard."""
    lowest_db = _LTH(np.array([frequency_hz]))[0]

    # Two curves of different years, and one goes with keener ears: a typing error would stick out.
    assert hearing_threshold_db(frequency_hz) - lowest_db == pytest.approx(11, abs=5.5)
