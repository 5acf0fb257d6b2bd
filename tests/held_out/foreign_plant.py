"""The foreign bench's cooler, room, heat and microphone, moved by the sound that is drawn.

Part of the foreign bench: it imports nothing of the project. Nothing here knows the wall clock: a
second passes when 48,000 frames are taken.
"""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from held_out.foreign_room import Room, reference_tone
from held_out.foreign_rotor import TICK_FRAMES, TICK_S, Make, Rotor
from held_out.foreign_spectra import level_db

FULL_SPEED_PERCENT = 100.0


def makes_of(description: dict[str, Any]) -> dict[str, Make]:
    """Return the makes of a bench description, by name."""
    names = [entry.name for entry in fields(Make)]
    return {
        entry["name"]: Make(**{name: entry[name] for name in names})
        for entry in description["actuators"]
    }


def steady_level_db(makes: dict[str, Make], rpm: dict[str, float]) -> float:
    """Return the long-term A-weighted level of the cooler alone, closed form."""
    total = sum(make.weighted_mean_square_pa2(rpm[name]) for name, make in makes.items())
    return level_db(total)


@dataclass
class _Command:
    """Duties on their way to the rotors."""

    due_tick: int
    duty_percent: dict[str, float]


class Plant:
    """Everything physical; whoever calls it holds the bench's lock."""

    def __init__(self, description: dict[str, Any]) -> None:
        self.description = description
        self.makes = makes_of(description)
        rng = np.random.default_rng([description["seed"], 77])
        self._heat = description["heat"]
        self.temperature_c = float(self._heat["start_c"])
        self.duty = {name: self._own_duty(name) for name in self.makes}
        self.rotors = {
            name: Rotor(make, np.random.default_rng(rng.integers(1 << 60)), self.duty[name])
            for name, make in self.makes.items()
        }
        self.room = Room(description["room"], np.random.default_rng(rng.integers(1 << 60)))
        self._sensor = np.random.default_rng(rng.integers(1 << 60))
        self._pascal_per_unit = description["microphone"]["pascal_per_unit"]
        self._commands: list[_Command] = []
        self._ticks = 0
        self._tone_frames = 0
        self.own_control = True
        self.visits: list[dict[str, Any]] = []

    @property
    def produced_s(self) -> float:
        """Seconds of sound produced so far."""
        return self._ticks * TICK_S

    # -- duties -------------------------------------------------------------------------------

    def _own_duty(self, name: str) -> float:
        """Return what the bench's own control wants at the present temperature."""
        cool, hot = self.makes[name].own_duty_percent
        span_c = self.description["limit_c"] - 8.0 - 50.0
        share = min(max((self.temperature_c - 50.0) / span_c, 0.0), 1.0)
        return self.stepped(name, cool + (hot - cool) * share)

    def stepped(self, name: str, duty: float) -> float:
        """Return the nearest duty that the hardware can hold, inside its limits."""
        make = self.makes[name]
        if make.duty_step_percent:
            duty = round(round(duty / make.duty_step_percent) * make.duty_step_percent, 4)
        return min(max(duty, make.min_duty_percent), make.max_duty_percent)

    def command(self, duty: dict[str, float], *, visit: bool = False) -> None:
        """Set duties; they arrive after the bench's latency."""
        self.duty.update({name: self.stepped(name, value) for name, value in duty.items()})
        late = round(self.description["latency_s"] / TICK_S)
        self._commands.append(_Command(self._ticks + late, dict(self.duty)))
        if visit:
            rpm = self.steady_rpm()
            self.visits.append(
                {
                    "at_s": round(self.produced_s, 2),
                    "duty_percent": dict(self.duty),
                    "asked_percent": dict(duty),
                    "rpm": {name: round(value, 1) for name, value in rpm.items()},
                    "level_db": steady_level_db(self.makes, rpm),
                }
            )

    def take_over(self, duty_percent: float) -> None:
        """Bring everything to one duty, past all waiting commands."""
        self.own_control = False
        self._commands.clear()
        self.command(dict.fromkeys(self.makes, duty_percent))

    def hand_back(self) -> None:
        """Go back to the bench's own control at once."""
        self.own_control = True
        self.command({name: self._own_duty(name) for name in self.makes})

    def steady_rpm(self) -> dict[str, float]:
        """Return the speeds at which everything that is set by now will end."""
        ends = {}
        for name, rotor in self.rotors.items():
            effective, running = rotor.effective, rotor.running
            for duty in [rotor.duty, *(c.duty_percent[name] for c in self._commands)]:
                effective, running = rotor.make.settle(effective, duty, running=running)
            ends[name] = rotor.make.steady_rpm(effective, running=running)
        return ends

    def true_level_db(self) -> float:
        """Return the cooler's own long-term level at what is set now."""
        return steady_level_db(self.makes, self.steady_rpm())

    # -- time ---------------------------------------------------------------------------------

    def _tick(self) -> None:
        while self._commands and self._commands[0].due_tick <= self._ticks:
            for name, duty in self._commands.pop(0).duty_percent.items():
                self.rotors[name].duty = duty
        for rotor in self.rotors.values():
            rotor.tick()
        fans = [r for r in self.rotors.values() if r.make.role == "fan"]
        share = sum(r.rpm / r.make.fastest_rpm for r in fans) / max(len(fans), 1)
        cooling = self._heat["still_air"] + (1.0 - self._heat["still_air"]) * share**0.6
        goal_c = self._heat["room_c"] + self._heat["rise_at_full_speed_c"] / cooling
        self.temperature_c += (goal_c - self.temperature_c) * TICK_S / self._heat["seconds"]
        self._ticks += 1
        if self.own_control and self._ticks % round(1.0 / TICK_S) == 0:
            wanted = {name: self._own_duty(name) for name in self.makes}
            if any(abs(wanted[name] - self.duty[name]) > 1.0 for name in wanted):
                self.command(wanted)

    def shown_temperature_c(self) -> float:
        """Return what the processor's sensor says."""
        return round(self.temperature_c + float(self._sensor.normal(0.0, 0.1)), 1)

    def sound(self, ticks: int, *, room: bool = True, cooler: bool = True) -> np.ndarray:
        """Move on by `ticks` and return what the microphone hears, in pascals."""
        speeds: dict[str, list[float]] = {name: [] for name in self.rotors}
        hunting: dict[str, list[float]] = {name: [] for name in self.rotors}
        for _ in range(ticks):
            self._tick()
            for name, rotor in self.rotors.items():
                speeds[name].append(rotor.turning_rpm)
                hunting[name].append(rotor.hunting_gain)
        frames = ticks * TICK_FRAMES
        total = self.room.take(frames) if room else np.zeros(frames)
        for name, rotor in self.rotors.items():
            if cooler:
                total += rotor.sound(np.array(speeds[name]), np.array(hunting[name]))
        return total

    def heard(self, ticks: int, *, cooler: bool = True) -> bytes:
        """Return the microphone's next samples as little-endian float32."""
        return self._samples(self.sound(ticks, cooler=cooler))

    def tone(self, level_db_: float, ticks: int) -> bytes:
        """Return the same microphone's samples with a sound calibrator on it."""
        frames = ticks * TICK_FRAMES
        pressure = reference_tone(level_db_, self._tone_frames, frames)
        self._tone_frames += frames
        return self._samples(pressure)

    def _samples(self, pressure_pa: np.ndarray) -> bytes:
        return np.clip(pressure_pa / self._pascal_per_unit, -1.0, 1.0).astype("<f4").tobytes()
