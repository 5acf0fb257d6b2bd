"""Sweeps of random coolers whose level at every speed is known."""

from dataclasses import dataclass

import numpy as np
import pytest
from closed_loop.level_bench import LevelBench, random_traits, without
from closed_loop.test_any_answers import MOODS, MoodyBench, benches
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.errors import InputError
from calibration.bench_state import ActuatorState, BenchState
from calibration.results import FloorReading
from calibration.steps import Heard, Listen, SetDuty
from calibration.sweep_results import SweepRequest, SweepResult
from calibration.sweeping import sweep

SMOOTH = 20
HUMPED = 10
MOST_STEPS = 8000
"""A sweep over a range of ten to one takes some 800 half seconds."""


@dataclass(frozen=True)
class Swept:
    """One cooler and what its sweep found."""

    result: SweepResult
    bench: LevelBench
    truths: dict


def drive(request, bench, answer_to=None):
    """Sweep to the end; return the result and the true level whenever something was heard."""
    loop, answer, truths = sweep(request, bench.description()), None, {}
    for _ in range(MOST_STEPS):
        try:
            step = loop.send(answer)
        except StopIteration as end:
            return end.value, truths
        answer = (answer_to or bench.answer)(step)
        if isinstance(step, Listen) and bench.running:
            truths.setdefault(bench.duty["fan"], []).append(bench.true_level_db())
    pytest.fail(f"no end after {MOST_STEPS} steps")


def swept(seed, number, **changes):
    """Sweep one cooler whose floor was measured just before; nothing drifts meanwhile."""
    rng = np.random.default_rng([seed, number])
    traits = without(random_traits(rng), drift_db=0.0, **changes)
    bench = LevelBench(traits, rng)
    swing_db = traits.floor_wander_db * np.sin(bench.floor_phase)
    request = SweepRequest(floor=FloorReading(traits.floor_db + swing_db, 0.3))
    result, truths = drive(request, bench)
    return Swept(result, bench, truths)


@pytest.fixture(scope="module")
def smooth():
    """Coolers without a resonance."""
    return [swept(71, number, bumps=()) for number in range(SMOOTH)]


@pytest.fixture(scope="module")
def humped():
    """Coolers with one resonance of 3 to 4 dB and 5 % width, well over the floor."""
    rng = np.random.default_rng(72)
    return [
        swept(
            73,
            number,
            bumps=((rng.uniform(0.45, 0.92), rng.uniform(3.0, 4.0), 0.05),),
            full_level_db=48.0,
            pump_full_db=None,
        )
        for number in range(HUMPED)
    ]


def test_levels_lie_within_their_intervals(smooth):
    """Nine in ten stated intervals hold the true level, and nothing is louder than its bound."""
    held, bounded = [], []
    for one in smooth:
        for point in one.result.points:
            # The play of the control makes two levels of one duty.
            truths = one.truths[point.fan_percent]
            nearest = min(truths, key=lambda level: abs(level - point.level.mean_db))
            if point.upper_bound:
                bounded.append(nearest <= point.level.mean_db + 0.05)
            else:
                held.append(abs(nearest - point.level.mean_db) <= 1.96 * point.level.sd_db)

    assert len(held) > 60
    assert np.mean(held) >= 0.88
    assert len(bounded) > 20
    assert np.mean(bounded) >= 0.95


def test_the_exponent_is_found(smooth):
    """The rise per decade is within 6 dB of the truth, half of them within 2 dB."""
    errors = [
        one.result.exponent_db.mean_db - one.bench.traits.exponent_db
        for one in smooth
        if one.result.exponent_db is not None
    ]

    assert len(errors) >= 12
    assert np.median(np.abs(errors)) < 2.0
    assert np.max(np.abs(errors)) < 6.0


def test_no_resonance_is_invented(smooth):
    """At most one smooth cooler in twenty is said to have a resonance, intrusions or not."""
    assert sum(bool(one.result.resonances) for one in smooth) <= 1


def test_a_resonance_is_found_with_its_range(humped):
    """A resonance of 3 to 4 dB and 5 % width is found between the settings, and no other."""
    found = 0
    for one in humped:
        (centre, height_db, width) = one.bench.traits.bumps[0]
        top = centre * one.bench.traits.full_rpm
        # Half of its height is left at 0.59 of the width on either side.
        reach = 0.589 * width
        near = [res for res in one.result.resonances if res.low < top < res.high]
        found += len(near)
        assert len(one.result.resonances) == len(near)
        for resonance in near:
            assert resonance.centre == pytest.approx(top, rel=0.025)
            assert resonance.height_db == pytest.approx(height_db, abs=1.5)
            assert np.log(resonance.high / top) == pytest.approx(reach, abs=0.035)
            assert np.log(top / resonance.low) == pytest.approx(reach, abs=0.035)

    assert found >= HUMPED - 1


