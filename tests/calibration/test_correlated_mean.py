"""Means of correlated series against drawn series whose mean is known."""

import numpy as np
import pytest

from acoustic.errors import InputError
from calibration.correlated_mean import Settling, correlated_mean, resolution_uncertainty


def drawn(rng, count, memory, sd, white):
    """Draw a first-order wander of a memory, with white noise."""
    decay = np.exp(-1 / memory)
    steps = rng.standard_normal(count) * np.sqrt(1 - decay**2)
    series = [rng.standard_normal()]
    for step in steps[1:]:
        series.append(decay * series[-1] + step)
    return sd * np.array(series) + white * rng.standard_normal(count)


@pytest.mark.parametrize(("count", "memory"), [(25, 0.5), (60, 3.0), (200, 8.0)])
def test_intervals_hold_the_mean(count, memory):
    """95 of 100 intervals hold the mean, whether neighbours say the same or not."""
    rng = np.random.default_rng(5)
    held = []
    for _ in range(150):
        found = correlated_mean(7 + drawn(rng, count, memory, 0.3, 0.2), usual_memory=2.0)
        held.append(abs(found.mean - 7) < found.U95)

    # Three standard errors of 150 draws around 95 %, and a little more: few values never say all.
    assert 0.88 < np.mean(held) <= 1.0


def test_independent_values_have_the_interval_of_student():
    """White values give about the interval of the textbook."""
    values = np.random.default_rng(2).standard_normal(200)
    found = correlated_mean(values, usual_memory=0.5)

    assert found.mean == pytest.approx(values.mean(), abs=0.02)
    assert pytest.approx(1.972 * values.std(ddof=1) / np.sqrt(200), rel=0.25) == found.U95


def test_missing_values_change_little():
    """A fifth of the values missing moves the mean by less than its interval."""
    rng = np.random.default_rng(3)
    values = drawn(rng, 150, 3.0, 0.3, 0.1)
    holed = np.where(rng.random(150) < 0.2, np.nan, values)
    whole, found = (correlated_mean(each, usual_memory=3.0) for each in (values, holed))

    assert abs(found.mean - whole.mean) < whole.U95


def test_what_is_left_of_a_warm_up_is_taken_out():
    """A series that still falls by 1 K settles where it goes, which its plain mean does not."""
    rng = np.random.default_rng(4)
    values = 30 - np.exp(-np.arange(100) / 30) + 0.05 * rng.standard_normal(100)
    found = correlated_mean(values, usual_memory=1.0, settling=Settling(1.0, 25.0))

    assert found.mean == pytest.approx(30, abs=0.05)
    assert abs(found.mean - 30) < found.U95
    assert found.left == pytest.approx(-np.exp(-100 / 30), abs=0.03)


def test_a_constant_is_known_exactly():
    """Equal values leave nothing open."""
    assert correlated_mean(np.full(9, 21.5), usual_memory=1.0).U95 == 0.0


def test_too_few_values_are_refused():
    """Three values say nothing of their correlation."""
    with pytest.raises(InputError, match="3 values are too few"):
        correlated_mean(np.array([1.0, 2.0, np.nan, 3.0]), usual_memory=1.0)


def test_rounding_matters_only_where_nothing_moves():
    """The bound is a uniform error's where nothing moves, and gone from half a step of noise on."""
    rng = np.random.default_rng(6)
    for spread in (0.1, 0.3, 0.5):
        centres = rng.uniform(0, 1, 400)
        means = [np.round(c + spread * rng.standard_normal(20_000)).mean() - c for c in centres]
        assert np.std(means) == pytest.approx(
            resolution_uncertainty(1.0, spread), rel=0.15, abs=4e-3
        )
    assert resolution_uncertainty(0.0, 1.0) == 0.0
