"""Trends and means of levels that hunt, beat and drift, against what they were drawn with."""

import numpy as np
import pytest
from drawn_levels import TRUE_DB, all_of, beat_db, coverage, drawn_levels_db, with_gaps
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import linregress

from acoustic.errors import SignalError
from acoustic.intrusions import find_intrusions, white_spread_db
from acoustic.steadiness import (
    find_intrusions_beside_beat,
    find_trend,
    judge_steadiness,
    mean_over_whole_beats,
    whole_beats_s,
)
from acoustic.uncertainty import HuntingKnowledge, LevelBlocks


def plain_mean(levels_db):
    """Mean as if nothing beat."""
    usable = all_of(levels_db)
    blocks = LevelBlocks.from_intervals(levels_db, usable, white_spread_db(levels_db))
    return HuntingKnowledge().mean(blocks)


def held(estimate, draw, runs):
    """Share of 95 % intervals that hold the truth, and the mean error in dB."""
    means = [estimate(draw()) for _ in range(runs)]
    errors_db = np.array([mean.mean_db - TRUE_DB for mean in means])
    return coverage(errors_db, [mean.standard_error_db for mean in means]), errors_db.mean()


def reverse_arrangements(levels_db):
    """Count pairs of 20 block means of which the earlier is the higher."""
    means = levels_db.reshape(20, -1).mean(axis=1)
    return sum(int(np.sum(means[i] > means[i + 1 :])) for i in range(19))


def test_ten_seconds_of_hunting_are_stated_rightly():
    """Without a beat 93-97 % of the stated 95 % intervals of a 10 s mean hold the truth."""
    rng = np.random.default_rng(51)
    share, bias_db = held(plain_mean, lambda: drawn_levels_db(rng, 10), 800)

    assert 0.93 <= share <= 0.97
    assert abs(bias_db) < 0.02


@pytest.mark.parametrize(
    ("depth_db", "period_s"), [(3.0, 2.0), (3.0, 8.0), (6.0, 8.0), (6.0, 20.0), (12.0, 3.0)]
)
def test_beating_breaks_a_plain_mean(depth_db, period_s):
    """Taken for hunting, a beat makes intervals far too wide, or biased ones far too narrow."""
    rng = np.random.default_rng(52)
    seconds = whole_beats_s(period_s, 10.0)
    share, _ = held(
        plain_mean,
        lambda: drawn_levels_db(rng, seconds, depth_db=depth_db, period_s=period_s),
        300,
    )

    assert not 0.93 <= share <= 0.975


@pytest.mark.parametrize(
    ("shortest_s", "longest_s"), [(0.15, 0.5), (0.5, 1.5), (1.5, 4.0), (4.0, 10.0), (10.0, 20.0)]
)
def test_whole_beats_repair_it(shortest_s, longest_s):
    """Over whole beats of 0.5-12 dB, in at least 10 s, 93-97 % of the intervals hold the truth."""
    rng = np.random.default_rng(53)
    errors_db, standard_errors_db = [], []
    for _ in range(700):
        period_s = rng.uniform(shortest_s, longest_s)
        levels = drawn_levels_db(
            rng, whole_beats_s(period_s, 10.0), depth_db=rng.uniform(0.5, 12), period_s=period_s
        )
        mean = mean_over_whole_beats(levels, all_of(levels), period_s)
        errors_db.append(mean.mean_db - TRUE_DB)
        standard_errors_db.append(mean.standard_error_db)

    assert 0.93 <= coverage(errors_db, standard_errors_db) <= 0.97
    assert abs(np.mean(errors_db)) < 0.03
    # What 10 to 20 s of hunting alone leave open.
    assert 0.12 < np.median(standard_errors_db) < 0.18


@pytest.mark.parametrize(("depth_db", "period_s"), [(2.0, 0.4), (3.0, 1.3), (6.0, 3.0)])
def test_the_beat_may_be_found_in_the_same_listening(depth_db, period_s):
    """With the period found in the same 15 s, 92-98 % of the intervals hold the truth."""
    rng = np.random.default_rng(54)

    def estimate(levels_db):
        usable = all_of(levels_db)
        beat = judge_steadiness(levels_db, usable).beat
        if beat is None:
            return plain_mean(levels_db)
        return mean_over_whole_beats(levels_db, usable, beat.period_s)

    share, bias_db = held(
        estimate, lambda: drawn_levels_db(rng, 15, depth_db=depth_db, period_s=period_s), 150
    )

    # 150 draws scatter by 1.8 %.
    assert 0.92 <= share <= 0.98
    assert abs(bias_db) < 0.05


