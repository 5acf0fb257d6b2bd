"""Tachometer courses with a known moment of rest."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.settling import LATENCY_S, SETTLED_CHANGE, SpeedHistory


def seconds_until_settled(rpm_at, tolerated_change=SETTLED_CHANGE, step_s=0.5):
    """Feed a course of the speed over time until it counts as settled."""
    history, now = SpeedHistory(), 0.0
    while not history.settled(tolerated_change):
        now += step_s
        history.add(step_s, rpm_at(now))
        assert now <= 25.0  # the longest it may ever take
    return now


def approach(first_rpm, last_rpm, tau_s):
    """Speed of a rotor that goes over to a new speed exponentially."""
    return lambda now: last_rpm + (first_rpm - last_rpm) * np.exp(-now / tau_s)


def test_a_speed_that_holds_is_settled_after_the_latency():
    """A speed at rest from the start is believed after 2 s: longer than it may take to be heard."""
    assert seconds_until_settled(lambda _: 1200.0) == pytest.approx(2.5, abs=0.5)
    assert seconds_until_settled(lambda _: 1200.0) > LATENCY_S


@pytest.mark.parametrize("tau_s", [0.8, 1.5, 3.0])
@pytest.mark.parametrize("speeds", [(800.0, 1600.0), (1600.0, 800.0), (1000.0, 1020.0)])
def test_what_remains_after_settling_is_inaudible(tau_s, speeds):
    """A rotor counted as settled is within 0.5 % of its final speed, at 55 dB a decade 0.12 dB."""
    course = approach(*speeds, tau_s)
    settled_s = seconds_until_settled(course)

    assert abs(course(settled_s) / speeds[1] - 1) < 0.005
    # The coarser rest of exploring comes no later.
    assert seconds_until_settled(course, 0.015) <= settled_s


def test_a_standing_fan_is_settled():
    """A tachometer that reads 0 for 2 s has come to rest."""
    assert seconds_until_settled(lambda _: 0.0) <= 3.0


def test_a_fan_that_is_about_to_start_is_not_settled():
    """A fan that stood and now turns is waited for."""
    assert seconds_until_settled(lambda now: 0.0 if now < 1.6 else 900.0) > 3.5


def test_an_odd_reading_restarts_the_wait():
    """One dropout of the tachometer does not count as rest, and is forgotten after 2 s."""
    settled_s = seconds_until_settled(lambda now: 0.0 if now == 1.5 else 1200.0)

    assert 3.5 < settled_s <= 4.5


def test_a_speed_that_never_rests_is_taken_after_25_seconds():
    """A hunting speed is heard as it is in the end."""
    settled_s = seconds_until_settled(lambda now: 1200.0 + 60 * np.sin(now))

    assert settled_s == pytest.approx(25.0, abs=0.5)


def test_without_a_tachometer_ten_seconds_must_do():
    """Where nothing shows the speed, three time constants of a slow rotor are waited for."""
    assert seconds_until_settled(lambda _: None) == pytest.approx(10.0)


def test_readings_that_told_nothing_are_left_out_with_their_time():
    """Gaps of the tachometer leave times and speeds in step."""
    history = SpeedHistory()
    for rpm in (1000.0, None, 1100.0, 0.0):
        history.add(0.5, rpm)

    assert history.readings() == ([0.5, 1.5, 2.0], [1000.0, 1100.0, 0.0])
    assert history.last_rpm == 0.0


@given(
    readings=st.lists(st.none() | st.floats(0, 20_000), min_size=60, max_size=60),
    tolerated_change=st.floats(0, 0.1),
)
def test_whatever_the_tachometer_says_the_wait_ends(readings, tolerated_change):
    """Random readings and dropouts never hold the loop for more than 25 s."""
    seconds_until_settled(lambda now: readings[round(2 * now)], tolerated_change)


def test_a_coarse_tachometer_that_flickers_is_at_rest():
    """Readings back and forth between two steps rest; the same step one way does not."""
    flickering, climbing = SpeedHistory(), SpeedHistory()
    for rpm in (900.0, 960.0, 990.0, 1020.0, 990.0, 1020.0, 1020.0):
        flickering.add(0.5, rpm)
    for rpm in (900.0, 930.0, 960.0, 990.0, 990.0, 990.0, 1020.0):
        climbing.add(0.5, rpm)

    assert flickering.settled(0.004)
    assert not climbing.settled(0.004)
