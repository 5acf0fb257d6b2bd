"""Logs on clocks of their own, whose offset is known."""

from dataclasses import replace

import numpy as np
import pytest
from thermal_truth import RunPlan, simulated_log

from calibration.log_alignment import align_logs, taken_over
from calibration.run_log import RunLog
from service.simulation.catalogue import find_cooler

PLAN = RunPlan(find_cooler("Fjord 140"), seconds=900.0, idle_s=40.0)


def two_logs(plan, off_s, seed=1):
    """The temperature by one clock and the power by another one, `off_s` behind."""
    log = simulated_log(plan, np.random.default_rng(seed))
    blind = np.full(log.time_s.size, np.nan)
    power = RunLog(log.time_s - off_s, blind, None, log.power_w)
    return replace(log, power_w=None), power


@pytest.mark.parametrize("period_s", [0.0, 75.0])
@pytest.mark.parametrize("off_s", [-61.0, 0.0, 58.0, 3600.0])
def test_a_clock_is_brought_back_by_what_the_load_did(period_s, off_s):
    """The power is found in the temperature to the seconds that the die takes to follow it."""
    base, other = two_logs(replace(PLAN, period_s=period_s), off_s)
    # What the clock says is nearly right for a load that cycles, and a day off for a steady one.
    guess_s = off_s + 20.0 if period_s else 86_400.0
    found = align_logs(base, other, guess_s)

    assert found.by == "temperature and power"
    assert found.offset_s == pytest.approx(off_s + 1.5, abs=2.0)


def test_logs_that_have_nothing_in_common_go_by_their_clocks():
    """The air alone tells nothing: the clocks are believed, or nothing is."""
    base, _ = two_logs(PLAN, 0.0)
    rng = np.random.default_rng(2)
    time_s = np.arange(900.0)
    air = RunLog(time_s, np.full(900, np.nan), 23 + 0.1 * rng.standard_normal(900))
    noise = replace(air, power_w=100 + rng.standard_normal(900))

    assert align_logs(base, air, 5.0).offset_s == 5.0
    assert align_logs(base, air, 5.0).by is None
    assert align_logs(base, noise, 5.0).by is None
    assert align_logs(base, air, None) is None


def test_what_is_taken_over_has_gaps_where_the_log_has():
    """Between near neighbours the value is between theirs; in a gap and beyond it is missing."""
    other_s = np.r_[np.arange(0.0, 50.0, 5.0), np.arange(100.0, 150.0, 5.0)]
    read = taken_over(np.array([2.5, 70.0, 120.0, 160.0, 400.0]), other_s, 2 * other_s)

    assert read[[0, 2]].tolist() == [5.0, 240.0]
    assert np.isnan(read[[1, 4]]).all()
    assert np.isnan(taken_over(np.zeros(2), other_s, np.full(20, np.nan))).all()
