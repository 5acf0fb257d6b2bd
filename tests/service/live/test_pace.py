"""Tests of how quickly an input is read."""

import pytest

from service.live.pace import OWN_PACE, Pace, PaceKeeper


class Clock:
    """A clock that tests set."""

    now_s = 100.0

    def __call__(self):
        """Return the time."""
        return self.now_s


@pytest.mark.parametrize("speed", [1.0, 4.0])
def test_blocks_are_due_when_they_have_sounded(speed):
    """At a speed, blocks come so much closer, whatever reading them took."""
    clock = Clock()
    keeper = PaceKeeper(Pace(speed, waits=True), clock)
    began_s = clock.now_s
    for _ in range(50):
        clock.now_s += keeper.wait_s(0.1)
        clock.now_s += 0.01  # reading takes time

    assert clock.now_s - began_s == pytest.approx(5.0 / speed, abs=0.02)


def test_a_long_delay_is_not_caught_up_with():
    """After a pause the input goes on at its speed, instead of a burst."""
    clock = Clock()
    keeper = PaceKeeper(Pace(1.0, waits=True), clock)
    clock.now_s += 60.0

    waits = [keeper.wait_s(0.1) for _ in range(10)]

    assert sum(wait > 0.0 for wait in waits) >= 6


def test_a_device_is_never_held_up():
    """What has a clock of its own is read as it delivers."""
    keeper = PaceKeeper(OWN_PACE, Clock())

    assert [keeper.wait_s(0.1) for _ in range(3)] == [0.0, 0.0, 0.0]
