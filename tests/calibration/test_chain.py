"""The budget of the chain against sums worked out by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.chain import chain_budget, chain_uncertainty


@pytest.mark.parametrize(
    ("calibration_db", "drift_db", "absolute_db", "comparative_db"),
    [
        # 2 sqrt(0.15^2 + 0.3^2 + 0 + 0.1^2) = 0.700; 2 sqrt(2) 0.1 = 0.283
        (0.3, 0.0, 0.700, 0.283),
        # drift u = 0.2 / sqrt(3) = 0.1155: the alarm level stands in for one that was not measured
        (0.3, None, 0.737, 0.432),
        (0.3, 0.2, 0.737, 0.432),
        (0.3, -0.2, 0.737, 0.432),
        # drift u = 0.2887
        (0.8, 0.5, 1.172, 0.864),
    ],
)
def test_budget_by_hand(calibration_db, drift_db, absolute_db, comparative_db):
    """Root sums of squares with k = 2, a rectangular drift, and what is shared left out between."""
    chain = chain_uncertainty(calibration_db, drift_db)

    assert chain.U95_absolute_db == pytest.approx(absolute_db, abs=6e-4)
    assert chain.U95_comparative_db == pytest.approx(comparative_db, abs=6e-4)


@given(calibration_db=st.floats(0, 2), more_db=st.floats(0.01, 1), drift_db=st.floats(-0.5, 0.5))
def test_the_calibrator_cancels_between_coolers(calibration_db, more_db, drift_db):
    """A worse calibrator widens absolute levels and leaves comparisons alone."""
    good = chain_uncertainty(calibration_db, drift_db)
    worse = chain_uncertainty(calibration_db + more_db, drift_db)

    assert worse.U95_absolute_db > good.U95_absolute_db
    assert worse.U95_comparative_db == good.U95_comparative_db


def test_a_difference_holds_each_coolers_own_part_twice():
    """A simulated pair of coolers through one chain differs as the comparative interval says."""
    rng = np.random.default_rng(1)
    draws = 200_000
    shared = rng.normal(0, 0.15, draws) + rng.normal(0, 0.3, draws)
    own = [rng.uniform(-0.3, 0.3, draws) + rng.normal(0, 0.1, draws) + shared for _ in range(2)]
    chain = chain_uncertainty(0.3, 0.3)

    assert 2 * np.std(own[0]) == pytest.approx(chain.U95_absolute_db, rel=0.01)
    assert 2 * np.std(own[0] - own[1]) == pytest.approx(chain.U95_comparative_db, rel=0.01)


def test_the_budget_can_be_shown():
    """The rows of the table name every part with its share, and end with the stated interval."""
    rows = chain_budget(0.3, 0.2).rows(coverage_factor=2.0)

    assert [(row.name, row.contribution) for row in rows] == [
        ("calibration", "0.150"),
        ("response and field", "0.300"),
        ("drift", "0.115"),
        ("placing", "0.100"),
        ("combined", "0.369"),
        ("expanded, k = 2.00", "0.737"),
    ]
