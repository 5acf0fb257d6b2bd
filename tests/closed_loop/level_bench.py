"""Random coolers at the level of 100 ms readings, whose true level is known.

An independent plant for the closed loop: it shares no formula with the loop. It answers the loop's
steps directly, without sound or a network, so that thousands of matches run in minutes.
"""

import math
from collections import deque
from collections.abc import Generator
from dataclasses import dataclass, replace

import numpy as np

from calibration.bench_state import Actuator, ActuatorState, BenchDescription, BenchState
from calibration.results import MatchResult
from calibration.steps import Heard, Listen, Observation, SetDuty, Step

TICK_S = 0.1
DRIFT_TAU_S = 20.0
"""What drifts after a change of speed has come to rest, but for a twentieth, in a minute."""
WHOLE_DRIFT_CHANGE = 0.3
"""Relative change of speed that brings the whole drift; smaller ones bring their part of it."""
FIRST_FAN_PERCENT = 40.0
"""Duty at which the bench itself holds the fan before a match."""
LOWEST_PUMP_PERCENT = 30.0


def _sum_db(*levels):
    return 10.0 * math.log10(sum(10.0 ** (level / 10.0) for level in levels))


@dataclass(frozen=True)
class CoolerTraits:
    """What one random cooler and its room are like; everything here is hidden from the loop."""

    full_rpm: float
    full_level_db: float
    exponent_db: float
    bumps: tuple[tuple[float, float, float], ...]
    speed_at_zero: float
    curvature: float
    dead_zone_percent: float
    stall_percent: float
    restart_extra_percent: float
    play_percent: float
    tau_s: float
    min_duty_percent: float
    pump_full_db: float | None
    pump_exponent_db: float
    floor_db: float
    floor_wander_db: float
    hunting_sd_db: float
    hunting_tau_s: float
    white_sd_db: float
    intrusions_per_s: float
    weak_intrusions: bool
    drift_db: float
    tacho_quantum_rpm: float
    tacho_lag_s: float
    tacho_window_s: float
    drift_restarts: bool = False
    """Whether the drift begins anew, in full, at any change of duty however small."""
    beat_depth_db: float = 0.0
    """From crest to trough; a cooler of the base population does not beat."""
    beat_period_s: float = 5.0


def random_traits(rng: np.random.Generator, *, pump: bool | None = None) -> CoolerTraits:
    """Draw a cooler from the population."""
    has_pump = rng.random() < 0.25 if pump is None else pump
    full_level = rng.uniform(34, 55)
    bumps = tuple(
        (rng.uniform(0.3, 1.0), rng.uniform(1, 4), rng.uniform(0.03, 0.08))
        for _ in range(rng.integers(0, 4))
    )
    return CoolerTraits(
        full_rpm=rng.uniform(1000, 3000),
        full_level_db=full_level,
        exponent_db=rng.uniform(45, 65),
        bumps=bumps,
        speed_at_zero=rng.uniform(0.0, 0.2),
        curvature=rng.uniform(-0.1, 0.1),
        dead_zone_percent=rng.uniform(5, 20),
        stall_percent=rng.uniform(8, 30),
        restart_extra_percent=rng.uniform(2, 8),
        play_percent=rng.choice([0.0, 0.25, 0.5]),
        tau_s=rng.uniform(0.8, 3.0),
        min_duty_percent=float(rng.choice([0.0, 10.0, 20.0])),
        pump_full_db=rng.uniform(26, min(36.0, full_level)) if has_pump else None,
        pump_exponent_db=rng.uniform(30, 50),
        floor_db=rng.uniform(22, 30),
        floor_wander_db=0.5,
        hunting_sd_db=rng.uniform(0.1, 0.4),
        hunting_tau_s=rng.uniform(1, 5),
        white_sd_db=4.34 / np.sqrt(rng.uniform(800, 4000) * TICK_S),
        intrusions_per_s=1 / 60,
        weak_intrusions=rng.random() < 0.1,
        drift_db=rng.choice([-0.5, 0.5]) if rng.random() < 0.2 else 0.0,
        tacho_quantum_rpm=float(rng.choice([1.0, 5.0, 10.0])),
        tacho_lag_s=rng.uniform(0.1, 0.5),
        tacho_window_s=rng.uniform(0.2, 1.0),
    )


def beating(traits: CoolerTraits, rng: np.random.Generator) -> CoolerTraits:
    """Give a cooler a second source at nearly the same frequency, and so a slow beat."""
    return replace(
        traits, beat_depth_db=rng.uniform(0.5, 3.0), beat_period_s=rng.uniform(2.0, 12.0)
    )


def drifting_anew(traits: CoolerTraits, rng: np.random.Generator) -> CoolerTraits:
    """Give a cooler a drift that begins anew, in full, at every change of duty."""
    return replace(traits, drift_db=float(rng.choice([-0.5, 0.5])), drift_restarts=True)


