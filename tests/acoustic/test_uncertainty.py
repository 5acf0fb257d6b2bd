"""Stated intervals against drawn levels whose long-term mean is known."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from acoustic.errors import SignalError
from acoustic.uncertainty import HuntingKnowledge, LevelBlocks

TRUE_DB = 40.0
WHITE_SD_DB = 0.3


def hunting_levels_db(rng, seconds, sd_db, tau_s, white_sd_db=WHITE_SD_DB):
    """Draw 100 ms levels: a first-order wander of known size and time constant plus white noise."""
    count = round(10 * seconds)
    decay = np.exp(-0.1 / tau_s)
    drive = np.sqrt(1 - decay**2) * rng.standard_normal(count)
    drive[0] = rng.standard_normal()
    return (
        TRUE_DB
        + sd_db * lfilter([1.0], [1.0, -decay], drive)
        + white_sd_db * rng.standard_normal(count)
    )


def blocks_of(levels_db, white_sd_db=WHITE_SD_DB):
    """Gather levels that all count."""
    return LevelBlocks.from_intervals(levels_db, np.ones(levels_db.size, dtype=bool), white_sd_db)


def coverage(deviations, standard_errors):
    """Share of stated 95 % intervals that hold the truth."""
    return np.mean(np.abs(deviations) <= 1.96 * np.asarray(standard_errors))


@pytest.mark.parametrize(("shortest_s", "longest_s"), [(6, 12), (12, 24), (24, 40)])
def test_stated_intervals_hold_where_independent_blocks_would_not(shortest_s, longest_s):
    """Over fans that hunt by 0.1-0.4 dB in 1-5 s, 92-98 % of the 95 % intervals hold the truth."""
    rng = np.random.default_rng(11)
    ours, our_errors, naive, naive_errors = [], [], [], []
    for _ in range(300):
        seconds = int(rng.integers(shortest_s, longest_s + 1))
        levels = hunting_levels_db(rng, seconds, rng.uniform(0.1, 0.4), rng.uniform(1, 5))
        mean = HuntingKnowledge().mean(blocks_of(levels))
        ours.append(mean.mean_db - TRUE_DB)
        our_errors.append(mean.standard_error_db)
        # The textbook's deviation over root n, as if seconds were independent.
        by_second = levels.reshape(-1, 10).mean(axis=1)
        naive.append(by_second.mean() - TRUE_DB)
        naive_errors.append(by_second.std(ddof=1) / np.sqrt(seconds))

    assert 0.92 <= coverage(ours, our_errors) <= 0.98
    assert coverage(naive, naive_errors) < 0.7


@pytest.mark.parametrize("visits", [1, 3, 6])
def test_intervals_hold_with_what_earlier_settings_taught(visits):
    """Knowledge pooled over earlier settings of the fan keeps 92-98 % of the intervals true."""
    rng = np.random.default_rng(12)
    deviations, errors = [], []
    for _ in range(250):
        sd_db, tau_s = rng.uniform(0.1, 0.4), rng.uniform(1, 5)
        known = HuntingKnowledge()
        for _ in range(visits):
            known = known.learn(blocks_of(hunting_levels_db(rng, 6, sd_db, tau_s)))
        mean = known.mean(blocks_of(hunting_levels_db(rng, 12, sd_db, tau_s)))
        deviations.append(mean.mean_db - TRUE_DB)
        errors.append(mean.standard_error_db)

    assert 0.92 <= coverage(deviations, errors) <= 0.98


def test_a_still_fan_is_learned_to_be_still():
    """After much listening to a fan that does not hunt, its interval nears that of white noise."""
    rng = np.random.default_rng(13)
    known = HuntingKnowledge()
    for _ in range(6):
        known = known.learn(blocks_of(hunting_levels_db(rng, 20, 0.0, 1.0)))
    fresh = HuntingKnowledge().mean(blocks_of(hunting_levels_db(rng, 20, 0.0, 1.0)))
    taught = known.mean(blocks_of(hunting_levels_db(rng, 20, 0.0, 1.0)))
    white = WHITE_SD_DB / np.sqrt(200)  # the least that 200 intervals of white noise allow

    assert taught.standard_error_db < fresh.standard_error_db
    assert white < taught.standard_error_db < 2 * white
    assert taught.wander_sd_db < 0.1


@pytest.mark.parametrize("sd_db", [0.2, 0.4])
def test_the_size_of_the_hunting_is_learned(sd_db):
    """Five minutes of listening tell the size of the hunting within a quarter."""
    rng = np.random.default_rng(14)
    known = HuntingKnowledge()
    for _ in range(10):
        known = known.learn(blocks_of(hunting_levels_db(rng, 30, sd_db, 2.4)))
    mean = known.mean(blocks_of(hunting_levels_db(rng, 30, sd_db, 2.4)))

    assert mean.wander_sd_db == pytest.approx(sd_db, rel=0.25)


def test_hunting_makes_seconds_worth_less():
    """Of 20 s of a slow wander only a few are independent, of white noise more."""
    rng = np.random.default_rng(15)
    still, slow = HuntingKnowledge(), HuntingKnowledge()
    for _ in range(6):
        still = still.learn(blocks_of(hunting_levels_db(rng, 20, 0.0, 1.0)))
        slow = slow.learn(blocks_of(hunting_levels_db(rng, 20, 0.4, 4.0)))
    few = slow.mean(blocks_of(hunting_levels_db(rng, 20, 0.4, 4.0))).effective_blocks
    many = still.mean(blocks_of(hunting_levels_db(rng, 20, 0.0, 1.0))).effective_blocks

    # 20 s hold about 20 / (2 tau) independent values of an exponential correlation.
    assert 1 <= few < 6 < many


def test_longer_listening_is_surer():
    """The standard error falls with every doubling of the listening."""
    rng = np.random.default_rng(16)
    errors = [
        np.mean(
            [
                HuntingKnowledge()
                .mean(blocks_of(hunting_levels_db(rng, seconds, 0.2, 2.0)))
                .standard_error_db
                for _ in range(30)
            ]
        )
        for seconds in (3, 6, 12, 24, 48)
    ]

    assert (np.diff(errors) < 0).all()


def test_an_hour_is_no_burden():
    """Listening for an hour costs little memory, and its interval still holds."""
    rng = np.random.default_rng(17)
    blocks = blocks_of(hunting_levels_db(rng, 3600, 0.3, 3.0))
    tracemalloc.start()
    mean = HuntingKnowledge().mean(blocks)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # An exponential correlation of tau leaves T / (2 tau) independent values, white noise T / 0.1.
    expected = np.hypot(0.3 * np.sqrt(2 * 3.0 / 3600), WHITE_SD_DB / np.sqrt(36_000))

    # Candidate sizes and time constants lie a factor of 1.4 to 2 apart.
    assert mean.standard_error_db == pytest.approx(expected, rel=0.4)
    assert abs(mean.mean_db - TRUE_DB) < 2.6 * mean.standard_error_db
    assert peak_bytes < 100e6


@settings(max_examples=60)
@given(levels=st.lists(st.floats(-20, 120), min_size=4, max_size=100), shift_db=st.floats(-50, 50))
def test_any_levels_have_a_finite_mean_within_them(levels, shift_db):
    """The mean lies among the blocks, is finite, and moves with the levels."""
    blocks = blocks_of(np.array(levels), 0.3)
    mean = HuntingKnowledge().mean(blocks)
    moved = HuntingKnowledge().mean(blocks_of(np.array(levels) + shift_db, 0.3))

    assert 0 < mean.standard_error_db < np.inf
    assert blocks.levels_db.min() - 1e-6 <= mean.mean_db <= blocks.levels_db.max() + 1e-6
    assert moved.mean_db == pytest.approx(mean.mean_db + shift_db, abs=1e-6)
    assert 1e-9 < mean.effective_blocks <= blocks.levels_db.size


def test_blocks_are_energy_means_of_what_counts():
    """Each second is the energy mean of its usable intervals, its noise that of their number."""
    levels = np.concatenate([np.full(10, 60.0), np.tile([60.0, 70.0], 5), np.full(10, 50.0)])
    usable = np.ones(30, dtype=bool)
    usable[20:26] = False
    blocks = LevelBlocks.from_intervals(levels, usable, 0.3)

    # (1 + 10) / 2 times the energy of 60 dB is 67.40 dB.
    assert blocks.levels_db == pytest.approx([60.0, 67.404, 50.0], abs=1e-3)
    assert blocks.white_sd_db == pytest.approx([0.3 / 10**0.5, 0.3 / 10**0.5, 0.3 / 2])
    assert blocks.index.tolist() == [0, 1, 2]


def test_a_second_with_less_than_four_usable_intervals_is_left_out():
    """Blocks keep their place in time when one between them is missing."""
    usable = np.ones(35, dtype=bool)
    usable[10:17] = False
    blocks = LevelBlocks.from_intervals(np.full(35, 40.0), usable, 0.3)

    assert blocks.index.tolist() == [0, 2, 3]


def test_nothing_usable_has_no_mean():
    """Without one usable second there is no mean, and nothing to learn."""
    nothing = LevelBlocks.from_intervals(np.full(30, 40.0), np.zeros(30, dtype=bool), 0.3)
    known = HuntingKnowledge()

    assert known.learn(nothing) is known
    assert known.learn(blocks_of(np.full(10, 40.0))) is known
    with pytest.raises(SignalError, match="listen longer"):
        known.mean(nothing)


def test_a_noise_free_level_is_itself():
    """A simulation without any noise reads its level."""
    mean = HuntingKnowledge().mean(blocks_of(np.full(100, 40.0), 0.0))

    assert mean.mean_db == pytest.approx(40.0, abs=1e-9)
    assert 0 < mean.standard_error_db < 0.1


def test_courses_are_fitted_beside_the_hunting():
    """Of a known step 92-98 % of the 95 % intervals hold the size; no course leaves the mean."""
    rng = np.random.default_rng(18)
    errors, standard_errors = [], []
    step = np.repeat([-0.5, 0.5], 12)[:, None]
    for _ in range(250):
        levels = hunting_levels_db(rng, 24, rng.uniform(0.1, 0.4), rng.uniform(1, 5))
        levels += 0.7 * np.repeat(step[:, 0], 10)
        fitted = HuntingKnowledge().fit(blocks_of(levels), step)
        errors.append(fitted.coefficients_db[1] - 0.7)
        standard_errors.append(fitted.covariance_db2[1, 1] ** 0.5)
    blocks = blocks_of(levels)
    bare, mean = HuntingKnowledge().fit(blocks, step[:, :0]), HuntingKnowledge().mean(blocks)

    assert 0.92 <= coverage(errors, standard_errors) <= 0.98
    assert bare.coefficients_db == pytest.approx([mean.mean_db])
    assert bare.covariance_db2**0.5 == pytest.approx(mean.standard_error_db)


def test_more_courses_than_seconds_are_refused():
    """Two seconds do not tell a level and two courses."""
    with pytest.raises(SignalError, match="2 usable seconds are too few for 3 unknowns"):
        HuntingKnowledge().fit(blocks_of(np.full(20, 40.0)), np.eye(2))
