"""Rotors whose time constant is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.rotor_pace import HURRY_S, RotorPace

TIMES_S = [0.5 * n for n in range(1, 21)]


def approach(start_rpm, goal_rpm, tau_s, step_rpm=0.0):
    """Read a rotor on its way to a new speed, by a tachometer with steps."""
    rpm = goal_rpm + (start_rpm - goal_rpm) * np.exp(-np.array(TIMES_S) / tau_s)
    return list(np.round(rpm / step_rpm) * step_rpm if step_rpm else rpm)


@pytest.mark.parametrize("tau_s", [0.8, 1.5, 2.0])
@pytest.mark.parametrize("speeds", [(800.0, 1600.0), (1600.0, 900.0)])
@pytest.mark.parametrize("step_rpm", [0.0, 5.0])
def test_the_time_constant_is_read_off_an_approach(tau_s, speeds, step_rpm):
    """After three undisturbed moves the time constant is known within a fifth."""
    pace = RotorPace()
    for _ in range(3):
        pace = pace.learn(speeds[0], TIMES_S, approach(*speeds, tau_s, step_rpm))

    assert pace.time_constant_s == pytest.approx(tau_s, rel=0.2)


@given(
    from_rpm=st.floats(500, 2500),
    to_rpm=st.floats(500, 2500),
    tau_s=st.floats(0.5, 4.0),
)
def test_an_overdriven_rotor_passes_its_goal_in_time(from_rpm, to_rpm, tau_s):
    """A rotor that heads for the overdriven speed is at its goal when the hurry ends."""
    heading_rpm = RotorPace((tau_s, tau_s)).overdrive(from_rpm, to_rpm)
    reached_rpm = heading_rpm + (from_rpm - heading_rpm) * np.exp(-HURRY_S / tau_s)

    assert reached_rpm == pytest.approx(to_rpm, rel=1e-9)
    assert abs(heading_rpm - from_rpm) >= abs(to_rpm - from_rpm)


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [1000.0] * 20,  # no move
        approach(1000.0, 1010.0, 1.5),  # too small to tell
        [0.0] * 20,  # the fan stopped
        [1600.0] * 20,  # there at once: faster than any fan
        approach(800.0, 1600.0, 30.0),  # slower than any fan
    ],
)
def test_what_tells_nothing_teaches_nothing(readings):
    """Moves that are too small, too fast, too slow or end at rest leave the knowledge alone."""
    pace = RotorPace()

    assert pace.learn(1000.0, TIMES_S[: len(readings)], readings) == pace


@given(
    start_rpm=st.floats(0, 5000),
    readings=st.lists(st.floats(0, 5000), max_size=20),
)
def test_any_readings_leave_a_usable_time_constant(start_rpm, readings):
    """Whatever a tachometer says, the time constant stays that of a fan."""
    pace = RotorPace().learn(start_rpm, TIMES_S[: len(readings)], readings)

    assert 0.4 <= pace.time_constant_s <= 4.0