def surprising(traits: CoolerTraits) -> CoolerTraits:
    """Return a cooler that grows louder faster, hunts twice as much and stands in a loud room."""
    return replace(
        traits,
        exponent_db=70.0,
        floor_db=34.0,
        hunting_sd_db=2.0 * traits.hunting_sd_db,
        white_sd_db=2.0 * traits.white_sd_db,
    )


class Intrusion:
    """A kind of sound that comes into the room now and then."""

    def __init__(
        self, rate_per_s: float, lasts_s: tuple[float, float], lifts_db: tuple[float, float]
    ) -> None:
        self.rate_per_s = rate_per_s
        self.lasts_s = lasts_s
        self.lifts_db = lifts_db
        self.left_s = 0.0
        self.now_db = 0.0

    def tick(self, rng: np.random.Generator) -> float:
        """Go on for one interval and return by how much the level is lifted in it."""
        if self.left_s <= 0 and rng.random() < self.rate_per_s * TICK_S:
            self.left_s = rng.uniform(*self.lasts_s)
            self.now_db = rng.uniform(*self.lifts_db)
        if self.left_s <= 0:
            return 0.0
        self.left_s -= TICK_S
        return self.now_db


class LevelBench:
    """One cooler in one room, answering the loop's steps."""

    def __init__(self, traits: CoolerTraits, rng: np.random.Generator) -> None:
        self.traits = traits
        self.rng = rng
        # Its own control keeps a fan turning that can turn at all.
        starts_at = traits.stall_percent + traits.restart_extra_percent + traits.play_percent
        self.duty = {"fan": max(FIRST_FAN_PERCENT, min(starts_at, 100.0), traits.min_duty_percent)}
        if traits.pump_full_db is not None:
            self.duty["pump"] = 60.0
        self.played = self.duty["fan"]
        self.running = self.played >= traits.stall_percent
        self.rpm = self._steady_rpm()
        self.tacho = self.rpm
        self.counted = deque([self.rpm], maxlen=max(1, round(traits.tacho_window_s / TICK_S)))
        self.hunting = 0.0
        self.drift = 0.0
        self.floor_phase = rng.uniform(0, 2 * np.pi)
        self.beat_phase = rng.uniform(0, 2 * np.pi)
        self.time_s = 0.0
        self.intrusion = Intrusion(traits.intrusions_per_s, (0.5, 5.0), (3.0, 20.0))
        weak_per_s = traits.intrusions_per_s if traits.weak_intrusions else 0.0
        self.weak_intrusion = Intrusion(weak_per_s, (2.0, 15.0), (0.5, 3.0))
        self.settings_made = 0

    def description(self) -> BenchDescription:
        """Present the bench as it does itself."""
        actuators = {"fan": Actuator("fan", self.traits.min_duty_percent, 100.0, tachometer=True)}
        if self.traits.pump_full_db is not None:
            pump = Actuator("pump", LOWEST_PUMP_PERCENT, 100.0, tachometer=True)
            actuators["pump"] = pump
        return BenchDescription("test", actuators, {"processor": 90.0}, 60.0)

    # The plant

    def rpm_at(self, fan_percent: float) -> float:
        """Speed at which the running fan rests once a duty has got through the play."""
        t = self.traits
        x = max(fan_percent, t.dead_zone_percent) / 100
        share = t.speed_at_zero + (1 - t.speed_at_zero) * x + t.curvature * x * (1 - x)
        return t.full_rpm * share

    def _steady_rpm(self) -> float:
        return self.rpm_at(self.played) if self.running else 0.0

    def fan_level_db(self, rpm: float) -> float:
        """Level of the fan alone at a speed: a straight law with humps of resonances."""
        t = self.traits
        if rpm < 1:
            return -100.0
        ratio = rpm / t.full_rpm
        level = t.full_level_db + t.exponent_db * math.log10(ratio)
        for centre, height, width in t.bumps:
            level += height * math.exp(-0.5 * (math.log(ratio / centre) / (width / 2)) ** 2)
        return level

    def pump_level_db(self, duty: float) -> float:
        """Level of the pump alone at a duty; silence without a pump."""
        t = self.traits
        if t.pump_full_db is None:
            return -100.0
        return t.pump_full_db + t.pump_exponent_db * math.log10(duty / 100)

    def true_level_db(self) -> float:
        """Level of the cooler alone at the duties that are set, once settled."""
        return _sum_db(
            self.fan_level_db(self._steady_rpm()), self.pump_level_db(self.duty.get("pump", 0))
        )

    def level_at_db(self, fan_percent: float, pump_percent: float) -> float:
        """Level of the cooler alone at given duties with the fan running."""
        rpm = self.rpm_at(fan_percent)
        return _sum_db(self.fan_level_db(rpm), self.pump_level_db(pump_percent))

    def loudest_db(self) -> float:
        """Level with everything at full duty."""
        return self.level_at_db(100.0, 100.0)

    @property
    def slowest_percent(self) -> float:
        """Lowest duty at which the fan turns and which the bench takes."""
        return max(self.traits.min_duty_percent, self.traits.stall_percent)

    def quietest_db(self) -> float:
        """Level at the slowest speed the fan holds."""
        return self.level_at_db(self.slowest_percent, LOWEST_PUMP_PERCENT)

    def _beat_db(self) -> float:
        """Course of the level around its mean energy while two sources go in and out of phase."""
        t = self.traits
        if t.beat_depth_db == 0.0:
            return 0.0
        ratio = 10.0 ** (t.beat_depth_db / 10.0)
        swing = math.cos(2 * math.pi * self.time_s / t.beat_period_s + self.beat_phase)
        return 10.0 * math.log10(1.0 + (ratio - 1.0) / (ratio + 1.0) * swing)

    def _apply(self, duty: float) -> None:
        t = self.traits
        moved = abs(duty - self.duty["fan"]) > 1e-9
        before_rpm = self._steady_rpm()
        self.played = float(np.clip(self.played, duty - t.play_percent, duty + t.play_percent))
        threshold = t.stall_percent + (0 if self.running else t.restart_extra_percent)
        self.running = self.played >= threshold
        if moved:
            self.settings_made += 1
            self._disturb(before_rpm)

    def _disturb(self, before_rpm: float) -> None:
        """Throw the level off its rest, by as much as the speed changes."""
        t = self.traits
        if t.drift_restarts:
            self.drift = t.drift_db
            return
        change = (self._steady_rpm() - before_rpm) / max(before_rpm, self._steady_rpm(), 1.0)
        self.drift += t.drift_db * float(np.clip(change / WHOLE_DRIFT_CHANGE, -1.0, 1.0))

    def _tick(self) -> float:
        t, rng = self.traits, self.rng
        self.time_s += TICK_S
        self.rpm += (self._steady_rpm() - self.rpm) * (1 - math.exp(-TICK_S / t.tau_s))
        if not self.running and self.rpm < 60:
            self.rpm = 0.0
        self.tacho += (self.rpm - self.tacho) * (1 - math.exp(-TICK_S / t.tacho_lag_s))
        self.counted.append(self.tacho)
        decay = math.exp(-TICK_S / t.hunting_tau_s)
        self.hunting = (
            decay * self.hunting + t.hunting_sd_db * math.sqrt(1 - decay**2) * rng.standard_normal()
        )
        self.drift *= math.exp(-TICK_S / DRIFT_TAU_S)
        fan = self.fan_level_db(self.rpm) + self.hunting + self.drift
        cooler = _sum_db(fan, self.pump_level_db(self.duty.get("pump", 0))) + self._beat_db()
        swing = math.sin(2 * math.pi * self.time_s / 240 + self.floor_phase)
        level = _sum_db(cooler, t.floor_db + t.floor_wander_db * swing)
        level += t.white_sd_db * rng.standard_normal()
        return level + self.intrusion.tick(rng) + self.weak_intrusion.tick(rng)

    # The answers

    def state(self) -> BenchState:
        """Say what the bench does now, with the steps and the lag of its tachometer."""
        t = self.traits
        counted = sum(self.counted) / len(self.counted)
        rpm = round(counted / t.tacho_quantum_rpm) * t.tacho_quantum_rpm
        if counted < 80:
            rpm = 0.0
        actuators = {"fan": ActuatorState(self.duty["fan"], rpm)}
        if "pump" in self.duty:
            actuators["pump"] = ActuatorState(self.duty["pump"], 25 * self.duty["pump"])
        return BenchState("leased", None, actuators, {"processor": 50.0})

    def answer(self, step: Step) -> Observation:
        """Answer one step of the loop."""
        if isinstance(step, SetDuty):
            self._apply(step.duty_percent["fan"])
            self.duty.update(step.duty_percent)
            return self.state()
        if isinstance(step, Listen):
            levels = np.array([self._tick() for _ in range(round(step.seconds / TICK_S))])
            return Heard(levels, np.ones(levels.size, dtype=bool), self.state())
        return None


def run(loop: Generator[Step, Observation, MatchResult], bench: LevelBench) -> MatchResult:
    """Drive a loop against a level bench to its end."""
    answer: Observation = None
    while True:
        try:
            step = loop.send(answer)
        except StopIteration as end:
            return end.value
        answer = bench.answer(step)


def without(traits: CoolerTraits, **changes: object) -> CoolerTraits:
    """Return the same cooler with some traits changed."""
    return replace(traits, **changes)
