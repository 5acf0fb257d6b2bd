"""Coolers and rooms that cannot be matched, or only with care, each named for what it is."""

from dataclasses import replace

import numpy as np
import pytest
from closed_loop.level_bench import LevelBench, random_traits, run, without

from acoustic.errors import InputError
from calibration.bench_state import Actuator, ActuatorState
from calibration.matching import match
from calibration.results import FloorReading, MatchRequest
from calibration.steps import Listen, Remark, SetDuty

SEEDS = range(2)


def bench(seed, kind=LevelBench, *, pump=False, **changes):
    """Draw a cooler with some traits changed, in a room without intrusions unless asked for."""
    rng = np.random.default_rng([41, seed])
    usual = {"drift_db": 0.0, "intrusions_per_s": 0.0}
    traits = without(random_traits(rng, pump=pump), **{**usual, **changes})
    return kind(traits, rng)


def matched(plant, target_db=40.0, **wishes):
    """Match a bench to a target."""
    return run(match(MatchRequest(target_db, 0.3, **wishes), plant.description()), plant)


class WithoutTachometer(LevelBench):
    """The same cooler, whose speed nobody can read."""

    def description(self):
        """Present actuators without tachometers."""
        seen = super().description()
        actuators = {
            name: replace(actuator, tachometer=False) for name, actuator in seen.actuators.items()
        }
        return replace(seen, actuators=actuators)

    def state(self):
        """Say the duties alone."""
        seen = super().state()
        blind = {
            name: ActuatorState(now.duty_percent, None) for name, now in seen.actuators.items()
        }
        return replace(seen, actuators=blind)


class WithThreeFans(LevelBench):
    """The same cooler, whose fan is three that turn alike."""

    NAMES = ("front", "middle", "rear")

    def description(self):
        """Present three fans in place of one, the last without a tachometer."""
        seen = super().description()
        rest = {name: actuator for name, actuator in seen.actuators.items() if name != "fan"}
        fan = seen.actuators["fan"]
        fans = {name: replace(fan, tachometer=name != "rear") for name in self.NAMES}
        return replace(seen, actuators={**fans, **rest})

    def state(self):
        """Say the speed of each fan."""
        seen = super().state()
        rest = {name: now for name, now in seen.actuators.items() if name != "fan"}
        fan = seen.actuators["fan"]
        fans = {
            "front": fan,
            "middle": replace(fan, rpm=round(1.02 * fan.rpm)),
            "rear": replace(fan, rpm=None),
        }
        return replace(seen, actuators={**fans, **rest})

    def answer(self, step):
        """Move the one fan that the three are."""
        if isinstance(step, SetDuty):
            duties = {step.duty_percent[name] for name in self.NAMES}
            assert len(duties) == 1
            rest = {n: duty for n, duty in step.duty_percent.items() if n not in self.NAMES}
            step = SetDuty({"fan": duties.pop(), **rest})
        return super().answer(step)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    "changes",
    [
        {"min_duty_percent": 60.0, "stall_percent": 10.0},  # the bench takes no less
        {"min_duty_percent": 20.0, "stall_percent": 45.0},  # the fan stands below that
    ],
)
def test_too_loud_at_the_lowest_speed(seed, changes):
    """A cooler above the target at the slowest speed it holds is named, at about that speed."""
    plant = bench(seed, full_level_db=62.0, exponent_db=50.0, bumps=(), **changes)
    slowest = max(plant.traits.min_duty_percent, plant.traits.stall_percent)
    assert plant.level_at_db(slowest, 30.0) > 43.0
    result = matched(plant)

    assert result.outcome == "louder-at-minimum"
    fan = result.actuators["fan"]
    assert fan.rpm > 0
    assert fan.duty_percent <= slowest + plant.traits.play_percent + 1.5
    assert result.level.mean_db == pytest.approx(plant.fan_level_db(fan.rpm), abs=0.8)


