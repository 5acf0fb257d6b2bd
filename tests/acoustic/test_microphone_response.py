"""Taking a microphone's response out again, by three routes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.band_frequencies import bands_within
from acoustic.errors import InputError
from acoustic.microphone_response import (
    correct,
    corrected_bands_db,
    corrected_spectrum,
    microphone_response,
    start_correction,
)
from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of

OCTAVES_HZ = 1000.0 * 2.0 ** np.arange(-6, 5)


def rolled_off(frequency_hz):
    """A microphone that rolls off below 30 Hz and rises towards 15 kHz, plus 2 dB throughout."""
    low_db = -10 * np.log10(1 + (30 / frequency_hz) ** 2)
    return 2.0 + low_db + 4.0 * (frequency_hz / 15_000) ** 2


def fine_table():
    """That microphone, every twelfth of an octave."""
    frequency_hz = np.geomspace(16, 20_000, 124)
    return np.stack([frequency_hz, rolled_off(frequency_hz)], axis=1)


def test_the_table_is_related_to_the_calibration_frequency():
    """At the calibration frequency the response is zero, whatever the table says there."""
    response = microphone_response(fine_table(), calibrated_at_hz=1000.0)

    assert response.at_db(np.array([1000.0])) == pytest.approx([0.0], abs=1e-12)
    assert response.at_db(np.array([10_000.0])) == pytest.approx(
        [rolled_off(1e4) - rolled_off(1e3)], abs=0.01
    )


def test_interpolation_is_linear_in_lg_frequency_and_ends_are_held():
    """Between octaves 0 and 6 dB, 1/3 of an octave up is 2 dB; beyond the table nothing changes."""
    response_db = np.where(OCTAVES_HZ >= 2000, 6.0, 0.0)
    table = np.stack([OCTAVES_HZ, response_db, np.zeros(11)], axis=1)
    response = microphone_response(table, calibrated_at_hz=1000.0)

    assert response.at_db(1000.0 * 2.0 ** np.array([1 / 3, 1.0, 10.0])) == pytest.approx([2, 6, 6])
    assert response.at_db(np.array([0.0, 1.0])) == pytest.approx([0, 0])


def test_bands_are_corrected_at_their_middle():
    """What the microphone reads too high in a band is subtracted there."""
    bands = bands_within(31.5, 16_000, 3)
    response = microphone_response(fine_table(), calibrated_at_hz=1000.0)
    true_db = np.full((2, len(bands)), 50.0)
    read_db = true_db + rolled_off(bands.exact_hz) - rolled_off(1000.0)

    assert corrected_bands_db(response, read_db, bands) == pytest.approx(true_db, abs=0.02)


def test_spectra_are_corrected_line_by_line():
    """A spectrum through the response and back is the spectrum."""
    noise = np.random.default_rng(2).normal(size=(48_000, 1))
    spectrum = spectrum_of(PressureSignal(noise, 48_000), spacing_hz=5.0)
    response = microphone_response(fine_table(), calibrated_at_hz=1000.0)
    heard = spectrum.changed_by_db(response.at_db(spectrum.frequency_hz))

    assert corrected_spectrum(response, heard).density_pa2_per_hz == pytest.approx(
        spectrum.density_pa2_per_hz
    )


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000, 96_000])
def test_the_filter_undoes_the_response(rate_hz):
    """The filter's response is the inverse of the table within 0.1 dB from 31.5 Hz on."""
    response = microphone_response(fine_table(), calibrated_at_hz=1000.0)
    taps = start_correction(response, rate_hz, 1).taps
    frequency_hz = np.geomspace(31.5, min(20_000, 0.49 * rate_hz), 300)
    turns = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(len(taps))) / rate_hz)
    gain_db = 20 * np.log10(np.abs(turns @ taps))

    assert gain_db == pytest.approx(-response.at_db(frequency_hz), abs=0.1)


def test_the_filter_delays_nothing():
    """Most of the answer to an impulse comes at once."""
    response = microphone_response(fine_table(), calibrated_at_hz=1000.0)
    taps = start_correction(response, 48_000, 1).taps

    assert np.argmax(np.abs(taps)) <= 1
    assert np.square(taps[:48]).sum() > 0.99 * np.square(taps).sum()


@settings(max_examples=12)
@given(cuts=st.lists(st.integers(0, 6000), max_size=5))
def test_blocks_of_any_size_change_nothing(cuts):
    """However the sound is cut, the corrected samples are the same."""
    samples = np.random.default_rng(7).normal(size=(6000, 2))
    begun = start_correction(microphone_response(fine_table(), calibrated_at_hz=1000.0), 8000, 2)
    whole, _ = correct(begun, samples)
    state, parts = begun, []
    for part in np.split(samples, sorted(cuts)):
        corrected, state = correct(state, part)
        parts.append(corrected)

    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda table: table[:, :1], "two or three columns"),
        (lambda table: table[:1], "at least two rows"),
        (lambda table: np.where(table == table[3, 1], np.nan, table), "Row 4"),
        (lambda table: table[::-1], "must be above zero and rise, but row 2"),
        (lambda table: table * [0, 1], "row 1 says 0 Hz"),
        (lambda table: table[table[:, 0] > 50], "at least 40 Hz to 12500 Hz"),
        (lambda table: table[table[:, 0] < 12_000], "at least 40 Hz to 12500 Hz"),
        (lambda table: table[(table[:, 0] < 400) | (table[:, 0] > 1300)], "nothing between"),
        (lambda table: table * [1, 40], "more than 30 dB; check its columns"),
    ],
)
def test_unusable_tables_are_refused(change, reason):
    """A table that covers too little or cannot be one is refused, with what is wrong where."""
    with pytest.raises(InputError, match=reason):
        microphone_response(change(fine_table()), calibrated_at_hz=1000.0)


def test_the_calibration_frequency_has_to_be_covered():
    """A table cannot be related to a frequency that it does not hold."""
    with pytest.raises(InputError, match="at least 10 Hz"):
        microphone_response(fine_table(), calibrated_at_hz=10.0)
