"""Levels found from a loudness, against closed forms and another implementation of the loudness."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from mosqito.sq_metrics.loudness.loudness_zwst._calc_slopes import _calc_slopes
from mosqito.sq_metrics.loudness.loudness_zwst._main_loudness import _main_loudness

from acoustic.errors import InputError
from acoustic.loudness import gain_to_loudness_db, stationary_loudness
from calibration.fan_noise import Estimate
from calibration.goal import Goal, LoudnessTarget, SoundColour, colour_of
from calibration.results import MatchRequest

COLOURS = arrays(np.float64, 28, elements=st.floats(0, 60))
FALLING_DB = np.linspace(42.0, 14.0, 28)
"""A usual colour: bands that fall by a decibel each."""


def other_sone(bands_db):
    """Loudness in a free field by another implementation."""
    return float(_calc_slopes(_main_loudness(np.array(bands_db, dtype=float), "free"))[0])


@given(colour=COLOURS, wanted=st.floats(0.3, 30.0))
def test_the_gain_leads_to_the_loudness(colour, wanted):
    """A hair less is too soft and a hair more too loud, says another implementation.

    The method's tables for low bands have steps, on which no gain has the loudness itself.
    """
    gain_db = gain_to_loudness_db(colour, "free", wanted)
    less, more = (
        stationary_loudness(colour + gain_db + hair, "free").N_sone for hair in (-0.002, 0.002)
    )

    assert less <= 1.001 * wanted
    assert more >= 0.999 * wanted
    if (colour + gain_db).max() < 95:
        assert other_sone(colour + gain_db - 0.002) <= 1.002 * wanted + 0.002
        assert other_sone(colour + gain_db + 0.002) >= 0.998 * wanted - 0.002


@pytest.mark.parametrize(
    ("colour", "wanted", "words"),
    [
        (np.full(28, -np.inf), 2.0, "not silent"),
        (FALLING_DB, 0.0, "above 0"),
        (FALLING_DB, 1e6, "cannot be as loud"),
    ],
)
def test_a_loudness_that_cannot_be_is_said(colour, wanted, words):
    """Silence has no gain, and there is an end to loudness."""
    with pytest.raises(InputError, match=words):
        gain_to_loudness_db(colour, "free", wanted)


def test_the_room_is_taken_out_of_the_colour():
    """Cooler and room add by energy, band by band; each band alone is found again."""
    room_db = FALLING_DB - 8.0
    together = 10 * np.log10(10 ** (FALLING_DB / 10) + 10 ** (room_db / 10))
    level_db, floor_db = 40.0, 32.0
    read_db = 10 * np.log10(10 ** (level_db / 10) + 10 ** (floor_db / 10))
    colour = colour_of(
        np.full(20, read_db), np.tile(together, (20, 1)), np.ones(20, bool), room_db, floor_db
    )

    assert colour.level_db == pytest.approx(level_db)
    assert colour.highest_db == pytest.approx(FALLING_DB)
    assert colour.lowest_db == pytest.approx(FALLING_DB)


def test_a_band_that_the_room_hides_is_only_bounded():
    """Where the cooler adds less than 3 dB its band may hold anything up to a bound."""
    room_db = FALLING_DB - 20.0
    room_db[:5] = FALLING_DB[:5] + 10.0
    together = 10 * np.log10(10 ** (FALLING_DB / 10) + 10 ** (room_db / 10))
    colour = colour_of(
        np.full(20, 40.0), np.tile(together, (20, 1)), np.ones(20, bool), room_db, 20.0
    )

    assert np.isneginf(colour.lowest_db[:5]).all()
    assert (colour.highest_db[:5] >= FALLING_DB[:5]).all()
    assert colour.lowest_db[5:] == pytest.approx(FALLING_DB[5:], abs=0.05)


def test_what_does_not_count_has_no_colour():
    """Intrusions and intervals without bands are left out; nothing left is no colour."""
    bands = np.tile(FALLING_DB, (20, 1))
    bands[:5] = np.nan
    bands[5:10] += 30.0
    usable = np.ones(20, bool)
    usable[5:10] = False
    colour = colour_of(np.full(20, 40.0), bands, usable, None, 20.0)

    assert colour.highest_db == pytest.approx(FALLING_DB)
    assert colour_of(np.full(20, 40.0), bands, np.zeros(20, bool), None, 20.0) is None


def test_the_goal_is_the_level_at_which_this_colour_has_the_loudness():
    """A colour heard 5 dB too loud leads to the level itself; its scatter is the goal's."""
    wanted = other_sone(FALLING_DB)
    goal = Goal(None, LoudnessTarget(wanted))
    louder = SoundColour(45.0, FALLING_DB + 5.0, FALLING_DB + 5.0)
    goal.hear(louder, [louder, louder])
    parts = [SoundColour(45.0 + off, FALLING_DB + 5.0, FALLING_DB + 5.0) for off in (-0.1, 0.1)]

    assert goal.level.mean_db == pytest.approx(40.0, abs=0.02)
    assert goal.level.sd_db == pytest.approx(0.0, abs=1e-6)
    goal.hear(louder, parts)
    # Two values 0.2 dB apart: sd 0.1414, of their mean 0.1.
    assert goal.level.sd_db == pytest.approx(0.1, rel=0.02)
    assert goal.missed_by(Estimate(40.5, 0.2)).sd_db == pytest.approx(np.hypot(0.1, 0.2), rel=0.02)


def test_a_level_is_a_goal_as_it_stands():
    """A target in dB(A) is not moved by any colour."""
    goal = Goal(40.0, None)
    goal.hear(SoundColour(45.0, FALLING_DB, FALLING_DB), [])

    assert goal.level == Estimate(40.0, 0.0)


def test_the_loudness_has_the_interval_of_its_level():
    """A level known to 0.2 dB leaves a loudness open between those of its two ends."""
    colour = SoundColour(40.0, FALLING_DB, FALLING_DB)
    heard = colour.loudness(Estimate(41.0, 0.2), "free")
    low, middle, high = (other_sone(FALLING_DB + 1.0 + 1.96 * off) for off in (-0.2, 0.0, 0.2))

    assert heard.N_sone == pytest.approx(middle, rel=0.003)
    assert heard.U95_sone == pytest.approx((high - low) / 2, rel=0.05)
    assert heard.LN_phon == pytest.approx(40 + 10 * np.log2(middle), abs=0.1)


@pytest.mark.parametrize(("target_db", "loudness"), [(None, None), (40.0, LoudnessTarget(2.0))])
def test_a_match_has_one_target(target_db, loudness):
    """Neither none nor two."""
    with pytest.raises(InputError, match="one target"):
        MatchRequest(target_db, 0.3, loudness=loudness)


@pytest.mark.parametrize("sone", [0.0, -1.0, np.nan, np.inf])
def test_no_loudness_is_no_target(sone):
    """A loudness that is not above zero is refused."""
    with pytest.raises(InputError, match="sone"):
        LoudnessTarget(sone)
