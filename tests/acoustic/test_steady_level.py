"""Levels that hunt, beat and are disturbed, whose truth is known."""

import numpy as np
import pytest
from drawn_levels import TRUE_DB, drawn_levels_db
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_numpy

from acoustic.errors import SignalError
from acoustic.intrusions import GateSpread
from acoustic.steady_level import steady_level


def all_valid(levels_db):
    """Nothing that the capture has against any of them."""
    return np.ones(levels_db.size, dtype=bool)


def judged(draws, **sound):
    """Draw a sound over and over: errors of the mean, share of intervals that hold, left out."""
    rng = np.random.default_rng(11)
    errors, held, left_out = [], [], []
    for _ in range(draws):
        levels = drawn_levels_db(rng, white_sd_db=0.2, **sound)
        heard = steady_level(levels, all_valid(levels), spread=GateSpread(0.25, 10.0))
        error = heard.mean.mean_db - TRUE_DB
        errors.append(error)
        held.append(abs(error) <= 1.96 * heard.mean.standard_error_db)
        left_out.append(np.mean(~heard.usable))
    return np.array(errors), np.mean(held), np.mean(left_out)


@pytest.mark.parametrize(("period_s", "seconds"), [(0.7, 12), (2.0, 12), (5.0, 20), (8.0, 40)])
@pytest.mark.parametrize("depth_db", [1.0, 3.0, 6.0])
def test_a_beat_that_was_heard_long_enough_is_no_intrusion(period_s, seconds, depth_db):
    """From three beats on nothing is left out for its crest, and the mean energy is the level."""
    errors, held, left_out = judged(30, seconds=seconds, period_s=period_s, depth_db=depth_db)

    assert abs(errors.mean()) < 0.08
    assert held >= 0.85
    assert left_out < 0.06


@pytest.mark.parametrize(("period_s", "seconds"), [(3.0, 6), (5.0, 9), (8.0, 12)])
@pytest.mark.parametrize("depth_db", [2.0, 3.0])
def test_a_beat_that_cannot_be_told_yet_makes_the_level_unsure(period_s, seconds, depth_db):
    """Before it is told from an intrusion either may be, and the interval says so."""
    _, held, _ = judged(40, seconds=seconds, period_s=period_s, depth_db=depth_db)

    assert held >= 0.85


def test_a_sound_without_beat_is_left_as_it_is():
    """Half a minute of hunting keeps all but a few intervals, and its interval holds."""
    errors, held, left_out = judged(120, seconds=30)

    assert abs(errors.mean()) < 0.04
    assert held >= 0.9
    assert left_out < 0.04


def test_a_door_beside_a_beat_is_left_out():
    """A slam of 12 dB does not enter the level of a cooler that beats by 3 dB."""
    rng = np.random.default_rng(12)
    levels = drawn_levels_db(rng, 30, depth_db=3.0, period_s=4.0, white_sd_db=0.2)
    levels[100:108] += 12.0
    heard = steady_level(levels, all_valid(levels))

    assert heard.beat.period_s == pytest.approx(4.0, rel=0.05)
    assert heard.mean.mean_db == pytest.approx(TRUE_DB, abs=0.25)
    assert not heard.usable[100:108].any()
    assert np.count_nonzero(~heard.usable) < 30


def test_what_was_heard_before_shows_an_intrusion_that_began_earlier():
    """Three seconds drowned by 12 dB and three clean ones: two quiet seconds before tell which."""
    rng = np.random.default_rng(13)
    levels = 40.0 + 0.25 * rng.standard_normal(60)
    levels[:40] += 12.0
    heard = steady_level(levels, all_valid(levels), before_db=40.0 + 0.25 * rng.standard_normal(20))

    assert heard.mean.mean_db == pytest.approx(40.0, abs=0.3)
    assert not heard.usable[:40].any()


@given(
    st_numpy.arrays(
        np.float64, st.integers(0, 150), elements=st.floats(-40, 120) | st.just(-np.inf)
    ),
    st.randoms(use_true_random=False),
)
def test_any_levels_have_a_defined_answer(levels_db, random):
    """Whatever is heard, only valid finite intervals count and the answer is finite or none."""
    valid = np.array([random.random() < 0.8 for _ in levels_db], dtype=bool)
    heard = steady_level(levels_db, valid)

    assert not np.any(heard.usable & ~(valid & np.isfinite(levels_db)))
    if heard.mean is not None:
        assert np.isfinite(heard.mean.mean_db)
        assert heard.mean.standard_error_db > 0.0


def test_levels_and_marks_must_fit():
    """One mark is missing: a sentence, not a guess."""
    with pytest.raises(SignalError, match="one mark for each level"):
        steady_level(np.zeros(10), np.ones(9, dtype=bool))


def test_a_long_listening_of_which_little_counts_has_a_level():
    """Of a minute only scattered seconds are fit to use: too little to tell a beat, not a level."""
    levels = 40.0 + 0.2 * np.random.default_rng(14).standard_normal(600)
    valid = np.arange(600) % 40 < 12
    heard = steady_level(levels, valid)

    assert heard.mean.mean_db == pytest.approx(40.0, abs=0.1)
    assert heard.beat is None
