"""Whatever a bench answers: limits are kept, pumps are cared for, and every match ends."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.bench_state import Actuator, ActuatorState, BenchDescription, BenchState
from calibration.matching import match
from calibration.results import FloorReading, MatchRequest
from calibration.steps import Heard, Listen, Remark, SetDuty

MOST_STEPS = 8000
"""Sixteen settings of 50 settling and 60 listening steps, each with a floor listened to again."""


@dataclass(frozen=True)
class Mood:
    """How a bench answers."""

    rpm: str
    levels: str
    level_db: float
    slope_db: float
    invalid_share: float
    temperature_c: float
    takes_over: float
    seed: int


MOODS = st.builds(
    Mood,
    rpm=st.sampled_from(
        ["follows", "dropouts", "gaps", "random", "standing", "none", "stalls", "crawls"]
    ),
    levels=st.sampled_from(["steady", "loud bursts", "random", "silent", "wild", "pulses"]),
    level_db=st.floats(-10, 90),
    slope_db=st.floats(-20, 80),
    invalid_share=st.sampled_from([0.0, 0.0, 0.1, 0.5, 1.0]),
    temperature_c=st.sampled_from([50.0, 50.0, 50.0, 87.0]),
    takes_over=st.sampled_from([0.0, 0.0, 0.0, 0.001, 0.02]),
    seed=st.integers(0, 2**32 - 1),
)


@st.composite
def actuators(draw, role):
    """Draw the limits of a fan or a pump, from whole per cents to steps of a register."""
    low = draw(st.sampled_from([0.0, 10.0, 100 * 20 / 255, 100 / 3]))
    high = draw(st.sampled_from([100.0, 100 * 254 / 255, 60.0]))
    return Actuator(role, low, high, tachometer=draw(st.booleans()))


@st.composite
def benches(draw):
    """Draw a bench with one or two fans and perhaps a pump."""
    fans = {f"fan {n}": draw(actuators("fan")) for n in range(draw(st.integers(1, 2)))}
    pumps = {"pump": draw(actuators("pump"))} if draw(st.booleans()) else {}
    return BenchDescription("any", {**fans, **pumps}, {"processor": 90.0}, 60.0)


@st.composite
def requests(draw):
    """Draw what is asked: any target, floor and pump."""
    floor = draw(st.none() | st.builds(FloorReading, st.floats(15, 45), st.floats(0.05, 2)))
    return MatchRequest(
        target_db=draw(st.floats(20, 70)),
        tolerance_db=draw(st.sampled_from([0.1, 0.3, 1.0])),
        applies_to=draw(st.sampled_from(["cooler", "reading"])),
        floor=floor,
        pump=draw(st.sampled_from(["automatic", "fixed", "follows"])),
        pump_duty_percent=draw(st.sampled_from([None, 50.0])),
    )


class MoodyBench:
    """A bench that answers as its mood has it, and keeps what it was asked."""

    def __init__(self, description, mood):
        self.description = description
        self.mood = mood
        self.rng = np.random.default_rng(mood.seed)
        self.duties = dict.fromkeys(description.actuators, 50.0)
        self.asked = []

    def rpm(self, name):
        """Read a tachometer."""
        mood, duty, rng = self.mood.rpm, self.duties[name], self.rng
        if mood == "none" or not self.description.actuators[name].tachometer:
            return None
        if self.description.actuators[name].role == "pump":
            return 25.0 * duty
        steady = 100.0 + 15.0 * duty
        return {
            "follows": steady,
            "dropouts": 0.0 if rng.random() < 0.1 else steady,
            "gaps": None if rng.random() < 0.2 else steady * rng.uniform(0.5, 1.5),
            "random": float(rng.choice([0.0, rng.uniform(0, 5000)])),
            "standing": 0.0,
            "stalls": steady if duty > rng.uniform(25, 55) else 0.0,
            "crawls": 0.01 * duty,
        }[mood]

    def state(self):
        """Say what the bench does now."""
        actuators = {
            name: ActuatorState(duty, self.rpm(name)) for name, duty in self.duties.items()
        }
        control = "leased"
        if self.rng.random() < self.mood.takes_over:
            control = str(self.rng.choice(["own", "safe"]))
        temperature_c = self.mood.temperature_c + self.rng.normal(0, 0.2)
        return BenchState(control, None, actuators, {"processor": temperature_c})

    def levels_db(self, count):
        """Hear some 100 ms levels."""
        mood, rng = self.mood, self.rng
        duty = max(duty for name, duty in self.duties.items() if "fan" in name)
        steady = mood.level_db + mood.slope_db * np.log10(max(duty, 1.0) / 50)
        steady = steady + rng.normal(0, 0.3, count)
        return {
            "steady": steady,
            "loud bursts": steady + rng.choice([0.0, 20.0], count, p=[0.8, 0.2]),
            "random": rng.uniform(0, 90, count),
            "silent": np.full(count, -np.inf),
            "wild": rng.choice([-np.inf, -300.0, 0.0, 40.0, 200.0], count),
            "pulses": steady + np.where(np.arange(count) % 10 < 6, 10.0, 0.0),
        }[mood.levels]

    def answer(self, step):
        """Answer one step of the loop."""
        self.asked.append(step)
        if isinstance(step, SetDuty):
            self.duties.update(step.duty_percent)
            return self.state()
        if isinstance(step, Listen):
            count = round(10 * step.seconds)
            valid = self.rng.random(count) >= self.mood.invalid_share
            return Heard(self.levels_db(count), valid, self.state())
        return None


def drive(request, bench):
    """Drive a match to its end; return the result."""
    loop, answer = match(request, bench.description), None
    for _ in range(MOST_STEPS):
        try:
            step = loop.send(answer)
        except StopIteration as end:
            return end.value
        answer = bench.answer(step)
    pytest.fail(f"no end after {MOST_STEPS} steps")


@settings(max_examples=40)
@given(request=requests(), description=benches(), mood=MOODS)
def test_every_match_ends_within_the_limits(request, description, mood):
    """Any answers lead to an end, on the way no duty leaves its limits, and no number is NaN."""
    bench = MoodyBench(description, mood)
    result = drive(request, bench)

    for step in bench.asked:
        if isinstance(step, SetDuty):
            assert step.duty_percent.keys() == description.actuators.keys()
            for name, duty in step.duty_percent.items():
                actuator = description.actuators[name]
                assert actuator.min_duty_percent <= duty <= actuator.max_duty_percent
        if isinstance(step, Listen):
            assert 10 * step.seconds == pytest.approx(round(10 * step.seconds))
        if isinstance(step, Remark):
            assert "nan" not in step.text
    assert result.why
    assert result.bench_s == pytest.approx(
        sum(step.seconds for step in bench.asked if isinstance(step, Listen)), abs=0.1
    )
    for level in (result.level, result.as_read, result.floor):
        assert level is None or not np.isnan(level.mean_db)
    if result.outcome == "matched":
        assert np.isfinite(result.level.mean_db)
        assert result.actuators.keys() == description.actuators.keys()
    if result.actuators is None:
        assert result.level is None
    else:
        assert np.isfinite(result.level.mean_db)
        assert np.isfinite(result.as_read.mean_db)


@settings(max_examples=8)
@given(request=requests(), description=benches(), mood=MOODS)
def test_the_same_answers_give_the_same_match(request, description, mood):
    """A match replayed from a record of its answers asks and concludes the same."""
    first, second = MoodyBench(description, mood), MoodyBench(description, mood)
    one, two = drive(request, first), drive(request, second)

    assert [repr(step) for step in first.asked] == [repr(step) for step in second.asked]
    assert (one.outcome, one.why, one.level, one.as_read, one.floor, one.warnings) == (
        two.outcome,
        two.why,
        two.level,
        two.as_read,
        two.floor,
        two.warnings,
    )
    assert one.actuators == two.actuators
    assert one.visited == two.visited