@pytest.mark.parametrize("seed", SEEDS)
def test_too_loud_a_pump(seed):
    """A pump that is louder than the target by itself at its lowest duty is named."""
    plant = bench(
        seed,
        pump=True,
        pump_full_db=60.0,
        pump_exponent_db=30.0,
        full_level_db=45.0,
        min_duty_percent=20.0,
        stall_percent=10.0,
        bumps=(),
    )
    assert plant.pump_level_db(30.0) > 43.0
    result = matched(plant)

    assert result.outcome == "louder-at-minimum"
    assert result.actuators["pump"].duty_percent == 30.0
    assert result.level.mean_db == pytest.approx(plant.true_level_db(), abs=0.8)


@pytest.mark.parametrize("seed", SEEDS)
def test_too_quiet_at_full_speed(seed):
    """A cooler below the target at full duty is named, with full duty as its setting."""
    plant = bench(seed, full_level_db=36.0, bumps=())
    result = matched(plant)

    assert result.outcome == "quieter-at-full-speed"
    assert result.actuators["fan"].duty_percent == 100.0
    assert result.level.mean_db == pytest.approx(plant.true_level_db(), abs=0.8)
    assert "full speed" in result.why


def test_a_floor_given_too_high_is_told_without_touching_the_bench():
    """With a given floor closer than 4 dB under the target nothing is set and nothing heard."""
    plant = bench(0)
    loop = match(MatchRequest(34.0, 0.3, floor=FloorReading(31.0, 0.3)), plant.description())
    with pytest.raises(StopIteration) as end:
        next(loop)
    result = end.value.value

    assert result.outcome == "floor-too-high"
    assert "31.0 dB(A)" in result.why
    assert result.actuators is None
    assert result.level is None
    assert result.visited == ()
    assert result.bench_s == 0.0


@pytest.mark.parametrize("seed", SEEDS)
def test_a_floor_found_too_high_is_told(seed):
    """A room that reads more than the target allows is named after it was heard."""
    plant = bench(seed, floor_db=35.0, full_level_db=50.0, stall_percent=25.0, min_duty_percent=0.0)
    result = matched(plant, 36.0)

    assert result.outcome == "floor-too-high"
    assert result.actuators is None
    assert result.floor.mean_db == pytest.approx(35.0, abs=1.0)


def test_a_high_floor_is_no_matter_for_the_reading():
    """With the target for the reading, the floor is part of it however near."""
    plant = bench(1, floor_db=33.0, full_level_db=50.0)
    result = matched(plant, 36.0, applies_to="reading", floor=FloorReading(33.0, 0.3))
    true_read_db = 10 * np.log10(10 ** (plant.true_level_db() / 10) + 10**3.3)

    assert result.outcome == "matched"
    assert true_read_db == pytest.approx(36.0, abs=0.4)
    assert result.warnings == ()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_level_that_jumps_about_is_never_called_sure(seed):
    """A cooler that hunts by several decibels is unsteady, or matched with an honest interval."""
    plant = bench(seed, hunting_sd_db=3.0, hunting_tau_s=6.0, full_level_db=48.0)
    result = matched(plant)

    assert result.outcome in {"unsteady", "matched"}
    if result.outcome == "matched":
        assert result.level.sd_db > 0.25
        assert any("hunts" in warning for warning in result.warnings)
        assert "at least 95 %" not in result.why


def test_jumping_levels_are_mostly_unsteady():
    """Out of eight coolers that hunt by several decibels at least half end as unsteady."""
    outcomes = [
        matched(bench(seed, hunting_sd_db=4.0, hunting_tau_s=5.0, full_level_db=48.0)).outcome
        for seed in range(8)
    ]

    assert outcomes.count("unsteady") >= 4


def test_a_room_never_quiet_is_told():
    """Where the capture distrusts everything, the run ends with a hint to check the input."""

    class Distrusted(LevelBench):
        """A bench whose every interval is bad."""

        def answer(self, step):
            """Mark everything that was heard as bad."""
            answer = super().answer(step)
            if isinstance(step, Listen):
                return replace(answer, valid=np.zeros(answer.levels_db.size, dtype=bool))
            return answer

    result = matched(bench(2, Distrusted))

    assert result.outcome == "unsteady"
    assert any("check the input" in warning for warning in result.warnings)
    assert result.level is None
    assert result.actuators is None


