from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.simulation.rotor import Rotor, RotorLaw
from service.simulation.tachometer import Tachometer

STEP_S = 0.05
LAW = RotorLaw(
    full_rpm=2000.0,
    time_constant_s=1.5,
    dead_duty_percent=25.0,
    stall_duty_percent=15.0,
    restart_duty_percent=22.0,
)


def rotor(law=LAW, duty_percent=60.0):
    """Return a rotor that is settled at a duty."""
    return Rotor(law, duty_percent, STEP_S, np.random.default_rng(1))


def turn(turning, duty_percent, seconds):
    """Let a rotor turn under a duty for a while."""
    for _ in range(round(seconds / STEP_S)):
        turning.step(duty_percent)


def test_speed_is_reached_with_the_time_constant():
    """After one time constant 63 % of a change of speed are done."""
    turning = rotor(duty_percent=50.0)

    turn(turning, 100.0, 1.5)

    assert turning.rpm == pytest.approx(1000.0 + 1000.0 * (1.0 - np.exp(-1.0)), rel=1e-9)


def test_a_running_fan_holds_down_to_stall_and_restarts_only_above():
    """Between stall and restart a fan keeps doing what it did: turning or standing."""
    turning = rotor()

    turn(turning, 16.0, 20.0)
    assert turning.rpm == pytest.approx(500.0, abs=0.01)  # the dead zone holds it at 25 %
    turn(turning, 14.0, 20.0)
    assert turning.rpm == 0.0
    turn(turning, 20.0, 20.0)
    assert turning.rpm == 0.0
    turn(turning, 22.0, 20.0)
    assert turning.rpm == pytest.approx(500.0, abs=0.01)


def test_a_rotor_without_a_stall_duty_never_stops():
    """A pump turns at its lowest speed even at no duty at all."""
    turning = rotor(replace(LAW, stall_duty_percent=0.0, restart_duty_percent=0.0))

    turn(turning, 0.0, 60.0)

    assert turning.rpm == pytest.approx(500.0)


def test_speed_bulges_between_the_ends():
    """A bulge of 2.5 % lifts half duty by that much of full speed, and leaves the end alone."""
    law = replace(LAW, bulge_percent=2.5)

    assert law.turning_rpm(50.0) == pytest.approx(2000.0 * (0.5 + 0.025))
    assert law.turning_rpm(100.0) == pytest.approx(2000.0)


def test_backlash_leaves_a_gap_between_up_and_down():
    """Approached from below and from above, one duty gives speeds that differ by the play."""
    turning = rotor(replace(LAW, backlash_percent=1.0))

    turn(turning, 40.0, 30.0)
    turn(turning, 60.0, 30.0)
    from_below_rpm = turning.rpm
    turn(turning, 80.0, 30.0)
    turn(turning, 60.0, 30.0)

    assert turning.rpm - from_below_rpm == pytest.approx(20.0, abs=0.01)  # 1 % of 2000 rpm
    assert turning.goal_rpm(60.0) == pytest.approx(turning.rpm, abs=0.01)


def test_hunting_moves_the_speed_about_its_mean():
    """Hunting scatters the speed by as much as asked, less what inertia smooths."""
    law = replace(LAW, hunting_percent=0.5, hunting_s=5.0, time_constant_s=0.8)
    turning = rotor(law, duty_percent=50.0)
    speeds = []
    for _ in range(20_000):
        turning.step(50.0)
        speeds.append(turning.rpm)

    # First-order inertia leaves T/(T+tau) of the variance of an AR(1) input.
    expected = 5.0 * np.sqrt(5.0 / (5.0 + 0.8))
    assert np.mean(speeds) == pytest.approx(1000.0, abs=1.5)
    assert np.std(speeds) == pytest.approx(expected, rel=0.15)


@settings(max_examples=60, deadline=None)
@given(
    duty=st.floats(25.0, 100.0),
    full_rpm=st.floats(500.0, 6000.0),
    start_turns=st.floats(0.0, 1.0),
)
def test_tachometer_reads_the_speed_within_its_quantisation(duty, full_rpm, start_turns):
    """At constant speed the reading is the speed, to half a turn a minute and two timer ticks."""
    turning = rotor(replace(LAW, full_rpm=full_rpm), duty)
    tachometer = Tachometer(turning.turns + start_turns, turning.rpm, STEP_S)
    for _ in range(40):
        turning.step(duty)
        tachometer.step(turning.turns + start_turns)

    shortest_s = 1.0 - 60.0 / turning.rpm  # whole pulses within a window of 1 s
    quantum_rpm = 0.5 + turning.rpm * 0.25e-3 / shortest_s
    assert tachometer.read_rpm() == pytest.approx(turning.rpm, abs=quantum_rpm + 1e-6)


def test_tachometer_averages_over_its_window():
    """During a steady rise the reading lags by half the window."""
    tachometer = Tachometer(0.0, 600.0, STEP_S)
    turns, rpm = 0.0, 600.0
    for _ in range(60):
        turns += (rpm + 5.0) / 60.0 * STEP_S
        rpm += 10.0
        tachometer.step(turns)

    assert tachometer.read_rpm() == pytest.approx(rpm - 0.5 * 200.0, abs=8.0)


def test_tachometer_reads_zero_within_a_window_after_a_stop():
    """A fan that stands reads 0 as soon as its last pulses have left the window."""
    turning = rotor()
    tachometer = Tachometer(turning.turns, turning.rpm, STEP_S)
    while turning.rpm > 0.0:
        turning.step(0.0)
        tachometer.step(turning.turns)
        assert (tachometer.read_rpm() > 0.0) or turning.rpm < 100.0

    for _ in range(20):
        turning.step(0.0)
        tachometer.step(turning.turns)
    assert tachometer.read_rpm() == 0.0
