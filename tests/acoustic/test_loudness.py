"""Loudness against an independent implementation and what loudness is."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from mosqito.sq_metrics.loudness.loudness_zwst._calc_slopes import _calc_slopes
from mosqito.sq_metrics.loudness.loudness_zwst._main_loudness import _main_loudness

from acoustic.errors import InputError
from acoustic.loudness import loudness_level_phon, stationary_loudness
from acoustic.loudness_bands import LOUDNESS_BANDS, loudness_band_level_db
from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of

# The other implementation takes the wrong row of its table for low bands above 100 dB.
SPECTRA = arrays(np.float64, 28, elements=st.floats(-20, 95))


@pytest.mark.parametrize("field", ["free", "diffuse"])
@given(levels_db=SPECTRA)
def test_agrees_with_an_independent_implementation(levels_db, field):
    """Total loudness is that of another implementation of the standard, as it rounds it."""
    theirs, _ = _calc_slopes(_main_loudness(levels_db.copy(), field))
    ours = stationary_loudness(levels_db, field).N_sone

    # It rounds to three, and above 16 sone to two digits; its own rounding may differ by one.
    assert ours == pytest.approx(theirs, abs=0.001 if theirs <= 16 else 0.01)


@given(levels_db=SPECTRA)
def test_specific_loudness_adds_up_to_the_total(levels_db):
    """The sum over the critical-band rate is the total loudness."""
    loudness = stationary_loudness(levels_db, "free")

    # Values every 0.1 Bark at the end of their step: slopes make the sum a little low.
    assert loudness.specific_sone_per_bark.sum() * 0.1 == pytest.approx(
        loudness.N_sone, rel=0.05, abs=0.01
    )


@given(levels_db=SPECTRA, more_db=st.floats(0.5, 20))
def test_louder_sound_is_never_softer(levels_db, more_db):
    """Raising every band by the same amount never lowers the loudness."""
    softer = stationary_loudness(levels_db, "free").N_sone

    assert stationary_loudness(levels_db + more_db, "free").N_sone >= softer


def test_ten_decibels_double_the_loudness_of_a_tone():
    """At 1 kHz, from 50 to 80 dB, each 10 dB is about twice as loud."""
    levels_db = np.full(28, -np.inf)
    sones = []
    for level_db in (50, 60, 70, 80):
        levels_db[16] = level_db
        sones.append(stationary_loudness(levels_db, "free").N_sone)

    assert np.divide(sones[1:], sones[:-1]) == pytest.approx([2, 2, 2], abs=0.1)


def test_loudness_levels_follow_the_definition():
    """One sone is 40 phon, each doubling 10 more; below, the printed power law, at least 3."""
    assert loudness_level_phon(1.0) == pytest.approx(40)
    assert loudness_level_phon(8.0) == pytest.approx(70)
    assert loudness_level_phon(0.5) == pytest.approx(40 * 0.5005**0.35)
    assert loudness_level_phon(0.0) == 3.0


def test_silence_has_no_loudness():
    """Silence gives exactly zero sone."""
    loudness = stationary_loudness(np.full(28, -np.inf), "diffuse")

    assert loudness.N_sone == 0.0
    assert not loudness.specific_sone_per_bark.any()


def test_bands_out_of_a_spectrum_read_tones_and_noise():
    """A tone reads its level in its band and its skirts beside it; noise reads its share."""
    rng = np.random.default_rng(3)
    time_s = np.arange(48_000 * 20) / 48_000
    tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s)
    noise = rng.normal(size=len(time_s))
    sound = PressureSignal(np.stack([tone, noise], axis=1), 48_000)
    tone_db, noise_db = loudness_band_level_db(spectrum_of(sound, spacing_hz=1.0)).T
    share = (LOUDNESS_BANDS.upper_hz - LOUDNESS_BANDS.lower_hz) / 24_000

    assert tone_db[16] == pytest.approx(93.98, abs=0.01)
    # A third-order filter of ideal noise bandwidth, one band away: 10 lg(1 + 2.11**6).
    assert tone_db[[15, 17]] == pytest.approx(93.98 - 19.5, abs=0.05)
    # From 200 Hz on, 20 s hold enough noise to see a tenth of a decibel.
    assert noise_db[9:] == pytest.approx(93.98 + 10 * np.log10(share[9:]), abs=0.5)
    assert noise_db[20:] == pytest.approx(93.98 + 10 * np.log10(share[20:]), abs=0.1)


def test_unusable_input_is_refused():
    """Wrong numbers of bands, overloads, unknown fields and poor spectra are errors."""
    flat = np.full(28, 60.0)
    noise = PressureSignal(np.random.default_rng(1).normal(size=(16_000, 1)), 16_000)
    loud = PressureSignal(np.random.default_rng(1).normal(size=(48_000, 1)), 48_000)

    with pytest.raises(InputError, match="28 one-third octaves"):
        stationary_loudness(flat[:-1], "free")
    with pytest.raises(InputError, match="may be missing"):
        stationary_loudness(np.where(np.arange(28) == 3, np.nan, flat), "free")
    with pytest.raises(InputError, match="above 120 dB"):
        stationary_loudness(flat + 61, "free")
    with pytest.raises(InputError, match="free or diffuse"):
        stationary_loudness(flat, "near")
    with pytest.raises(InputError, match="at least 32 kHz"):
        loudness_band_level_db(spectrum_of(noise, spacing_hz=2.0))
    with pytest.raises(InputError, match=r"at most 2\.5 Hz"):
        loudness_band_level_db(spectrum_of(loud, spacing_hz=10.0))
