from hypothesis import given
from hypothesis import strategies as st

from service.bench.rotors import RotorWatch


def watched(*stretches: tuple[float, float, float | None]) -> str | None:
    """Observe stretches of (seconds, duty, speed) four times a second; return the last words."""
    watch, time_s, said = RotorWatch("the fan front"), 0.0, None
    for seconds, duty, rpm in stretches:
        for _ in range(round(seconds * 4)):
            time_s += 0.25
            said = watch.observe(duty, rpm, time_s)
    return said


def test_standing_still_at_half_duty_is_stuck() -> None:
    """From 50 % on a rotor that stands still for 2.5 s is stuck."""
    assert watched((2.5, 50, 0)) is None
    assert watched((2.75, 50, 0)) == "the fan front does not turn at a duty of 50 %"


def test_standing_still_at_a_low_duty_is_not_stuck() -> None:
    """A rotor that nobody has seen turn at that duty may stand still there."""
    assert watched((60, 49, 0)) is None
    assert watched((60, 60, 1200), (60, 20, 0)) is None


def test_standing_still_where_it_turned_is_stuck() -> None:
    """A rotor that kept turning at a duty is stuck when it stops there, or above."""
    assert watched((11, 30, 600), (4, 30, 0)) is not None
    assert watched((11, 30, 600), (5, 0, 0), (4, 40, 0)) is not None
    assert watched((11, 30, 600), (60, 29, 0)) is None


def test_running_down_is_not_turning() -> None:
    """A rotor that runs down after its duty was lowered has not shown that it turns there."""
    rundown = [(0.25, 10.0, 1500 * 0.97**step) for step in range(200)]

    assert watched((20, 60, 1500), *rundown, (60, 10, 0)) is None


def test_wandering_duty_proves_nothing() -> None:
    """Under a control that changes the duty all the time no lowest duty is learned."""
    wander = [(0.25, 30.0 + step % 7, 600.0) for step in range(400)]

    assert watched(*wander, (60, 36, 0)) is None


def test_tachometer_that_cannot_be_read_is_told() -> None:
    """A speed that cannot be read for a second is told at any duty; a lost reading is not."""
    assert watched((20, 60, 1200), (1, 60, None), (1, 60, 1200), (1, 60, None)) is None
    assert watched((20, 10, 0), (1.5, 10, None)) == "the speed of the fan front cannot be read"


def test_lost_readings_are_no_proof_of_turning() -> None:
    """A rotor that is read every other time only, and then at standstill, is stuck."""
    assert watched((20, 60, 1200), *[(0.25, 60, None), (0.25, 60, 0)] * 6) is not None


@given(st.lists(st.tuples(st.floats(0.25, 30), st.floats(0, 100)), max_size=6))
def test_turning_rotor_never_complains(stretches: list[tuple[float, float]]) -> None:
    """Whatever its duty, a rotor that turns is not stuck."""
    assert watched(*((seconds, duty, 20 * duty + 1) for seconds, duty in stretches)) is None