@pytest.mark.parametrize("pump", [False, True])
def test_standing_fans_are_no_setting(pump):
    """Where only the floor could be heard, the fans at rest are not given as what to set."""

    class Disturbed(LevelBench):
        """A bench that can be heard at its lowest duty only."""

        def answer(self, step):
            """Mark what was heard at higher duties as bad."""
            answer = super().answer(step)
            if isinstance(step, Listen) and self.duty["fan"] > 30:
                return replace(answer, valid=np.zeros(answer.levels_db.size, dtype=bool))
            return answer

    result = matched(bench(2, Disturbed, pump=pump, min_duty_percent=0.0))

    assert result.outcome == "unsteady"
    assert len(result.visited) == 1
    assert result.actuators is None
    assert result.level is None
    assert len(result.warnings) == 1


def test_a_level_lost_among_pulses_is_unsteady():
    """Where a level is lost again while it is listened to, turning fans are not called standing."""

    class Pulsing(LevelBench):
        """A bench that is loud for 3 s of listening and then pulses, quieter, once a second."""

        heard_s = 0.0

        def answer(self, step):
            """Replace the levels by the course since the last change of duty."""
            answer = super().answer(step)
            if isinstance(step, SetDuty):
                self.heard_s = 0.0
            if not isinstance(step, Listen):
                return answer
            course = np.full(answer.levels_db.size, 40.0)
            if self.heard_s >= 3.0:
                course = np.where(np.arange(course.size) % 10 < 3, 36.0, 20.0)
            self.heard_s += step.seconds if step.seconds >= 1.0 else 0.0
            return replace(answer, levels_db=course + 0.2 * self.rng.standard_normal(course.size))

    plant = bench(6, Pulsing, full_level_db=39.0, bumps=(), min_duty_percent=97.0)
    result = matched(plant, floor=FloorReading(15.0, 0.3))

    assert result.outcome == "unsteady"
    assert result.visited[-1].rejected_s > 55
    assert len(result.visited) < 8


@pytest.mark.parametrize("seed", SEEDS)
def test_fans_that_stand_at_full_duty_stop_the_run(seed):
    """Fans that do not turn at all are a fault of their own, never a quiet cooler."""
    result = matched(bench(seed, stall_percent=150.0))

    assert result.outcome == "stopped"
    assert "check their cables" in result.why
    assert result.actuators is None


@pytest.mark.parametrize("seed", SEEDS)
def test_a_stopped_fan_is_never_given(seed):
    """A fan that stands below half its duty and is too loud there is not matched by stopping it."""
    plant = bench(
        seed,
        full_level_db=58.0,
        exponent_db=55.0,
        stall_percent=50.0,
        min_duty_percent=0.0,
        bumps=(),
    )
    result = matched(plant)

    assert result.outcome == "louder-at-minimum"
    assert result.actuators["fan"].rpm > 0
    assert result.visited[-1].actuators == result.actuators


@pytest.mark.parametrize("seed", SEEDS)
def test_the_fans_turn_at_the_end_of_a_match(seed):
    """After the floor was heard again the bench is left as matched, with the fan turning."""
    plant = bench(
        seed,
        full_level_db=52.0,
        exponent_db=55.0,
        bumps=(),
        floor_db=27.5,
        stall_percent=28.0,
        restart_extra_percent=25.0,
        min_duty_percent=0.0,
        hunting_sd_db=0.15,
    )
    result = matched(plant, 34.0, floor=FloorReading(27.5, 0.2))

    assert result.outcome == "matched"
    assert plant.running
    assert plant.duty["fan"] == result.actuators["fan"].duty_percent
    assert plant.true_level_db() == pytest.approx(34.0, abs=0.6)