@given(
    depth_db=st.floats(0.0, 20.0),
    period_s=st.floats(0.25, 20.0),
    phase=st.floats(0.0, 6.28),
    level_db=st.floats(-20.0, 100.0),
)
def test_a_beat_without_noise_has_the_level_of_its_energy(depth_db, period_s, phase, level_db):
    """Over whole beats the mean is that of the energy within 0.1 dB, wherever the beat begins."""
    count = round(10 * whole_beats_s(period_s, 10.0))
    time_s = 0.1 * (np.arange(count) + 0.5)
    levels = level_db + beat_db(time_s, depth_db, period_s, phase)
    mean = mean_over_whole_beats(levels, all_of(levels), period_s)

    assert mean.mean_db == pytest.approx(level_db, abs=0.1)


def test_gaps_do_not_tilt_the_mean():
    """With a quarter left out, whole beats still give 92-98 % of intervals that hold the truth."""
    rng = np.random.default_rng(55)
    errors_db, standard_errors_db = [], []
    for _ in range(400):
        levels = drawn_levels_db(rng, 16, depth_db=4.0, period_s=4.0)
        usable = with_gaps(rng, levels.size, 0.25)
        levels[~usable] = -np.inf
        mean = mean_over_whole_beats(levels, usable, 4.0)
        errors_db.append(mean.mean_db - TRUE_DB)
        standard_errors_db.append(mean.standard_error_db)

    assert 0.92 <= coverage(errors_db, standard_errors_db) <= 0.98


@pytest.mark.parametrize(("depth_db", "period_s"), [(3.0, 2.0), (3.0, 5.0), (6.0, 5.0)])
def test_crests_of_a_beat_are_no_intrusions(depth_db, period_s):
    """The gate alone leaves out crests; beside the beat it leaves out doors and nothing else."""
    rng = np.random.default_rng(62)
    alone_db, beside_db, crests, doors = [], [], [], []
    for _ in range(60):
        clean = drawn_levels_db(rng, 30, depth_db=depth_db, period_s=period_s)
        levels = clean.copy()
        start = rng.integers(50, 240)
        levels[start : start + 12] += 15.0
        usable = all_of(levels)
        beat = judge_steadiness(levels, usable).beat
        marked = find_intrusions_beside_beat(levels, usable, beat.period_s)
        doors.append(marked[start : start + 12].mean())
        crests.append(np.delete(marked, slice(start - 5, start + 17)).mean())
        for errors_db, kept in (
            (alone_db, ~find_intrusions(levels)),
            (beside_db, ~marked),
        ):
            errors_db.append(10 * np.log10(np.mean(10 ** (levels[kept] / 10))) - TRUE_DB)

    assert np.mean(doors) > 0.99
    assert np.mean(crests) < 0.03
    assert np.mean(alone_db) < -0.7
    assert abs(np.mean(beside_db)) < 0.1


@given(period_s=st.floats(0.05, 50.0), at_least_s=st.floats(0.1, 100.0))
def test_whole_beats_are_whole_and_enough(period_s, at_least_s):
    """The listening is a whole number of periods, enough, and not one more."""
    listening_s = whole_beats_s(period_s, at_least_s)
    beats = listening_s / period_s

    assert beats == pytest.approx(round(beats))
    assert listening_s >= at_least_s * (1 - 1e-6)
    assert listening_s < at_least_s + period_s or beats == pytest.approx(1)


@given(beats=st.integers(1, 200), tenths=st.integers(2, 200))
def test_whole_beats_are_not_rounded_up(beats, tenths):
    """What is a whole number of beats already stays as long as it is."""
    period_s = tenths / 10

    assert whole_beats_s(period_s, beats * period_s) == pytest.approx(beats * period_s)


@pytest.mark.parametrize("seconds", [15, 30, 60])
def test_trends_are_stated_rightly(seconds):
    """Of hunting levels that drift by -1 to 1 dB, 93-97 % of the 95 % intervals hold the drift."""
    rng = np.random.default_rng(56)
    errors_db, standard_errors_db = [], []
    for _ in range(400):
        drift_db = rng.uniform(-1, 1)
        levels = drawn_levels_db(rng, seconds, drift_db=drift_db)
        trend = find_trend(levels, all_of(levels))
        errors_db.append(trend.change_db - drift_db)
        standard_errors_db.append(trend.standard_error_db)

    assert 0.93 <= coverage(errors_db, standard_errors_db) <= 0.97
    assert abs(np.mean(errors_db)) < 0.05


def test_trends_beside_a_beat():
    """With its period known, a beat of 4 dB leaves 92-98 % of the intervals true."""
    rng = np.random.default_rng(57)
    errors_db, standard_errors_db = [], []
    for _ in range(300):
        levels = drawn_levels_db(rng, 30, drift_db=0.8, depth_db=4.0, period_s=7.0)
        trend = find_trend(levels, all_of(levels), beat_period_s=7.0)
        errors_db.append(trend.change_db - 0.8)
        standard_errors_db.append(trend.standard_error_db)

    assert 0.92 <= coverage(errors_db, standard_errors_db) <= 0.98


