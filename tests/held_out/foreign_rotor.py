"""One fan or pump of the foreign bench: how duty becomes speed, and speed becomes sound.

Part of the foreign bench: it imports nothing of the project. The level of a speed is a closed form
of the description; the sound is drawn so that its long-term level is exactly that.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from held_out.foreign_spectra import (
    RATE_HZ,
    Colour,
    ColouredNoise,
    a_weighting,
    mean_square_pa2,
)

TICK_FRAMES = 480
TICK_S = TICK_FRAMES / RATE_HZ


@dataclass(frozen=True)
class Make:
    """What kind of fan or pump it is; levels are A-weighted, at its fastest speed."""

    name: str
    role: str
    min_duty_percent: float
    max_duty_percent: float
    tachometer: dict[str, Any] | None
    duty_step_percent: float
    slowest_rpm: float
    fastest_rpm: float
    dead_below_percent: float
    """Below this duty it turns as slowly as it can."""
    curve: float
    """Exponent of speed over duty above the dead zone."""
    stall_below_percent: float
    """Below this duty it stops; 0 for one that never does."""
    restart_percent: float
    """Once stopped, it starts again from this duty up."""
    backlash_percent: float
    spin_up_s: float
    spin_down_s: float
    rpm_hunting_percent: float
    level_hunting_db: float
    hunting_s: float
    noises: list[dict[str, float]]
    tones: list[dict[str, float]]
    bumps: list[dict[str, float]]
    own_duty_percent: list[float]
    """What the bench's own control gives it, cool and hot."""

    def settle(self, effective: float, duty: float, *, running: bool) -> tuple[float, bool]:
        """Return the duty that is felt and whether it turns, after a new duty (play and stall)."""
        slack = self.backlash_percent / 2
        effective = min(max(effective, duty - slack), duty + slack)
        running = effective >= (self.stall_below_percent if running else self.restart_percent)
        return effective, running

    def steady_rpm(self, effective: float, *, running: bool) -> float:
        """Return the mean speed that a felt duty leads to."""
        if not running:
            return 0.0
        above = (effective - self.dead_below_percent) / (100.0 - self.dead_below_percent)
        share = min(max(above, 0.0), 1.0) ** self.curve
        return self.slowest_rpm + (self.fastest_rpm - self.slowest_rpm) * share

    def bump_db(self, rpm: np.ndarray | float) -> np.ndarray:
        """Return what resonances add at a speed."""
        rpm = np.asarray(rpm, dtype=float)
        total = np.zeros_like(rpm)
        for bump in self.bumps:
            apart = (rpm / bump["rpm"] - 1.0) * 100.0 / bump["width_percent"]
            total += bump["gain_db"] * np.exp(-0.5 * apart * apart)
        return total

    def amplitude(self, part: dict[str, float], rpm: np.ndarray | float) -> np.ndarray:
        """Return the amplitude factor of one noise or tone against 0 dB at a speed."""
        share = np.maximum(np.asarray(rpm, dtype=float), 1.0) / self.fastest_rpm
        db = part["level_db"] + part["db_per_decade"] * np.log10(share) + self.bump_db(rpm)
        return 10.0 ** (db / 20.0) * (np.asarray(rpm) > 0.0)

    def weighted_mean_square_pa2(self, rpm: float) -> float:
        """Return the long-term A-weighted mean square pressure at a steady speed, closed form."""
        total = sum(float(self.amplitude(noise, rpm)) ** 2 for noise in self.noises)
        for tone in self.tones:
            weight = float(a_weighting(tone["order"] * rpm / 60.0)) if rpm > 0.0 else 0.0
            total += (float(self.amplitude(tone, rpm)) * weight) ** 2
        spread = self.level_hunting_db * np.log(10.0) / 10.0
        return mean_square_pa2(0.0) * total * float(np.exp(spread * spread / 2.0))


