"""Budgets in documents: rows and back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.budget import Budget, Component
from acoustic.errors import InputError
from service.documents.budget import budget_from, rows_of

COMPONENTS = st.builds(
    Component,
    st.text(min_size=1, max_size=8),
    st.floats(0.0, 5.0),
    st.sampled_from(["normal", "rectangular", "triangular", "U-shaped"]),
    st.floats(-3.0, 3.0),
    st.one_of(st.just(np.inf), st.floats(1.0, 100.0)),
    st.sampled_from([0.0, 1.0]),
)


@given(st.lists(COMPONENTS, min_size=1, max_size=6, unique_by=lambda part: part.name))
def test_rows_stand_for_the_same_budget(parts):
    """Written into rows and read back, a budget has the same parts to what is rounded."""
    budget = Budget(tuple(parts))
    again = budget_from(rows_of(budget))

    for part, read in zip(budget.components, again.components, strict=True):
        assert (read.name, read.distribution, read.correlation) == (
            part.name,
            part.distribution,
            part.correlation,
        )
        assert read.contribution_db == pytest.approx(part.contribution_db, abs=5e-5)
        assert read.degrees_of_freedom == pytest.approx(part.degrees_of_freedom, abs=0.051)


def test_lists_are_put_together():
    """Rows of a level and of a chain make one budget, unless they name the same thing."""
    own, chain = rows_of(Budget((Component("a", 0.3),))), rows_of(Budget((Component("b", 0.4),)))

    assert budget_from(own, chain).combined_db == pytest.approx(0.5)
    with pytest.raises(InputError, match="'a' 2 times"):
        budget_from(own, own)
