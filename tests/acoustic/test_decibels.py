"""Level arithmetic against closed forms and an independent library."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.decibels import (
    REFERENCE_PRESSURE_PA,
    energy_mean_db,
    energy_sum_db,
    level_db,
    mean_square_pa2,
)

LEVELS_DB = st.lists(st.floats(-60, 160), min_size=1, max_size=20)


@pytest.mark.parametrize(
    ("pressure_pa", "expected_db"),
    [
        (20e-6, 0.0),  # the reference itself (IEC 61672-1)
        (1.0, 93.979),  # 20 lg(1 / 20e-6)
        (0.1, 73.979),
        (2.0, 100.0),
        (20.0, 120.0),
    ],
)
def test_level_of_known_pressures(pressure_pa, expected_db):
    """Root mean square pressures whose level is known read that level."""
    assert level_db(pressure_pa**2) == pytest.approx(expected_db, abs=5e-4)  # as printed
    assert mean_square_pa2(expected_db) == pytest.approx(pressure_pa**2, rel=2e-4)


def test_silence_reads_minus_infinity_without_a_warning():
    """Exact silence has the level -inf, alone and inside an array."""
    assert level_db(0.0) == -np.inf
    assert level_db(np.array([0.0, REFERENCE_PRESSURE_PA**2])).tolist() == [-np.inf, 0.0]
    assert mean_square_pa2(-np.inf) == 0.0


def test_scalars_stay_scalars_and_arrays_keep_their_shape():
    """A float gives a float, and an array gives an array of its shape."""
    assert type(level_db(1.0)) is float
    assert type(mean_square_pa2(94.0)) is float
    assert level_db(np.ones((2, 3))).shape == (2, 3)
    assert mean_square_pa2(np.zeros((4, 1))).shape == (4, 1)


@given(level=st.floats(-60, 160))
def test_level_and_mean_square_undo_each_other(level):
    """Turning a level into a mean square and back gives the level."""
    assert level_db(mean_square_pa2(level)) == pytest.approx(level, abs=1e-9)


@given(level=st.floats(-60, 160), count=st.integers(1, 1000))
def test_equal_sources_add_ten_lg_of_their_number(level, count):
    """N equal uncorrelated sounds are 10 lg N louder than one, and their mean is one of them."""
    levels = np.full(count, level)

    assert energy_sum_db(levels) == pytest.approx(level + 10 * np.log10(count), abs=1e-9)
    assert energy_mean_db(levels) == pytest.approx(level, abs=1e-9)


@given(levels=LEVELS_DB, seed=st.integers(0, 99))
def test_order_does_not_matter(levels, seed):
    """Energy sums and means commute."""
    shuffled = np.random.default_rng(seed).permutation(levels)

    assert energy_sum_db(shuffled) == pytest.approx(energy_sum_db(levels), abs=1e-9)
    assert energy_mean_db(shuffled) == pytest.approx(energy_mean_db(levels), abs=1e-9)


@given(levels=LEVELS_DB)
def test_sums_and_means_agree_with_an_independent_library(independent, levels):
    """The acoustics package sums and averages the same levels to the same result."""
    decibel = independent("decibel")

    assert energy_sum_db(levels) == pytest.approx(decibel.dbsum(levels), abs=1e-9)
    assert energy_mean_db(levels) == pytest.approx(decibel.dbmean(levels), abs=1e-9)


def test_silent_sounds_add_nothing():
    """Silence leaves a sum alone, and no sound at all sums to silence."""
    assert energy_sum_db([50.0, -np.inf]) == pytest.approx(50.0, abs=1e-12)
    assert energy_sum_db([-np.inf, -np.inf]) == -np.inf
    assert energy_sum_db([]) == -np.inf
    assert energy_mean_db([-np.inf]) == -np.inf
    # Half the time silent is half the energy.
    assert energy_mean_db([50.0, -np.inf]) == pytest.approx(50.0 - 10 * np.log10(2), abs=1e-9)
