"""Frequency weighting: exactness at every rate, state, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.errors import SignalError
from acoustic.frequency_weighting import (
    a_weighting_db,
    c_weighting_db,
    frequency_weighted,
    start_weighting,
    weigh,
    weighting_filters,
)
from acoustic.signals import PressureSignal

DEFINITIONS = {"A": a_weighting_db, "C": c_weighting_db}


def largest_error_db(rate_hz, top_hz):
    """Largest deviation of either filter from the definition, 10 Hz to `top_hz`."""
    frequency_hz = np.geomspace(10.0, top_hz, 2000)
    filters = weighting_filters(rate_hz)
    return max(
        np.abs(filters.response_db(frequency_hz, weighting) - definition(frequency_hz)).max()
        for weighting, definition in DEFINITIONS.items()
    )


@pytest.mark.parametrize(
    ("rate_hz", "bar_db"),
    [
        (44_100, 0.001),
        (48_000, 0.001),
        (88_200, 0.0001),
        (96_000, 0.0001),
        (176_400, 0.0001),
        (192_000, 0.0001),
    ],
)
def test_filters_follow_the_definition_up_to_20_khz(rate_hz, bar_db):
    """The response is that of the definition from 10 Hz to 20 kHz, at the accuracy claimed."""
    assert largest_error_db(rate_hz, 20_000) < bar_db


@settings(max_examples=25)
@given(rate_hz=st.floats(8_000, 44_100))
def test_low_rates_follow_the_definition_up_to_045_of_the_rate(rate_hz):
    """At any low rate the error stays below 0.007 dB up to 0.45 of the rate."""
    assert largest_error_db(rate_hz, 0.45 * rate_hz) < 0.007


@settings(max_examples=25)
@given(rate_hz=st.floats(44_100, 192_000))
def test_any_high_rate_is_as_good_as_44100(rate_hz):
    """The fit converges at odd rates too, and every pole stays inside the unit circle."""
    filters = weighting_filters(rate_hz)
    poles = [
        np.roots(section[3:]) for section in (*filters.C_sections, *filters.A_sections_after_C)
    ]

    assert largest_error_db(rate_hz, 20_000) < 0.0012
    assert np.abs(np.concatenate(poles)).max() < 1.0


def test_definition_agrees_with_an_independent_library(independent):
    """The acoustics package computes the same analytic weightings."""
    other = independent("standards.iec_61672_1_2013")
    frequency_hz = np.geomspace(10, 20_000, 50)

    # Its constants are rounded to 0.001 dB or so.
    assert a_weighting_db(frequency_hz) == pytest.approx(
        other.weighting_function_a(frequency_hz), abs=0.01
    )
    assert c_weighting_db(frequency_hz) == pytest.approx(
        other.weighting_function_c(frequency_hz), abs=0.01
    )


@pytest.mark.parametrize("weighting", ["A", "C"])
@pytest.mark.parametrize("frequency_hz", [31.5, 1000.0, 16_000.0])
def test_a_tone_is_weighted_by_the_definition(weighting, frequency_hz):
    """A filtered tone, its onset left out, has the level that the definition gives."""
    time_s = np.arange(96_000) / 48_000
    tone = np.sin(2 * np.pi * frequency_hz * time_s)[:, None]
    weighted = frequency_weighted(PressureSignal(tone, 48_000), weighting)
    gain_db = 10 * np.log10(np.mean(weighted.samples[48_000:] ** 2) / np.mean(tone[48_000:] ** 2))

    assert gain_db == pytest.approx(DEFINITIONS[weighting](frequency_hz), abs=0.002)


@given(cuts=st.lists(st.integers(1, 2999), max_size=5, unique=True))
def test_blocks_of_any_size_give_the_same_samples(cuts):
    """Carrying the state over cuts gives exactly the samples of the whole."""
    samples = np.random.default_rng(1).normal(size=(3000, 2))
    filters = weighting_filters(44_100)
    whole_A, whole_C, _ = weigh(start_weighting(filters, 2), samples)
    state, parts = start_weighting(filters, 2), []
    for part in np.split(samples, sorted(cuts)):
        A, C, state = weigh(state, part)
        parts.append((A, C))

    assert np.array_equal(np.concatenate([A for A, _ in parts]), whole_A)
    assert np.array_equal(np.concatenate([C for _, C in parts]), whole_C)


def test_z_weighting_returns_the_signal_itself():
    """Z is no weighting."""
    signal = PressureSignal(np.ones((10, 1)), 48_000)

    assert frequency_weighted(signal, "Z") is signal


def test_kept_designs_cannot_be_spoilt_by_a_caller():
    """The arrays that callers share are read-only."""
    with pytest.raises(ValueError, match="read-only"):
        weighting_filters(48_000).C_sections[0, 0] = 2.0


def test_an_empty_signal_stays_empty():
    """Weighting nothing gives nothing."""
    weighted = frequency_weighted(PressureSignal(np.zeros((0, 2)), 48_000), "A")

    assert weighted.samples.shape == (0, 2)


@pytest.mark.parametrize("rate_hz", [7_999, 192_001, 1.0])
def test_rates_out_of_range_are_refused(rate_hz):
    """A rate that cannot be weighted is refused with the range that can."""
    with pytest.raises(SignalError, match="8000 Hz to 192000 Hz"):
        weighting_filters(rate_hz)