def test_a_trend_in_white_noise_is_that_of_ordinary_regression():
    """Where nothing hunts and that is known, slope and error are those of independent levels."""
    rng = np.random.default_rng(58)
    known = HuntingKnowledge()
    for _ in range(8):
        still = TRUE_DB + 0.3 * rng.standard_normal(600)
        known = known.learn(LevelBlocks.from_intervals(still, all_of(still), 0.3))
    levels = TRUE_DB + 0.3 * rng.standard_normal(600) + np.linspace(0.0, 1.5, 600)
    trend = find_trend(levels, all_of(levels), known)
    theirs = linregress(np.arange(600) / 600, levels)

    assert trend.change_db == pytest.approx(theirs.slope, abs=0.2 * theirs.stderr)
    assert theirs.stderr < trend.standard_error_db < 1.6 * theirs.stderr
    assert trend.slope_db_per_minute == pytest.approx(trend.change_db)
    assert trend.sure


def test_reverse_arrangements_agree():
    """Where block means are independent, a distribution-free test of 5 % agrees with the trend."""
    rng = np.random.default_rng(59)
    calm = drift = agreed = 0
    for _ in range(60):
        # 20 blocks of 6 s, far apart for hunting within half a second.
        still = drawn_levels_db(rng, 120, sd_db=0.3, tau_s=0.5)
        moved = still + np.linspace(0.0, 0.8, still.size)
        # Bendat and Piersol: of 20 values, 64 < A <= 125 accepts that there is no trend.
        calm += 64 < reverse_arrangements(still) <= 125
        drift += not 64 < reverse_arrangements(moved) <= 125
        agreed += find_trend(moved, all_of(moved)).sure
        agreed += not find_trend(still, all_of(still)).sure

    assert calm >= 54
    assert drift >= 57
    assert agreed >= 117


def test_steady_levels_are_called_steady():
    """Hunting alone is called unsteady in at most 2 of 100 listenings."""
    rng = np.random.default_rng(60)
    steady = 0
    for _ in range(150):
        levels = drawn_levels_db(rng, 20)
        steady += judge_steadiness(levels, all_of(levels)).steady

    assert steady >= 0.98 * 150


@pytest.mark.parametrize(
    ("what", "least"),
    [
        ({"drift_db": 2.0}, 0.95),
        ({"drift_db": -2.0}, 0.95),
        ({"depth_db": 2.0, "period_s": 1.3}, 0.98),
    ],
)
def test_unsteady_levels_are_called_unsteady(what, least):
    """A drift of 2 dB and a beat of 2 dB are seen within 30 s, and each is named what it is."""
    rng = np.random.default_rng(61)
    named = 0
    for _ in range(80):
        levels = drawn_levels_db(rng, 30, **what)
        judged = judge_steadiness(levels, all_of(levels))
        named += (judged.beat is not None) == ("depth_db" in what) and not judged.steady

    assert named / 80 >= least


@given(change_db=st.floats(-5.0, 5.0), level_db=st.floats(-20.0, 100.0), seconds=st.integers(6, 90))
def test_a_trend_without_noise_is_measured(change_db, level_db, seconds):
    """A straight line is read as it is, and backwards with its sign turned."""
    assume(abs(change_db) > 1e-3)
    levels = level_db + change_db * np.linspace(0.0, 1.0, 10 * seconds)
    there = find_trend(levels, all_of(levels))
    back = find_trend(levels[::-1], all_of(levels))

    # Means of a second in energy, not in decibels.
    assert there.change_db == pytest.approx(change_db, rel=0.02)
    assert back.change_db == pytest.approx(-change_db, rel=0.02)
    assert there.listened_s == pytest.approx(seconds)


def test_what_cannot_be_judged_is_refused():
    """Marks that do not fit, no whole beat, no beat at all, and too little to listen to."""
    levels = np.full(60, 40.0)
    with pytest.raises(SignalError, match="one mark for each level"):
        find_trend(levels, all_of(levels)[:-1])
    with pytest.raises(SignalError, match="listen longer"):
        find_trend(levels[:10], all_of(levels)[:10])
    with pytest.raises(SignalError, match=r"6\.0 s hold no whole beat of 7\.0 s; .* at least 7\.0"):
        mean_over_whole_beats(levels, all_of(levels), 7.0)
    with pytest.raises(SignalError, match="positive"):
        mean_over_whole_beats(levels, all_of(levels), 0.0)
    with pytest.raises(SignalError, match="positive"):
        find_intrusions_beside_beat(levels, all_of(levels), -1.0)
    with pytest.raises(SignalError, match="positive"):
        whole_beats_s(np.nan, 10.0)
    with pytest.raises(SignalError, match="listen longer"):
        mean_over_whole_beats(levels, np.zeros(60, dtype=bool), 2.0)
    with pytest.raises(SignalError, match="at least 5 s"):
        judge_steadiness(levels[:40], all_of(levels)[:40])
