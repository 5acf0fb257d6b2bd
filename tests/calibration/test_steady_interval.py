"""Intervals of recordings drawn with a known level, and recordings that have none."""

import numpy as np
import pytest
from drawn_levels import TRUE_DB, drawn_levels_db

from calibration.steady_interval import judge_recording


def laeq_db(levels_db):
    """Equivalent level of all intervals."""
    return 10 * np.log10(np.mean(10 ** (levels_db / 10)))


@pytest.mark.parametrize(("seconds", "draws"), [(8, 200), (30, 150), (120, 60)])
def test_longer_listening_would_read_within_the_interval(seconds, draws):
    """At least 91 % of stated 95 % intervals hold the level of the same sound without an end."""
    rng = np.random.default_rng(seconds)
    # The mean energy lies above the mean of decibels by 0.115 of their variance.
    true_db = TRUE_DB + np.log(10) / 20 * (0.25**2 + 0.3**2)
    held = []
    for _ in range(draws):
        levels_db = drawn_levels_db(rng, seconds, sd_db=0.25, tau_s=rng.uniform(1, 5))
        budget = judge_recording(levels_db).budget
        if budget is not None:
            held.append(abs(laeq_db(levels_db) - true_db) <= budget.U95_db)

    assert len(held) > 0.95 * draws
    # Draws of this size scatter by up to 3 %.
    assert np.mean(held) >= 0.91


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ({"drift_db": 3.0}, "drifts by"),
        ({"depth_db": 4.0, "period_s": 4.0}, "beats by"),
    ],
)
def test_an_unsteady_sound_gets_a_reason_and_no_interval(kind, said):
    """Drift and beats are named instead of hidden in an interval."""
    usual = {"sd_db": 0.15, "tau_s": 1.0}
    levels_db = drawn_levels_db(np.random.default_rng(3), 60, **{**usual, **kind})
    found = judge_recording(levels_db)

    assert found.budget is None
    assert said in found.why_not
    assert found.why_not.endswith(".")


def test_a_sound_that_comes_and_goes_is_named():
    """Seconds that are quieter now and then are no steady sound, though nothing stands out."""
    rng = np.random.default_rng(5)
    levels_db = 40.0 + 0.2 * rng.standard_normal(600)
    for second in rng.choice(60, 12, replace=False):
        levels_db[10 * second : 10 * second + 10] -= 4.0

    assert "differ by" in judge_recording(levels_db).why_not


def test_a_door_is_named():
    """A slam that raises the level takes the interval away."""
    levels_db = drawn_levels_db(np.random.default_rng(4), 60, sd_db=0.1, tau_s=1.0)
    levels_db[300:312] += 15.0

    assert "stand out of the steady sound" in judge_recording(levels_db).why_not


@pytest.mark.parametrize(
    ("levels_db", "said"),
    [
        (None, "more than an hour"),
        (np.full(49, 40.0), "less than 5 s"),
        (np.r_[np.full(60, 40.0), -np.inf], "silent"),
        (np.r_[np.full(40, 60.0), np.full(50, 40.0)], "stands out of the rest"),
    ],
)
def test_what_says_nothing_about_steadiness(levels_db, said):
    """Too long, too short, silent or mostly something else: the reason is given."""
    found = judge_recording(levels_db)

    assert found.budget is None
    assert said in found.why_not
