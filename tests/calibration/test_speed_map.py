"""Fans with a known law of speed and known play."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.speed_map import SpeedMap


class Fan:
    """A fan whose control follows the set duty only outside a dead band of half-width `play`."""

    def __init__(self, play, *, full_rpm=1800.0, share_at_zero=0.1, start=40.0):
        self.play = play
        self.full_rpm = full_rpm
        self.share_at_zero = share_at_zero
        self.acting = start

    def go(self, duty_percent):
        """Set a duty and return the speed it settles at."""
        if duty_percent - self.acting > self.play:
            self.acting = duty_percent - self.play
        elif self.acting - duty_percent > self.play:
            self.acting = duty_percent + self.play
        share = self.share_at_zero + (1 - self.share_at_zero) * self.acting / 100
        return self.full_rpm * share


def visit(fan, duties):
    """Take a fan through some duties and keep the map of it."""
    speeds = SpeedMap()
    for duty in duties:
        speeds = speeds.add(duty, fan.go(duty))
    return speeds


def lead(fan, speeds, wanted_rpm, moves):
    """Go to the duty the map gives for a speed, some times over; return where that led."""
    for _ in range(moves):
        duty = speeds.duty_for(wanted_rpm)
        speeds = speeds.add(duty, fan.go(duty))
    return speeds


@settings(max_examples=60)
@given(
    play=st.sampled_from([0.0, 0.2, 0.4, 0.5]),
    full_rpm=st.floats(800, 3500),
    share_at_zero=st.floats(0.0, 0.25),
    before=st.floats(35, 65),
    step=st.floats(-0.1, 0.1),
)
def test_any_fan_with_play_is_led_to_a_speed_nearby(play, full_rpm, share_at_zero, before, step):
    """Three moves of the map's own choice come within 0.8 %, 0.2 dB, of a speed nearby."""
    fan = Fan(play, full_rpm=full_rpm, share_at_zero=share_at_zero)
    speeds = visit(fan, [20.0, 68.0, before])
    wanted_rpm = speeds.last_rpm * (1 + step)

    assert lead(fan, speeds, wanted_rpm, 3).last_rpm == pytest.approx(wanted_rpm, rel=0.008)


@pytest.mark.parametrize("play", [0.0, 0.2, 0.5, 1.0])
def test_the_play_is_recovered(play):
    """Over many fans the map explains their speeds with about the play that they have."""
    rng = np.random.default_rng(1)
    errors, blind_errors, guesses = [], [], []
    for _ in range(100):
        fan = Fan(play, full_rpm=rng.uniform(1000, 3000), share_at_zero=rng.uniform(0, 0.2))
        speeds = visit(fan, [20.0, 68.0, rng.uniform(35, 60)])
        wanted_rpm = speeds.last_rpm * (1 + rng.uniform(-0.1, 0.1))
        speeds = lead(fan, speeds, wanted_rpm, 4)
        errors.append(abs(speeds.last_rpm / wanted_rpm - 1))
        # A turn of direction: what the map adds to the step there is twice the play.
        (duty, rpm), slope = speeds.moves[-1], fan.full_rpm * (1 - fan.share_at_zero) / 100
        there, back = speeds.duty_for(rpm * 1.01), speeds.duty_for(rpm * 0.99)
        guesses.append(0.5 * (there - back - 0.02 * rpm / slope))
        blind_errors.append(play * slope / rpm)
        assert back <= duty <= there

    assert np.mean(guesses) == pytest.approx(play, abs=0.1 + 0.3 * play)
    # A map blind to play may stop short by all of it.
    assert np.median(errors) < max(0.1 * np.median(blind_errors), 1e-3)


def test_a_swallowed_step_does_not_mislead():
    """After a step that moved nothing, which looks like no slope at all, two moves arrive."""
    fan = Fan(0.5)
    speeds = visit(fan, [40.0, 68.0, 50.0, 50.6])
    assert speeds.moves[-1][1] == speeds.moves[-2][1]

    wanted_rpm = speeds.last_rpm * 1.01
    assert lead(fan, speeds, wanted_rpm, 2).last_rpm == pytest.approx(wanted_rpm, rel=0.003)