@pytest.mark.parametrize("seed", SEEDS)
def test_without_a_tachometer(seed):
    """Without a tachometer the duty takes the place of the speed, with patience for the rotor."""
    plant = bench(
        seed, WithoutTachometer, full_level_db=48.0, min_duty_percent=20.0, stall_percent=10.0
    )
    result = matched(plant)

    assert result.outcome == "matched"
    assert plant.true_level_db() == pytest.approx(40.0, abs=0.5)
    assert result.actuators["fan"].rpm is None


@pytest.mark.parametrize("seed", SEEDS)
def test_no_duty_and_no_tachometer(seed):
    """Where nothing shows the speed and the bench takes 0 %, that duty counts as standing."""
    plant = bench(
        seed,
        WithoutTachometer,
        full_level_db=60.0,
        exponent_db=45.0,
        speed_at_zero=0.5,
        bumps=(),
        min_duty_percent=0.0,
        stall_percent=0.5,
        dead_zone_percent=1.0,
        floor_db=22.0,
    )
    result = matched(plant, floor=FloorReading(22.0, 0.3))

    assert result.outcome == "louder-at-minimum"
    assert 0.0 < result.actuators["fan"].duty_percent < 3.0
    assert result.level.mean_db == pytest.approx(plant.true_level_db(), abs=0.8)


@pytest.mark.parametrize("seed", SEEDS)
def test_several_fans_move_together(seed):
    """Three fans get one duty each time and are given with the speed that each reports."""
    plant = bench(seed, WithThreeFans, full_level_db=48.0)
    result = matched(plant)

    assert result.outcome == "matched"
    assert plant.true_level_db() == pytest.approx(40.0, abs=0.5)
    assert result.actuators.keys() == {"front", "middle", "rear"}
    assert len({fan.duty_percent for fan in result.actuators.values()}) == 1
    assert result.actuators["middle"].rpm > result.actuators["front"].rpm > 0
    assert result.actuators["rear"].rpm is None


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("pump_percent", [30.0, 55.0, 100.0])
def test_a_fixed_pump_is_held(seed, pump_percent):
    """A pump duty that is asked for is held from the first step to the last."""
    plant = bench(seed, pump=True, full_level_db=48.0, bumps=())
    asked = []
    original = plant.answer

    def answer(step):
        """Keep what the pump was asked."""
        if isinstance(step, SetDuty):
            asked.append(step.duty_percent["pump"])
        return original(step)

    plant.answer = answer
    result = matched(plant, pump="fixed", pump_duty_percent=pump_percent)

    assert result.outcome == "matched"
    assert set(asked) == {pump_percent}
    assert plant.true_level_db() == pytest.approx(40.0, abs=0.5)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_pump_that_follows(seed):
    """A pump that follows goes over its range as the fan goes over its own."""
    plant = bench(seed, pump=True, full_level_db=48.0)
    result = matched(plant, pump="follows")
    low = plant.traits.min_duty_percent
    fan, pump = result.actuators["fan"].duty_percent, result.actuators["pump"].duty_percent

    assert result.outcome == "matched"
    assert (pump - 30) / 70 == pytest.approx((fan - low) / (100 - low), abs=1e-3)
    assert plant.true_level_db() == pytest.approx(40.0, abs=0.5)


@pytest.mark.parametrize("seed", SEEDS)
def test_an_automatic_pump_helps_where_the_fans_do_not_suffice(seed):
    """With fans too quiet at full speed the pump goes up, and both together make the target."""
    plant = bench(
        seed,
        pump=True,
        full_level_db=37.0,
        bumps=(),
        pump_full_db=38.5,
        pump_exponent_db=40.0,
    )
    assert plant.level_at_db(100.0, 80.0) < 39.1
    assert plant.level_at_db(100.0, 100.0) > 40.7
    result = matched(plant)

    assert result.outcome == "matched"
    assert result.actuators["pump"].duty_percent == 100.0
    assert plant.true_level_db() == pytest.approx(40.0, abs=0.5)


