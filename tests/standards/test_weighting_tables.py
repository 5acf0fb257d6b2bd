"""The definition of the weightings and the filters, judged by the standard's table."""

import numpy as np
import pytest

from acoustic.frequency_weighting import a_weighting_db, c_weighting_db, weighting_filters
from acoustic.standard_tables import FREQUENCY_WEIGHTINGS

EXACT_HZ = {
    goal.nominal_hz: 1000.0 * 10.0 ** (round(10 * np.log10(goal.nominal_hz / 1000.0)) / 10)
    for goal in FREQUENCY_WEIGHTINGS
}


@pytest.mark.parametrize("goal", FREQUENCY_WEIGHTINGS, ids=lambda goal: f"{goal.nominal_hz} Hz")
def test_definition_reproduces_the_table(goal):
    """At exact frequencies both weightings round to every tabulated goal."""
    exact_hz = EXACT_HZ[goal.nominal_hz]

    # The table is rounded to 0.1 dB.
    assert a_weighting_db(exact_hz) == pytest.approx(goal.A_db, abs=0.0501)
    assert c_weighting_db(exact_hz) == pytest.approx(goal.C_db, abs=0.0501)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
@pytest.mark.parametrize("goal", FREQUENCY_WEIGHTINGS, ids=lambda goal: f"{goal.nominal_hz} Hz")
def test_filters_are_class_1_over_the_whole_range(goal, rate_hz):
    """Both filters keep the class 1 limits at every tabulated frequency and common rate."""
    filters = weighting_filters(rate_hz)
    exact_hz = [EXACT_HZ[goal.nominal_hz]]

    for weighting, goal_db in (("A", goal.A_db), ("C", goal.C_db)):
        deviation_db = filters.response_db(exact_hz, weighting)[0] - goal_db
        assert goal.class_1.lower_db <= deviation_db <= goal.class_1.upper_db
