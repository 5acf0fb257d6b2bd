"""Rises of simulated runs whose steady state is known."""

from dataclasses import replace

import numpy as np
import pytest
from thermal_truth import RunPlan, any_plan, simulated_log, true_rise_k

from acoustic.errors import InputError
from calibration.power_cycles import find_phases
from calibration.run_log import RunLog, blocked, cleaned
from calibration.temperature_rise import evaluate_run
from service.simulation.catalogue import find_cooler

FJORD = find_cooler("Fjord 140")
STEADY = RunPlan(FJORD, ambient_drift_k=2.0, spikes=4, gaps=2)
CYCLING = replace(STEADY, period_s=75.0, rate_hz=5.0)


def evaluated(plan, seed, **changed):
    """Draw a run and evaluate it."""
    return evaluate_run(replace(simulated_log(plan, np.random.default_rng(seed)), **changed))


@pytest.mark.parametrize("plan", [STEADY, CYCLING], ids=["steady", "cycling"])
def test_the_rise_is_right_in_spite_of_drift_gaps_and_spikes(plan):
    """A room that drifts by 2 K, gaps and spikes leave the rise within 0.3 K and its interval."""
    result = evaluated(plan, 11)
    truth = true_rise_k(plan)

    assert result.rise.mean == pytest.approx(truth, abs=0.3)
    assert abs(result.rise.mean - truth) < result.rise.U95 < 0.6
    assert result.phases.cycling == bool(plan.period_s)
    assert result.power is not None
    assert result.power.mean == pytest.approx(plan.load_w, rel=0.02)
    assert result.resistance.mean == pytest.approx(truth / plan.load_w, rel=0.015)
    assert len(result.mended) == 2
    assert result.flags == ()


def test_cycles_are_found_in_the_temperature_alone():
    """Without a power the temperature tells the phases."""
    result = evaluated(CYCLING, 12, power_w=None)

    assert result.phases.period_s == pytest.approx(75.0, abs=1.0)
    assert result.rise.mean == pytest.approx(true_rise_k(CYCLING), abs=0.3)
    assert result.power is None
    assert result.resistance is None


def test_random_runs_come_out_right():
    """Of random runs all are within half a kelvin, and nearly all intervals hold."""
    rng = np.random.default_rng(21)
    held = []
    for _ in range(12):
        plan = any_plan(rng)
        result = evaluate_run(simulated_log(plan, rng))
        off_k = result.rise.mean - true_rise_k(plan)
        held.append(abs(off_k) < result.rise.U95)
        assert abs(off_k) < 0.5

    assert sum(held) >= 10


def test_the_highest_ten_seconds_are_the_highest():
    """A plateau of 12 s in an otherwise steady log is what the highest 10 s are."""
    time_s = np.arange(1200.0)
    rise_k = np.where((time_s > 700) & (time_s <= 712), 41.0, 40.0)
    rise_k = rise_k + 0.01 * np.random.default_rng(1).standard_normal(1200)
    result = evaluate_run(RunLog(time_s, 20 + rise_k, np.full(1200, 20.0)))

    assert result.highest_10_s_k == pytest.approx(41.0, abs=0.02)


def test_a_run_that_was_stopped_while_warming_up_says_so():
    """A run that ends in its warm-up is flagged."""
    plan = replace(STEADY, cooler=find_cooler("Estuary 360"), seconds=240.0, speed_share=0.4)

    assert any("had not settled" in flag for flag in evaluated(plan, 3).flags)


def test_speeds_that_were_not_held_and_air_that_changed_are_flagged():
    """A fan that hunts by 5 % and a room that warms up by 5 K are named."""
    log = simulated_log(replace(STEADY, ambient_drift_k=5.0), np.random.default_rng(4))
    rpm = 1000 + 70 * np.sin(log.time_s / 50)
    flags = evaluate_run(replace(log, rpm={"fan": rpm})).flags

    assert any("speed of the fan varied by" in flag for flag in flags)
    assert any("air changed by" in flag for flag in flags)


def test_idle_before_and_after_does_not_count():
    """Idle time around a steady load is left out by its power."""
    power_w = np.r_[np.full(60, 20.0), np.full(600, 120.0), np.full(100, 20.0)]
    phases = find_phases(power_w, 1.0, is_power=True)

    assert (phases.from_s, phases.to_s, phases.cycling) == (60.0, 660.0, False)


def test_cycles_of_another_length_are_left_out():
    """One pause of double length is no cycle, and the others count."""
    cycle = np.r_[np.full(40, 100.0), np.full(20, 30.0)]
    power_w = np.r_[np.tile(cycle, 5), np.full(60, 30.0), np.tile(cycle, 5)]
    phases = find_phases(power_w + 0.0, 1.0, is_power=True)

    assert phases.period_s == 60.0
    assert phases.left_out == 1
    assert len(phases.cycles) == 7


def test_a_clock_that_is_never_quite_on_the_second_loses_nothing():
    """One row a second, a few milliseconds early or late: every block has its row."""
    rng = np.random.default_rng(2)
    time_s = np.arange(500) + rng.uniform(-0.2, 0.2, 500)
    run = blocked(RunLog(time_s - time_s[0], np.full(500, 60.0)))

    assert np.isfinite(run.columns["processor_c"]).mean() > 0.99


def test_a_step_of_the_load_is_no_spike():
    """A load that goes on stays; a sample that leaves and comes back goes."""
    power_w = np.r_[np.full(50, 20.0), np.full(50, 120.0)]
    power_w[[20, 80]] = 500.0
    log = RunLog(np.arange(100.0), np.full(100, 40.0), np.full(100, 20.0), power_w)
    clean, counts = cleaned(log)

    assert counts == {"power_w": 2}
    assert np.flatnonzero(np.isnan(clean.power_w)).tolist() == [20, 80]


def test_what_is_missing_is_said():
    """A run without air, or far too short, is refused."""
    time_s = np.arange(5.0)
    with pytest.raises(InputError, match="no temperature of the air"):
        evaluate_run(RunLog(time_s, np.full(5, 40.0)))
    with pytest.raises(InputError, match="too short"):
        evaluate_run(RunLog(time_s, np.full(5, 40.0), np.full(5, 20.0)))
    with pytest.raises(InputError, match="each after the one before"):
        RunLog(np.zeros(3), np.zeros(3))
    with pytest.raises(InputError, match="give one each"):
        RunLog(time_s, np.full(4, 40.0))
