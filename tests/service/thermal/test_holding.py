"""Speeds that are held on a bench whose true speeds are known."""

from dataclasses import replace

import numpy as np
import pytest
from held_bench import HeldBench, hours_of_trouble

from acoustic.errors import InputError
from calibration.bench_state import ActuatorState
from calibration.holding import HoldRequest, SpeedHold
from calibration.results import MatchedActuator
from service.errors import CaptureStalled, LeaseHeld
from service.jobs.holding import hold_speeds

FAN_RPM, PUMP_RPM = 1200.0, 2060.0
MATCHED = {"fan": MatchedActuator(55.0, FAN_RPM), "pump": MatchedActuator(70.0, PUMP_RPM)}


def held(bench, seconds, request=None, **changed):
    """Hold for some seconds; returns how it went, what was kept and what was said."""
    kept, said = [], []
    span = hold_speeds(
        request or HoldRequest(MATCHED, **changed),
        bench,
        bench.describe(),
        bench,
        until=lambda held_s: "It was enough." if held_s >= seconds else None,
        keep=kept.append,
        tell=said.append,
    )
    return span, kept, said


def test_speeds_stay_though_fan_load_and_tachometer_do_not():
    """Half an hour of a fan that wears by 5 %, a cycling load and dropouts: within 1 %, unsaid."""
    bench = HeldBench()
    hours_of_trouble(bench, 0.5, np.random.default_rng(3))
    span, kept, said = held(bench, 1800)
    goals = np.array([goal["fan"] for goal in bench.goals[90:]])
    means = np.convolve(goals, np.ones(30) / 30, "valid")

    assert (span.outcome, said) == ("held", [])
    assert np.abs(means / FAN_RPM - 1).max() < 0.01
    assert len(kept) == 1800
    assert {second.state.control for second in kept} == {"leased"}
    assert bench.guard.state().control == "own"
    assert bench.released == 1


def test_a_speed_that_cannot_be_held_is_said_and_makes_the_run_not_held():
    """A fan that is slowed down beyond what duty can do leaves its tolerance, with a word."""
    bench = HeldBench()
    matched = MATCHED | {"fan": MatchedActuator(99.0, 1980.0)}
    bench.before_second = lambda second: setattr(bench.hardware, "wear", 0.1 * (second > 200))
    span, _, said = held(bench, 400, HoldRequest(matched))

    assert span.outcome == "not-held"
    assert "the fan was outside its tolerance for 0:0" in span.why
    assert any("off the 1980 rpm that were matched" in text for text in said)
    assert span.warnings[0].startswith("2026-05-04T12:0")


def test_a_level_that_leaves_is_said_and_so_is_its_return():
    """The middle level of a minute counts: a vehicle says nothing, a dB for minutes does."""
    # Half of the minute at either level is half way.
    bench = HeldBench()
    bench.level_db = lambda s: 40.2 + 20.0 * (100 < s < 115) + 1.0 * (300 < s < 500)
    span, kept, said = held(bench, 700, level_db=40.2)

    assert said == [
        "the microphone reads 41.2 dB(A), +1.0 dB off the 40.2 dB(A) that were matched",
        "the microphone reads 40.7 dB(A) again",
    ]
    assert span.outcome == "not-held"
    assert span.level_db == pytest.approx(40.2)
    assert kept[10].level_db == 40.2


def test_a_microphone_that_fails_does_not_end_the_run():
    """The level ends, the run goes on."""
    bench = HeldBench()

    def stalled(_second):
        raise CaptureStalled("The input stalled.")

    bench.level_db = lambda s: 40.0 if s < 100 else stalled(s)
    span, kept, said = held(bench, 200, level_db=40.0)

    assert span.outcome == "held"
    assert len(said) == 1
    assert "the microphone failed" in said[0]
    assert kept[-1].level_db is None


def test_a_standing_fan_is_started_again():
    """A fan that stands gets full duty until it turns, and then its own again."""
    bench = HeldBench()

    def stand(second):
        stands = 100 <= second < 104 and bench.hardware.asked["fan"] < 90
        bench.hardware.spoil = lambda reading: (
            replace(reading, rpm={**reading.rpm, "fan": 0.0}) if stands else reading
        )

    bench.before_second = stand
    span, kept, _ = held(bench, 200)
    duties = [second.state.actuators["fan"].duty_percent for second in kept]

    assert span.outcome == "not-held"
    assert 100.0 in duties[100:110]
    assert duties[-1] == pytest.approx(55.0, abs=3.0)


@pytest.mark.parametrize("fault", ["sensor", "hot", "stuck", "taken", "gone"])
def test_every_fault_ends_it_with_the_bench_safe(fault):
    """Whatever fails is said, every second before it is kept, and nothing stays turned down."""
    bench = HeldBench()

    def fail(second):
        if second < 200:
            return
        if fault == "sensor":
            bench.hardware.spoil = lambda reading: replace(
                reading, temperatures_c={"processor": None}
            )
        elif fault == "hot":
            bench.plant.set_load(2000.0)
        elif fault == "stuck":
            bench.hardware.spoil = lambda reading: replace(reading, rpm={**reading.rpm, "fan": 0.0})
        elif fault == "taken" and second == 200:
            bench.guard.release(bench.lease)
        elif fault == "gone":
            bench.unreachable = set(range(201, 300))

    bench.before_second = fail
    span, kept, _ = held(bench, 2000)
    bench.unreachable = set()

    assert span.outcome == ("failed" if fault == "gone" else "stopped")
    assert span.why.endswith(".")
    assert len(kept) >= 200
    assert bench.held_s < 500
    assert bench.guard.state().control in ("own", "safe")
    assert bench.released == 1


def test_settings_that_do_not_fit_are_refused_before_anything_moves():
    """Another actuator, or a duty outside the limits, is refused with its name."""
    bench = HeldBench()
    with pytest.raises(InputError, match="plug in what was matched"):
        held(bench, 1, HoldRequest({"fan": MATCHED["fan"]}))
    with pytest.raises(InputError, match="The pump on bench south takes"):
        held(bench, 1, HoldRequest(MATCHED | {"pump": MatchedActuator(5.0, None)}))
    bench.guard.grant("somebody", 10.0)
    with pytest.raises(LeaseHeld):
        held(bench, 1)

    assert bench.held_s == 0


def test_without_a_tachometer_the_duty_is_held():
    """Nothing is trimmed where nothing tells the speed."""
    bench = HeldBench()
    hold = SpeedHold(HoldRequest(MATCHED), bench.describe())
    bench.acquire("x")
    state = bench.set_duty(hold.first_duties)
    blind = replace(
        state,
        actuators={
            name: ActuatorState(each.duty_percent, None) for name, each in state.actuators.items()
        },
    )
    steps = [hold.take(blind, None) for _ in range(100)]

    assert all(not step.duties and not step.remarks for step in steps)
    assert hold.arrived
