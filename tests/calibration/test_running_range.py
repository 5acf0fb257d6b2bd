"""Searching the lowest running duty of fans whose stall is known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.running_range import RunningRange


def search(fans, stalls_at):
    """Halve the undecided range as the loop does; return how many duties that took."""
    tried = 0
    while fans.undecided():
        middle = fans.middle()
        fans.note(middle, turning=middle >= stalls_at)
        tried += 1
        assert tried < 20
    return tried


@given(lowest=st.floats(0, 30), stall=st.floats(31, 60), start=st.floats(61, 100))
def test_the_slowest_running_duty_is_found(lowest, stall, start):
    """By halving, the lowest running duty is found within 1 % in at most seven tries."""
    fans = RunningRange(lowest, 100.0)
    fans.note(start, turning=True)
    fans.note(lowest, turning=False)

    assert search(fans, stall) <= 7
    assert stall <= fans.running_percent <= stall + 1.01
    assert fans.at_lowest(fans.running_percent)
    assert not fans.at_lowest(fans.running_percent + 0.5)
    assert fans.forbids(fans.standing_percent)
    assert not fans.forbids(fans.running_percent)


def test_nothing_is_forbidden_before_a_fan_was_seen_standing():
    """Fans that always turned may go anywhere."""
    fans = RunningRange(0.0, 100.0)
    fans.note(68.0, turning=True)
    fans.note(20.0, turning=True)

    assert fans.undecided()
    assert not fans.forbids(0.0)
    assert fans.running_percent == 20.0


def test_the_highest_standing_and_the_lowest_running_duty_are_kept():
    """Later, less telling observations do not undo earlier ones."""
    fans = RunningRange(0.0, 100.0)
    for percent, turning in [(20, False), (10, False), (40, True), (60, True)]:
        fans.note(percent, turning=turning)

    assert (fans.standing_percent, fans.running_percent) == (20, 40)
    assert fans.middle() == 30.0
    assert fans.forbids(15.0)


def test_fans_that_never_turned_are_searched_upwards():
    """Halfway to full speed comes next while nothing turned yet."""
    fans = RunningRange(0.0, 100.0)
    fans.note(68.0, turning=False)

    assert fans.middle() == 84.0


@given(lowest=st.floats(0, 40), highest=st.floats(60, 100), percent=st.floats(-1000, 1000))
def test_no_duty_leaves_the_limits(lowest, highest, percent):
    """Whatever is wanted, what is set is inside the bench's limits, also after rounding."""
    clipped = RunningRange(lowest, highest).clip(percent)

    assert lowest <= clipped <= highest
    if lowest <= percent <= highest:
        assert clipped == pytest.approx(percent, abs=0.00501)


@pytest.mark.parametrize("step", [20 / 255, 254 / 255])
def test_limits_of_an_eight_bit_register_are_kept(step):
    """Limits that are no hundredth of a per cent, as 20 of 255 steps, are not rounded across."""
    limit = 100 * step
    fans = RunningRange(limit, limit)

    assert fans.clip(50.0) == limit


def test_the_ends_of_the_range():
    """The ends count as reached within a twentieth of a per cent."""
    fans = RunningRange(20.0, 100.0)

    assert fans.at_highest(99.96)
    assert not fans.at_highest(99.9)
    assert fans.at_lowest(20.04)
    assert not fans.at_lowest(20.1)
