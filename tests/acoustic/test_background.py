"""Background corrections against the standard's values and against adding sounds up."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.background import (
    LEAST_DIFFERENCE_DB,
    background_correction_db,
    total_of_bands,
    without_background,
)
from acoustic.decibels import energy_sum_db
from acoustic.errors import InputError
from acoustic.standard_tables import BACKGROUND_CORRECTIONS_DB


@pytest.mark.parametrize(("difference_db", "correction_db"), BACKGROUND_CORRECTIONS_DB.items())
def test_correction_is_that_of_the_standard(difference_db, correction_db):
    """K1 matches the printed values."""
    # Printed to 0.01 dB.
    assert background_correction_db(difference_db) == pytest.approx(correction_db, abs=0.0051)


@given(source_db=st.floats(-20, 120), below_db=st.floats(-2.9, 60))
def test_subtracting_undoes_adding(source_db, below_db):
    """Source plus background less background is the source, while the difference is enough."""
    background_db = source_db - below_db
    together_db = energy_sum_db([source_db, background_db])
    result = without_background(together_db, background_db, least_difference_db=1.0)

    assert result.level_db == pytest.approx(source_db, abs=1e-6)
    assert not result.upper_bound


@given(
    background_db=st.floats(0, 60),
    source_below_db=st.floats(0, 40),
    grade=st.sampled_from(sorted(LEAST_DIFFERENCE_DB)),
)
def test_a_bound_is_never_below_the_source(background_db, source_below_db, grade):
    """A source at or under its background is reported as a bound that it does not exceed."""
    source_db = background_db - source_below_db - 0.1
    together_db = energy_sum_db([source_db, background_db])
    least_db = LEAST_DIFFERENCE_DB[grade]
    result = without_background(together_db, background_db, least_difference_db=least_db)

    # Equal levels make 3.01 dB together: just above the least difference of the survey grade.
    assert result.upper_bound
    assert result.level_db >= source_db
    assert result.correction_db == pytest.approx(background_correction_db(least_db))


def test_bands_are_corrected_one_by_one():
    """Each band has its own correction and its own verdict."""
    result = without_background(
        np.array([50.0, 43.0, 30.0]), np.array([30.0, 40.0, 30.0]), least_difference_db=6.0
    )

    assert result.upper_bound.tolist() == [False, True, True]
    assert result.level_db == pytest.approx([49.96, 43.0 - 1.26, 30.0 - 1.26], abs=0.005)


def test_silent_background_and_silent_source():
    """Without background nothing is subtracted; silence stays silent and is a bound."""
    result = without_background([40.0, -np.inf], [-np.inf, 20.0], least_difference_db=6.0)

    assert result.level_db[0] == 40.0
    assert np.isneginf(result.level_db[1])
    assert result.upper_bound.tolist() == [False, True]


def test_a_total_is_a_bound_only_if_its_bounds_matter():
    """A bound far below the rest does not spoil the total; one near it does."""
    weak = without_background([50.0, 30.0], [20.0, 29.0], least_difference_db=6.0)
    strong = without_background([50.0, 48.0], [20.0, 47.0], least_difference_db=6.0)
    every = without_background([50.0, 48.0], [50.0, 47.0], least_difference_db=6.0)

    assert not total_of_bands(weak, np.zeros(2)).upper_bound
    assert total_of_bands(strong, np.zeros(2)).upper_bound
    assert total_of_bands(every, np.zeros(2)).upper_bound
    # The weighting decides what matters.
    assert not total_of_bands(strong, np.array([0.0, -20.0])).upper_bound
    assert total_of_bands(weak, np.array([-10.0, -90.0])).level_db == pytest.approx(40, abs=0.01)


def test_unusable_input_is_refused():
    """A missing level and a senseless limit are errors."""
    with pytest.raises(InputError, match="above 0 dB"):
        without_background(40.0, 30.0, least_difference_db=0.0)
    with pytest.raises(InputError, match="missing"):
        without_background(np.nan, 30.0, least_difference_db=3.0)