@pytest.mark.parametrize("play", [0.0, 0.2, 0.5])
@pytest.mark.parametrize("step", [-0.1, 0.1])
def test_a_speed_approached_from_beyond_has_its_play_on_the_other_side(play, step):
    """After driving the fans past a goal, the duty given for it leads there too."""
    fan = Fan(play)
    speeds = visit(fan, [20.0, 68.0, 50.0, 52.0, 50.0, 50.6, 51.2])
    wanted_rpm = speeds.last_rpm * (1 + step)
    duty = speeds.duty_for(wanted_rpm, from_beyond=True)
    fan.go(speeds.duty_for(wanted_rpm * (1 + 0.5 * step)))

    assert fan.go(duty) == pytest.approx(wanted_rpm, rel=0.01)


def test_a_step_that_was_lost_is_told():
    """A step the speed did not follow asks for half as much again, only the same way."""
    speeds = SpeedMap().add(50.0, 1000.0).add(60.0, 1180.0).add(60.4, 1180.0)

    assert speeds.step_that_was_lost(1.0) == pytest.approx(0.6)
    assert speeds.step_that_was_lost(-1.0) == 0.0
    assert speeds.add(61.0, 1191.0).step_that_was_lost(1.0) == 0.0
    assert speeds.add(61.0, None).step_that_was_lost(1.0) == 0.0
    assert SpeedMap().add(60.0, 1180.0).step_that_was_lost(1.0) == 0.0


def test_going_on_in_the_same_direction_needs_no_extra():
    """Where the direction does not change the play has been taken up already."""
    fan = Fan(0.5)
    speeds = visit(fan, [40.0, 50.0, 60.0, 70.0])
    wanted_rpm = 1800 * (0.1 + 0.9 * 0.745)  # acting 74.5 %: at 75 % when coming from below

    assert speeds.duty_for(wanted_rpm) == pytest.approx(75.0, abs=0.3)


def test_one_setting_leads_on_by_proportion():
    """From a single setting a speed nearby is asked for in proportion, and the right way."""
    speeds = SpeedMap().add(68.0, 1300.0)

    assert speeds.duty_for(1430.0) == pytest.approx(68.0 * 1.1, rel=0.03)
    assert speeds.duty_for(1170.0) == pytest.approx(68.0 * 0.9, rel=0.03)
    assert speeds.rpm_at(34.0) == pytest.approx(650.0, rel=0.12)
    assert speeds.settled_count == 1


def test_standing_fans_tell_no_speed_but_move_the_play():
    """A setting without a speed is no point of the line, and the last known speed is remembered."""
    speeds = SpeedMap().add(68.0, 1300.0).add(5.0, None)

    assert speeds.last_rpm == 1300.0
    assert speeds.settled_count == 1
    assert np.isfinite(speeds.duty_for(1300.0))


def test_a_map_is_a_value():
    """Adding a setting makes a new map and leaves the old one as it was."""
    first = SpeedMap().add(68.0, 1300.0)
    first.add(50.0, 900.0)

    assert first.moves == ((68.0, 1300.0),)


@given(
    moves=st.lists(
        st.tuples(st.floats(0, 100), st.none() | st.floats(1, 20_000)), min_size=1, max_size=16
    ).filter(lambda moves: any(rpm is not None for _, rpm in moves)),
    wanted_rpm=st.floats(1, 20_000),
)
def test_whatever_was_seen_the_answer_is_a_number(moves, wanted_rpm):
    """Any course of duties and speeds, sensible or not, leads to a finite duty and speed."""
    speeds = SpeedMap(tuple(moves))
    duty = speeds.duty_for(wanted_rpm)

    assert np.isfinite(duty)
    assert speeds.rpm_at(50.0) >= 1.0
    # More speed is never asked for with less duty.
    assert speeds.duty_for(wanted_rpm * 1.1) >= duty