def test_stall_and_start_are_found_by_tachometer(smooth):
    """Duties at which fans stop and start are found to a per cent or two, by those who stop."""
    stopped = 0
    for one in smooth:
        traits, result = one.bench.traits, one.result
        if traits.stall_percent > traits.min_duty_percent + 1.0:
            stopped += 1
            # The play shifts a duty that is come to from above.
            assert result.stall_percent == pytest.approx(traits.stall_percent, abs=1.1)
            starts = traits.stall_percent + traits.restart_extra_percent
            assert result.restart_percent == pytest.approx(starts, abs=1.5)
        elif traits.stall_percent < traits.min_duty_percent - 1.0:
            assert result.stall_percent is None
            assert result.restart_percent is None

    assert stopped >= 10


def test_no_fan_is_left_standing(smooth):
    """Whatever a sweep tries, the fans turn when it ends."""
    assert all(one.bench.running for one in smooth)


def test_standing_fans_start_at_once():
    """A fan that stands where it is known to turn gets a start within three seconds of sound."""
    rng = np.random.default_rng([74, 0])
    traits = without(random_traits(rng), stall_percent=25.0, min_duty_percent=0.0, drift_db=0.0)
    bench = LevelBench(traits, rng)
    longest, standing_s = 0.0, 0.0

    def answer_to(step):
        nonlocal longest, standing_s
        answer = bench.answer(step)
        if isinstance(step, Listen):
            stands = bench.state().actuators["fan"].rpm == 0
            standing_s = standing_s + step.seconds if stands else 0.0
            longest = max(longest, standing_s)
        return answer

    result, _ = drive(SweepRequest(floor=FloorReading(traits.floor_db, 0.3)), bench, answer_to)

    assert result.stall_percent is not None
    # Two seconds until it is sure that they stand, and a try of a duty that does not start them.
    assert 0.0 < longest <= 5.5


def test_the_floor_is_listened_for_where_none_is_given():
    """Without a floor the sweep hears it at the lowest speed and stays near the truth."""
    rng = np.random.default_rng([75, 1])
    traits = without(random_traits(rng, pump=False), full_level_db=46.0, bumps=(), drift_db=0.0)
    bench = LevelBench(traits, rng)
    result, _ = drive(SweepRequest(), bench)

    assert result.outcome == "complete"
    assert result.floor.mean_db == pytest.approx(traits.floor_db, abs=1.0)
    assert result.highest.level.mean_db == pytest.approx(
        bench.fan_level_db(bench.rpm_at(100)), abs=0.7
    )


def test_a_loud_room_gives_bounds_only():
    """A cooler that never stands clear of the floor has no profile, and the sweep says so."""
    rng = np.random.default_rng([76, 0])
    traits = without(random_traits(rng, pump=False), full_level_db=30.0, bumps=(), floor_db=33.0)
    bench = LevelBench(traits, rng)
    result, _ = drive(SweepRequest(floor=FloorReading(33.0, 0.3)), bench)

    assert result.outcome == "floor-too-high"
    assert all(point.upper_bound for point in result.points)
    assert result.learned.settings == ()


@pytest.mark.parametrize("after", [3, 40, 200])
def test_a_bench_that_takes_over_stops_the_sweep(after):
    """When the bench goes safe the sweep ends at once, with its reason and what it had heard."""
    rng = np.random.default_rng([77, after])
    bench = LevelBench(random_traits(rng, pump=False), rng)
    asked = []

    def answer_to(step):
        asked.append(step)
        answer = bench.answer(step)
        if len(asked) < after or answer is None:
            return answer
        state = BenchState("safe", "hot", {"fan": ActuatorState(100.0, 1000.0)}, {})
        return Heard(answer.levels_db, answer.valid, state) if isinstance(answer, Heard) else state

    result, _ = drive(SweepRequest(floor=FloorReading(25.0, 0.3)), bench, answer_to)

    assert result.outcome == "stopped"
    assert "hot" in result.why
    assert len(asked) <= after + 3


@settings(max_examples=12)
@given(
    description=benches(),
    mood=MOODS,
    floor=st.none() | st.builds(FloorReading, st.floats(15, 45), st.floats(0.05, 2)),
    pump=st.sampled_from([("automatic", None), ("fixed", 50.0), ("follows", None)]),
)
def test_every_sweep_ends_within_the_limits(description, mood, floor, pump):
    """Any answers lead to an end, and on the way no duty leaves its limits."""
    bench = MoodyBench(description, mood)
    loop = sweep(SweepRequest(floor, *pump), description)
    answer, why = None, None
    for _ in range(MOST_STEPS):
        try:
            step = loop.send(answer)
        except StopIteration as end:
            why = end.value.why
            break
        except InputError as refusal:
            why = str(refusal)
            break
        answer = bench.answer(step)
        if isinstance(step, SetDuty):
            for name, duty in step.duty_percent.items():
                actuator = description.actuators[name]
                assert actuator.min_duty_percent <= duty <= actuator.max_duty_percent
    else:
        pytest.fail(f"no end after {MOST_STEPS} steps")

    assert why


def test_a_held_pump_needs_its_duty():
    """A request that holds a pump without saying where, or the other way round, is refused."""
    with pytest.raises(InputError, match="duty"):
        SweepRequest(pump="fixed")
    with pytest.raises(InputError, match="duty"):
        SweepRequest(pump="follows", pump_duty_percent=50.0)