def test_a_pump_duty_outside_its_limits_is_refused_at_the_first_step():
    """An impossible request fails before anything is set."""
    plant = bench(0, pump=True)
    loop = match(MatchRequest(40.0, 0.3, pump="fixed", pump_duty_percent=10.0), plant.description())

    with pytest.raises(InputError, match="30 to 100 %"):
        next(loop)


@pytest.mark.parametrize("after_s", [0, 20, 40])
def test_a_bench_that_takes_over_stops_the_run(after_s):
    """When the bench protects its hardware the run ends there, and gives no settings."""

    class Guarded(LevelBench):
        """A bench that takes over after a while."""

        def state(self):
            """Be safe when the time has come."""
            seen = super().state()
            if self.time_s < after_s:
                return seen
            return replace(seen, control="safe", why="processor at 90.4 C")

    # It hunts so much and so slowly that forty seconds are not enough to be sure.
    plant = bench(3, Guarded, hunting_sd_db=0.8, hunting_tau_s=5.0)
    result = matched(plant)

    assert result.outcome == "stopped"
    assert "processor at 90.4 C" in result.why
    assert result.actuators is None
    assert result.level is None
    assert plant.time_s <= after_s + 4


def test_a_processor_that_warms_up_stops_the_run_before_the_bench_does():
    """Within 2 K of its limit a temperature ends the run with its name and value."""

    class Warming(LevelBench):
        """A bench that warms up by half a degree a second."""

        def state(self):
            """Report a temperature that rises."""
            return replace(super().state(), temperatures_c={"processor": 75.0 + 0.5 * self.time_s})

    plant = bench(4, Warming, full_level_db=52.0)
    result = matched(plant)

    assert result.outcome == "stopped"
    assert "close to its limit of 90 C" in result.why
    assert 75.0 + 0.5 * plant.time_s < 90.0


def test_remarks_tell_what_goes_on():
    """The person at the bench hears of the floor and of each move, without a number missing."""
    plant = bench(5, full_level_db=48.0)
    remarks = []
    original = plant.answer

    def answer(step):
        """Keep the remarks."""
        if isinstance(step, Remark):
            remarks.append(step.text)
        return original(step)

    plant.answer = answer
    result = matched(plant)

    assert result.outcome == "matched"
    assert remarks[0].startswith("listening for the room floor")
    assert "the microphone reads" in remarks[1]
    assert sum("% duty" in remark for remark in remarks) >= len(result.visited) - 2
    assert not any("nan" in remark or "inf" in remark for remark in remarks)


def test_limits_of_the_bench_are_respected_at_both_ends():
    """With limits that are steps of a register the ends are given exactly."""

    class Register(LevelBench):
        """A bench whose limits are eight-bit steps."""

        def description(self):
            """Present limits of 20 and 254 of 255 steps."""
            seen = super().description()
            fan = Actuator("fan", 100 * 20 / 255, 100 * 254 / 255, tachometer=True)
            return replace(seen, actuators={"fan": fan})

    result = matched(bench(0, Register, full_level_db=36.0, bumps=()))

    assert result.outcome == "quieter-at-full-speed"
    assert result.actuators["fan"].duty_percent == 100 * 254 / 255


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("depth_db", "period_s"), [(1.5, 3.0), (3.0, 6.0)])
def test_a_cooler_that_beats_is_matched_by_its_mean_energy(seed, depth_db, period_s):
    """The crests of a beat are part of the level, and the person at the bench is told of it."""
    plant = bench(seed, full_level_db=48.0, beat_depth_db=depth_db, beat_period_s=period_s)
    result = matched(plant, floor=FloorReading(plant.traits.floor_db, 0.3))

    assert result.outcome == "matched"
    assert plant.true_level_db() == pytest.approx(40.0, abs=0.4)
    told = any("taken over whole beats" in warning for warning in result.warnings)
    assert told or depth_db < 2.0
