"""Hands and ears against a bench written down answer by answer."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.errors import InputError
from calibration.bench_hands import BenchHands, RunStopped
from calibration.bench_state import Actuator, ActuatorState, BenchDescription, BenchState
from calibration.results import MatchedActuator, MatchRequest
from calibration.steps import Heard, Listen, SetDuty

FAN = Actuator("fan", 15.0, 100.0, tachometer=True)
PUMP = Actuator("pump", 40.0, 90.0, tachometer=True)


def bench(**actuators):
    """Describe a bench."""
    return BenchDescription("south", actuators, {"processor": 90.0}, 60.0)


def request(**wishes):
    """Ask for a usual target."""
    return MatchRequest(40.0, 0.3, **wishes)


class Bench:
    """A bench that does at once what it is told, and remembers it."""

    def __init__(self, description, rpm_of=lambda _name, duty: 20.0 * duty):
        self.description = description
        self.rpm_of = rpm_of
        self.duties = dict.fromkeys(description.actuators, 50.0)
        self.asked = []
        self.control = "leased"

    def state(self):
        """Say what the bench does now."""
        actuators = {
            name: ActuatorState(duty, self.rpm_of(name, duty)) for name, duty in self.duties.items()
        }
        return BenchState(self.control, None, actuators, {"processor": 60.0})

    def answer(self, step):
        """Answer one step."""
        self.asked.append(step)
        if isinstance(step, SetDuty):
            self.duties.update(step.duty_percent)
            return self.state()
        count = round(10 * step.seconds)
        return Heard(np.full(count, 40.0), np.ones(count, dtype=bool), self.state())

    def run(self, procedure):
        """Drive a procedure to its end."""
        answer = None
        while True:
            try:
                step = procedure.send(answer)
            except StopIteration as end:
                return end.value
            answer = self.answer(step)


def test_all_fans_are_moved_together():
    """One duty goes to every fan, and the pump keeps its own."""
    description = bench(front=FAN, rear=FAN, pump=PUMP)
    south = Bench(description)
    hands = BenchHands(description, request())
    south.run(hands.set_fans(43.0))

    assert south.asked == [SetDuty({"front": 43.0, "rear": 43.0, "pump": 80.0})]
    assert hands.fan_rpm() == pytest.approx(860.0)


def test_fans_share_the_narrowest_limits():
    """Fans moved together stay inside what each of them takes."""
    hands = BenchHands(
        bench(
            front=Actuator("fan", 20, 100, tachometer=True),
            rear=Actuator("fan", 0, 80, tachometer=True),
        ),
        request(),
    )

    assert (hands.lowest_percent, hands.highest_percent) == (20, 80)


@pytest.mark.parametrize("role", ["fan", "pump"])
def test_limits_that_do_not_overlap_are_refused(role):
    """Fans, or pumps, that share no duty cannot be moved together, and that is said."""
    low, high = Actuator(role, 10, 40, tachometer=True), Actuator(role, 50, 100, tachometer=True)

    with pytest.raises(InputError, match=f"{role}s.* share no duty"):
        BenchHands(bench(case=FAN, first=low, second=high), request())


def test_a_bench_without_a_fan_is_refused():
    """Without a fan there is nothing to match."""
    with pytest.raises(InputError, match="has no fan"):
        BenchHands(bench(pump=PUMP), request())


@pytest.mark.parametrize("duty_percent", [0.0, 39.9, 90.1])
def test_a_pump_duty_outside_its_limits_is_refused(duty_percent):
    """A pump is never asked for a duty that it does not take, and the limits are named."""
    with pytest.raises(InputError, match="40 to 90 %"):
        BenchHands(bench(fan=FAN, pump=PUMP), request(pump="fixed", pump_duty_percent=duty_percent))


@pytest.mark.parametrize(
    ("wishes", "fan_percent", "pump_percent"),
    [
        ({"pump": "fixed", "pump_duty_percent": 55.0}, 43.0, 55.0),
        ({"pump": "automatic"}, 43.0, 80.0),
        ({"pump": "follows"}, 15.0, 40.0),
        ({"pump": "follows"}, 57.5, 65.0),
        ({"pump": "follows"}, 100.0, 90.0),
    ],
)
def test_the_pump_is_set_as_asked(wishes, fan_percent, pump_percent):
    """A pump is held, starts at 80 %, or goes over its own range as the fans go over theirs."""
    description = bench(fan=FAN, pump=PUMP)
    south = Bench(description)
    south.run(BenchHands(description, request(**wishes)).set_fans(fan_percent))

    assert south.duties == {"fan": fan_percent, "pump": pump_percent}


def test_a_pump_that_takes_no_80_percent_starts_at_its_limit():
    """The usual first duty of a pump is brought inside its limits."""
    low = BenchHands(bench(fan=FAN, pump=Actuator("pump", 30, 60, tachometer=True)), request())
    high = BenchHands(bench(fan=FAN, pump=Actuator("pump", 85, 100, tachometer=True)), request())

    assert (low.pump_percent, high.pump_percent) == (60, 85)


@given(low=st.floats(0, 60), width=st.floats(0, 40), share=st.floats(0, 1), fixed=st.booleans())
def test_duties_never_leave_the_limits(low, width, share, fixed):
    """Whatever the limits and however the pump is set, what is asked is inside, also rounded."""
    pump = Actuator("pump", low, low + width, tachometer=True)
    fan = Actuator("fan", low / 2, low / 2 + 50, tachometer=True)
    description = bench(fan=fan, pump=pump)
    south = Bench(description)
    wishes = {"pump": "follows"}
    if fixed:
        wishes = {"pump": "fixed", "pump_duty_percent": min(low + share * width, low + width)}
    south.run(BenchHands(description, request(**wishes)).set_fans(low / 2 + 50 * share))

    assert low <= south.duties["pump"] <= low + width
    assert low / 2 <= south.duties["fan"] <= low / 2 + 50


def test_taking_sound_counts_the_time():
    """Every second of sound taken counts as time at the bench."""
    description = bench(fan=FAN)
    south, hands = Bench(description), BenchHands(description, request())
    heard = south.run(hands.take(3.0))
    south.run(hands.take(1.0))

    assert heard.levels_db.size == 30
    assert south.asked == [Listen(3.0), Listen(1.0)]
    assert hands.bench_s == pytest.approx(4.0)


def test_settling_gives_the_speed_it_came_to():
    """Settling takes sound while the speed changes, and returns the last speed."""
    description = bench(fan=FAN)
    south = Bench(description)
    hands = BenchHands(description, request())
    south.rpm_of = lambda _name, _duty: 1000.0 - 500 * np.exp(-hands.bench_s / 1.5)
    history = south.run(hands.settle(0.004))

    assert history.last_rpm == pytest.approx(1000.0, rel=0.005)
    assert 5 < hands.bench_s < 12


def test_a_run_stops_with_the_reason():
    """A bench that takes over, or no longer reports an actuator, stops the run in words."""
    description = bench(fan=FAN, pump=PUMP)
    south, hands = Bench(description), BenchHands(description, request())
    south.control = "safe"
    with pytest.raises(RunStopped, match="took over"):
        south.run(hands.take(1.0))
    south.control = "leased"
    del south.duties["pump"]
    with pytest.raises(RunStopped, match="no longer reports pump"):
        south.run(hands.take(1.0))


def test_a_pump_that_stops_turning_stops_the_run():
    """A pump tachometer that showed a speed and then reads 0 stops the run."""
    description = bench(fan=FAN, pump=PUMP)
    south, hands = Bench(description), BenchHands(description, request())
    south.run(hands.take(1.0))
    south.rpm_of = lambda name, _duty: 0.0 if name == "pump" else 1200.0

    with pytest.raises(RunStopped, match="pump has stopped"):
        south.run(hands.take(1.0))


def test_a_pump_without_a_wire_does_not_stop_a_run_with_two():
    """Of two pumps only one that was seen turning itself can be seen to stop."""
    description = bench(fan=FAN, first=PUMP, second=PUMP)
    south, hands = Bench(description), BenchHands(description, request())
    south.rpm_of = lambda name, _duty: 0.0 if name == "second" else 1200.0
    south.run(hands.take(1.0))
    south.run(hands.take(1.0))
    south.rpm_of = lambda _name, _duty: 0.0

    with pytest.raises(RunStopped, match="tachometer of first"):
        south.run(hands.take(1.0))


def test_what_is_given_names_every_actuator():
    """The given speeds are those of the last reading, for a single fan the mean over listening."""
    description = bench(fan=FAN, pump=PUMP)
    south, hands = Bench(description), BenchHands(description, request())
    assert hands.actuators_now(None) == {}
    assert hands.fan_rpm() is None

    south.run(hands.set_fans(50.0))
    assert hands.actuators_now(1003.0) == {
        "fan": MatchedActuator(50.0, 1003.0),
        "pump": MatchedActuator(80.0, 1600.0),
    }

    two = bench(front=FAN, rear=FAN)
    pair, hands = Bench(two), BenchHands(two, request())
    pair.rpm_of = lambda name, _duty: {"front": 1000.0, "rear": 1100.0}[name]
    pair.run(hands.set_fans(50.0))
    assert hands.fan_rpm() == pytest.approx(1050.0)
    assert hands.actuators_now(1050.0) == {
        "front": MatchedActuator(50.0, 1000.0),
        "rear": MatchedActuator(50.0, 1100.0),
    }


def test_fans_without_a_tachometer_have_no_speed():
    """Where no fan has a tachometer there is no speed; where one has, it speaks for all."""
    two = bench(front=FAN, rear=Actuator("fan", 15, 100, tachometer=False))
    pair, hands = Bench(two, lambda _name, _duty: None), BenchHands(two, request())
    pair.run(hands.set_fans(50.0))
    assert hands.fan_rpm() is None

    pair.rpm_of = lambda name, _duty: 900.0 if name == "front" else None
    pair.run(hands.set_fans(50.0))
    assert hands.fan_rpm() == pytest.approx(900.0)


def test_settling_waits_for_the_pump_too():
    """A pump that is still on its way keeps the hands waiting although the fans rest."""
    description = bench(fan=FAN, pump=PUMP)
    south = Bench(description)
    hands = BenchHands(description, request())
    south.rpm_of = lambda name, _duty: (
        1000.0 if name == "fan" else 3000.0 - 1500.0 * np.exp(-hands.bench_s / 1.5)
    )
    south.run(hands.settle(0.004))

    assert hands.bench_s > 4.0


@given(
    st.floats(0.1, 5.0),
    st.floats(15.0, 90.0).map(lambda x: round(x, 2)),
    st.integers(2, 4),
)
def test_fans_set_apart_keep_their_mean_and_limits(detune_percent, percent, count):
    """The first fan gets the highest duty and the last the lowest, none beyond its limits."""
    fan = Actuator("fan", 15.0, 90.0, tachometer=True)
    description = bench(**{f"fan_{number}": fan for number in range(count)})
    south = Bench(description)
    hands = BenchHands(description, request(detune_percent=detune_percent))
    south.run(hands.set_fans(percent))

    duties = list(south.duties.values())
    room = min(percent - 15.0, 90.0 - percent)
    assert np.mean(duties) == pytest.approx(percent, abs=1e-3)
    assert all(15.0 <= duty <= 90.0 for duty in duties)
    assert duties == sorted(duties, reverse=True)
    assert duties[0] - duties[-1] == pytest.approx(min(detune_percent, 2.0 * room), abs=0.021)


def test_fans_set_apart_are_recorded_each_with_its_own_duty():
    """The settings hold what every fan was set to, and the pump keeps its own."""
    description = bench(front=FAN, rear=FAN, pump=PUMP)
    south = Bench(description)
    hands = BenchHands(description, request(detune_percent=3.0))
    south.run(hands.set_fans(50.0))

    recorded = {name: a.duty_percent for name, a in hands.actuators_now(hands.fan_rpm()).items()}
    assert recorded == {"front": 51.5, "rear": 48.5, "pump": 80.0}
    assert hands.fan_rpm() == pytest.approx(1000.0)


def test_one_standing_fan_of_those_set_apart_is_no_slow_one():
    """The lower one stalls first, and then the fans count as standing."""
    description = bench(front=FAN, rear=FAN)
    south = Bench(description, rpm_of=lambda _name, duty: 0.0 if duty < 20.0 else 20.0 * duty)
    hands = BenchHands(description, request(detune_percent=4.0))
    south.run(hands.set_fans(21.0))

    assert south.duties == {"front": 23.0, "rear": 19.0}
    assert hands.fan_rpm() == 0.0


def test_a_single_fan_cannot_be_set_apart():
    """One fan and a wish to detune it is refused in a sentence."""
    with pytest.raises(InputError, match="one fan only"):
        BenchHands(bench(fan=FAN, pump=PUMP), request(detune_percent=2.0))


@pytest.mark.parametrize("percent", [-1.0, 5.1])
def test_detuning_by_too_much_is_refused(percent):
    """Fans are set apart by nothing up to five per cent."""
    with pytest.raises(InputError, match="at most 5 %"):
        BenchHands(bench(front=FAN, rear=FAN), request(detune_percent=percent))