@dataclass
class Rotor:
    """One fan or pump in motion."""

    make: Make
    rng: np.random.Generator
    duty: float
    """The duty that has arrived at it."""
    effective: float = 0.0
    running: bool = True
    rpm: float = 0.0
    turns: float = 0.0
    _phases: list[float] = field(default_factory=list)
    _hunting: np.ndarray = field(default_factory=lambda: np.zeros(2))
    _tone_phase: np.ndarray = field(init=False)
    _noises: list[ColouredNoise] = field(init=False)
    _last_gain: list[float] = field(default_factory=list)
    _shown_rpm: int = 0
    _readings: list[float] = field(default_factory=list)
    _ticks: int = 0

    def __post_init__(self) -> None:
        make = self.make
        self.effective, self.running = make.settle(self.duty, self.duty, running=True)
        self.rpm = make.steady_rpm(self.effective, running=self.running)
        self._tone_phase = self.rng.uniform(0.0, 2.0 * np.pi, len(make.tones))
        self._noises = [
            ColouredNoise(
                Colour(n["low_hz"], n["high_hz"], n["hill_hz"], n["hill_db"]),
                np.random.default_rng(self.rng.integers(1 << 60)),
            )
            for n in make.noises
        ]
        window = self._window_ticks()
        self._phases = [self.rpm / 60.0 * TICK_S * (k - window) for k in range(window + 1)]
        self._shown_rpm = round(self.rpm)
        self._hunting = self.rng.standard_normal(2)

    def _window_ticks(self) -> int:
        window_s = (self.make.tachometer or {"window_s": 1.0})["window_s"]
        return max(1, round(window_s / TICK_S))

    def tick(self) -> None:
        """Move by one tick."""
        make = self.make
        self.effective, self.running = make.settle(self.effective, self.duty, running=self.running)
        target = make.steady_rpm(self.effective, running=self.running)
        inertia_s = make.spin_up_s if target > self.rpm else make.spin_down_s
        self.rpm += (target - self.rpm) * (1.0 - np.exp(-TICK_S / inertia_s))
        if target == 0.0 and self.rpm < 0.02 * make.slowest_rpm:
            self.rpm = 0.0
        keep = np.exp(-TICK_S / make.hunting_s)
        fresh = self.rng.standard_normal(2) * np.sqrt(1.0 - keep * keep)
        self._hunting = keep * self._hunting + fresh
        self.turns += self.turning_rpm / 60.0 * TICK_S
        self._phases.append(self.turns)
        del self._phases[0]
        self._ticks += 1
        every_s = (make.tachometer or {"every_s": 1.0})["every_s"]
        if self._ticks % max(1, round(every_s / TICK_S)) == 0:
            self._read_tachometer()

    def _read_tachometer(self) -> None:
        tachometer = self.make.tachometer
        if tachometer is None:
            return
        window_s = self._window_ticks() * TICK_S
        first, last = self._phases[0], self._phases[-1]
        if tachometer["kind"] == "count":
            turns = (np.floor(2.0 * last) - np.floor(2.0 * first)) / 2.0
        else:
            turns = last - first
        self._readings = [*self._readings, turns / window_s * 60.0][-int(tachometer["average"]) :]
        self._shown_rpm = round(float(np.mean(self._readings)))

    @property
    def turning_rpm(self) -> float:
        """Speed at this moment, hunting included."""
        return float(self.rpm * (1.0 + self.make.rpm_hunting_percent / 100.0 * self._hunting[0]))

    @property
    def shown_rpm(self) -> int | None:
        """What its tachometer says; None without one."""
        return None if self.make.tachometer is None else self._shown_rpm

    @property
    def hunting_gain(self) -> float:
        """Amplitude factor of the slow wandering of its level at this moment."""
        return float(10.0 ** (self.make.level_hunting_db * self._hunting[1] / 20.0))

    def sound(self, rpm: np.ndarray, hunting: np.ndarray) -> np.ndarray:
        """Return the pressure of a stretch, from speed and hunting gain at each tick's end."""
        make = self.make
        frames = len(rpm) * TICK_FRAMES
        ends = np.arange(1, len(rpm) + 1) * TICK_FRAMES
        at = np.arange(1, frames + 1)
        gains = [make.amplitude(part, rpm) * hunting for part in [*make.noises, *make.tones]]
        if not self._last_gain:
            self._last_gain = [float(gain[0]) for gain in gains]
        ramps = [
            np.interp(at, [0, *ends], [last, *gain])
            for last, gain in zip(self._last_gain, gains, strict=True)
        ]
        self._last_gain = [float(gain[-1]) for gain in gains]
        total = np.zeros(frames)
        for noise, ramp in zip(self._noises, ramps, strict=False):
            total += noise.take(frames) * ramp
        turned = np.cumsum(np.repeat(rpm, TICK_FRAMES)) * (2.0 * np.pi / 60.0 / RATE_HZ)
        one = np.sqrt(2.0 * mean_square_pa2(0.0))
        for index, tone in enumerate(make.tones):
            phase = self._tone_phase[index] + tone["order"] * turned
            total += one * ramps[len(make.noises) + index] * np.sin(phase)
            self._tone_phase[index] = phase[-1] % (2.0 * np.pi)
        return total
