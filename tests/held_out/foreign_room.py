"""The room around the foreign bench: its floor, its hum, its bangs and passing vehicles.

Part of the foreign bench: it imports nothing of the project.
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

_FLOOR = Colour(low_hz=60.0, high_hz=900.0, hill_hz=250.0, hill_db=3.0)
_BANG = Colour(low_hz=90.0, high_hz=1800.0, hill_hz=400.0, hill_db=6.0)
_VEHICLE = Colour(low_hz=40.0, high_hz=350.0, hill_hz=120.0, hill_db=5.0)


@dataclass
class _Intrusion:
    """One event: a colour of noise under an envelope."""

    noise: ColouredNoise
    level_db: float
    length_s: float
    passing: bool
    age_s: float = 0.0

    def take(self, frames: int) -> np.ndarray:
        """Return its next frames."""
        at_s = self.age_s + np.arange(frames) / RATE_HZ
        self.age_s += frames / RATE_HZ
        if self.passing:
            envelope = np.exp(-0.5 * ((at_s - self.length_s / 2) / (self.length_s / 6)) ** 2)
        else:
            envelope = np.minimum(at_s / 0.003, 1.0) * np.exp(-at_s / (self.length_s / 7))
        return self.noise.take(frames) * envelope * 10.0 ** (self.level_db / 20.0)


@dataclass
class Room:
    """A room: `level_db` of its floor, hum included; mean seconds between its intrusions."""

    description: dict[str, Any]
    rng: np.random.Generator
    _floor: ColouredNoise = field(init=False)
    _events: list[_Intrusion] = field(default_factory=list)
    _next_s: dict[str, float] = field(init=False)
    _now: int = 0
    _floor_gain: float = field(init=False)

    def __post_init__(self) -> None:
        self._floor = ColouredNoise(_FLOOR, np.random.default_rng(self.rng.integers(1 << 60)))
        total = mean_square_pa2(self.description["level_db"])
        hum = sum(
            mean_square_pa2(level) * float(a_weighting(frequency)) ** 2
            for frequency, level in self._hum()
        )
        if hum >= total:
            raise ValueError("the hum is louder than the floor that should contain it")
        self._floor_gain = float(np.sqrt((total - hum) / mean_square_pa2(0.0)))
        self._next_s = {kind: self._wait_s(kind) for kind in ("bang", "vehicle")}

    def _hum(self) -> list[tuple[float, float]]:
        """Return frequency and unweighted level of the hum's lines."""
        base, level = self.description["hum_hz"], self.description["hum_level_db"]
        return [(base, level), (2 * base, level - 2.0), (3 * base, level - 9.0)]

    def _wait_s(self, kind: str) -> float:
        mean_s = self.description[f"{kind}_every_s"]
        return float(self.rng.exponential(mean_s)) if mean_s else float("inf")

    def _begin(self, kind: str) -> None:
        rng = self.rng
        fresh = np.random.default_rng(rng.integers(1 << 60))
        if kind == "bang":
            noise = ColouredNoise(_BANG, fresh)
            event = _Intrusion(noise, rng.uniform(52, 72), rng.uniform(0.3, 1.5), passing=False)
        else:
            noise = ColouredNoise(_VEHICLE, fresh)
            event = _Intrusion(noise, rng.uniform(36, 46), rng.uniform(5, 14), passing=True)
        self._events.append(event)

    def take(self, frames: int) -> np.ndarray:
        """Return the next frames, in pascals."""
        at_s = (self._now + np.arange(frames)) / RATE_HZ
        self._now += frames
        total = self._floor.take(frames) * self._floor_gain
        for frequency, level in self._hum():
            amplitude = np.sqrt(2.0 * mean_square_pa2(level))
            total += amplitude * np.sin(2.0 * np.pi * frequency * at_s)
        for kind, due_s in self._next_s.items():
            if at_s[-1] >= due_s:
                self._begin(kind)
                self._next_s[kind] = float(at_s[-1]) + self._wait_s(kind)
        for event in self._events:
            total += event.take(frames)
        self._events = [event for event in self._events if event.age_s < event.length_s]
        return total


def reference_tone(level_db: float, first_frame: int, frames: int) -> np.ndarray:
    """Return a stretch of a sound calibrator's 1 kHz tone, slightly distorted, over faint hiss."""
    at_s = (first_frame + np.arange(frames)) / RATE_HZ
    amplitude = np.sqrt(2.0 * mean_square_pa2(level_db))
    phase = 2.0 * np.pi * 1000.4 * at_s
    hiss = np.random.default_rng(first_frame).standard_normal(frames)
    return amplitude * (np.sin(phase) + 0.004 * np.sin(2 * phase)) + 1e-4 * amplitude * hiss
