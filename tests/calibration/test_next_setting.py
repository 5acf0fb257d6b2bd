"""Beliefs whose best answer is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from calibration.fan_noise import Estimate
from calibration.next_setting import most_probable_speed, probability_within

SPEEDS = np.geomspace(500, 2500, 200)


@given(mean_db=st.floats(20, 60), sd_db=st.floats(0.01, 5), tolerance_db=st.floats(0.05, 2))
def test_probability_is_that_of_the_normal_distribution(mean_db, sd_db, tolerance_db):
    """The probability is the area of the belief inside the tolerance, as a library has it."""
    belief = norm(mean_db, sd_db)
    expected = belief.cdf(40 + tolerance_db) - belief.cdf(40 - tolerance_db)

    assert probability_within(Estimate(mean_db - 40.0, sd_db), tolerance_db) == pytest.approx(
        expected, abs=1e-12
    )


@pytest.mark.parametrize(("mean_db", "probability"), [(40.29, 1.0), (40.31, 0.0), (-np.inf, 0.0)])
def test_certainty_is_all_or_nothing(mean_db, probability):
    """A level that is known exactly is inside or outside; no sound at all is outside."""
    assert probability_within(Estimate(mean_db - 40.0, 0.0), 0.3) == pytest.approx(probability)


@given(crossing_rpm=st.floats(520, 2400), exponent=st.floats(30, 70))
def test_the_crossing_itself_is_given(crossing_rpm, exponent):
    """With equal doubt everywhere the speed at which the mean meets the target is the best."""
    mean_db = 40 + exponent * np.log10(SPEEDS / crossing_rpm)
    found = most_probable_speed(SPEEDS, mean_db, np.full(SPEEDS.size, 0.4), 40.0, 0.3)

    assert found == pytest.approx(crossing_rpm, rel=1e-3)


def test_the_surer_of_two_crossings_is_taken():
    """Where a hump crosses the target three times, the crossing that is known best wins."""
    mean_db = 40 + 5 * np.sin(np.linspace(-0.5, 2.5 * np.pi, SPEEDS.size))
    sd_db = np.full(SPEEDS.size, 2.0)
    middle = int(np.argmin(np.abs(np.linspace(-0.5, 2.5 * np.pi, SPEEDS.size) - np.pi)))
    sd_db[middle - 5 : middle + 5] = 0.2
    found = most_probable_speed(SPEEDS, mean_db, sd_db, 40.0, 0.3)

    assert found == pytest.approx(SPEEDS[middle], rel=0.01)


@pytest.mark.parametrize(("target_db", "expected"), [(80.0, 2500.0), (0.0, 500.0)])
def test_a_target_out_of_reach_leads_to_the_end(target_db, expected):
    """Too loud and too quiet targets lead to full and to the lowest speed."""
    mean_db = 40 + 55 * np.log10(SPEEDS / 1000)

    assert most_probable_speed(
        SPEEDS, mean_db, np.full(SPEEDS.size, 0.5), target_db, 0.3
    ) == pytest.approx(expected)


@pytest.mark.parametrize("target_db", [20.0, 5.0, 60.0, 90.0])
def test_the_least_known_speed_does_not_lure(target_db):
    """Far out of reach the nearest end is taken, although something else is known less."""
    mean_db = 40 + 30 * np.log10(SPEEDS / 1000)
    sd_db = np.full(SPEEDS.size, 0.2)
    sd_db[80:120] = 3.0
    sd_db[-20:] = 3.0 if target_db < 40 else 0.2
    end = 500.0 if target_db < 40 else 2500.0

    assert most_probable_speed(SPEEDS, mean_db, sd_db, target_db, 0.3) == pytest.approx(end)


@given(
    seed=st.integers(0, 2**32 - 1), target_db=st.floats(-50, 150), tolerance_db=st.floats(0.05, 3)
)
def test_the_answer_is_one_of_the_candidates_or_between_two(seed, target_db, tolerance_db):
    """Whatever is believed, the speed lies in the range asked about."""
    rng = np.random.default_rng(seed)
    found = most_probable_speed(
        SPEEDS, rng.normal(40, 20, 200), rng.uniform(0, 10, 200), target_db, tolerance_db
    )

    assert 500 * (1 - 1e-9) <= found <= 2500 * (1 + 1e-9)


def test_a_crossing_is_gone_to_rather_than_a_speed_that_only_comes_near():
    """A level that turns back just over the target is left for one that goes through it."""
    rpm = np.linspace(700.0, 900.0, 201)
    mean_db = np.where(rpm < 780.0, 37.0 + 0.07 * (rpm - 700.0), 42.6 - 0.0275 * (rpm - 780.0))
    mean_db = np.where(rpm > 860.0, 40.4 + 0.03 * (rpm - 860.0), mean_db)
    sd_db = np.where(rpm < 770.0, 1.0, 0.2)

    best = most_probable_speed(rpm, mean_db, sd_db, 40.0, 0.3)

    assert best == pytest.approx(700.0 + 3.0 / 0.07, abs=1.0)
