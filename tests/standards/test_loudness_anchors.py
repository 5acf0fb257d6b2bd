"""Loudness, judged by the anchors that the standard prints."""

import numpy as np
import pytest

from acoustic.loudness import stationary_loudness
from acoustic.loudness_bands import loudness_band_level_db
from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of
from acoustic.standard_tables import LOUDNESS_ANCHORS_SONE, LOUDNESS_SIGNAL_1_DB


def test_levels_of_test_signal_1_give_its_loudness():
    """The standard's 28 levels give its printed loudness."""
    loudness = stationary_loudness(LOUDNESS_SIGNAL_1_DB, "free")

    # The printed one comes from a program that shifts the edges of its bands by 0.0001 Bark.
    assert loudness.N_sone == pytest.approx(
        LOUDNESS_ANCHORS_SONE["test signal 1, third-octave levels"], abs=0.001
    )


def test_a_tone_of_60_db_has_its_loudness():
    """1 kHz at 60 dB, from samples to sone, lies well within the 5 % that the standard allows."""
    time_s = np.arange(96_000) / 48_000
    tone = 0.02 * np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s)[:, None]
    spectrum = spectrum_of(PressureSignal(tone, 48_000), spacing_hz=1.0)
    loudness = stationary_loudness(loudness_band_level_db(spectrum)[:, 0], "free")

    assert loudness.N_sone == pytest.approx(LOUDNESS_ANCHORS_SONE["1 kHz tone, 60 dB"], rel=0.02)
    assert loudness.LN_phon == pytest.approx(60, abs=0.3)
