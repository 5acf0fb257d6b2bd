"""Seeded random coolers on foreign benches, and what each is by its own closed form.

It imports nothing of the project. The names of outcomes are those of the settings document.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from held_out.foreign_plant import makes_of, steady_level_db
from held_out.foreign_rotor import Make

TARGET_DB = 40.0
OUTCOMES = ("matched", "quieter-at-full-speed", "louder-at-minimum")
_CLEAR_DB = 1.0
"""How far a cooler that cannot be matched is from the target, and how much one that can spans."""


@dataclass(frozen=True)
class HeldOut:
    """One cooler, its bench and its room."""

    seed: int
    description: dict[str, Any]
    """What `held_out.foreign_bench` takes."""
    outcome: str
    """What a perfect measurement finds."""
    pump_duty_percent: float | None
    """What the user asks for the pump; None to say nothing."""

    @property
    def name(self) -> str:
        """A name to show."""
        return f"held-out {self.seed}"


def quietest_rpm(make: Make) -> float:
    """Return the slowest speed at which it still turns, coming from above."""
    lowest = max(make.min_duty_percent, make.stall_below_percent)
    return make.steady_rpm(lowest, running=True)


def level_range_db(
    description: dict[str, Any], pump_duty_percent: float | None
) -> tuple[float, float]:
    """Return the cooler's level at its quietest and at full speed.

    A pump whose duty is not asked for may be anywhere: quietest with it at its slowest, loudest
    with it at its fastest.
    """
    low, high = {}, {}
    makes = makes_of(description)
    for name, make in makes.items():
        fixed = make.role == "pump" and pump_duty_percent is not None
        if fixed:
            low[name] = high[name] = make.steady_rpm(pump_duty_percent or 0.0, running=True)
        else:
            low[name] = quietest_rpm(make)
            high[name] = make.steady_rpm(make.max_duty_percent, running=True)
    return steady_level_db(makes, low), steady_level_db(makes, high)


def _tachometer(rng: np.random.Generator) -> dict[str, Any]:
    kinds = [
        {"kind": "count", "window_s": 1.0, "every_s": 1.0, "average": 1},
        {"kind": "count", "window_s": 1.0, "every_s": 0.5, "average": 4},
        {"kind": "count", "window_s": 2.0, "every_s": 0.5, "average": 1},
        {"kind": "period", "window_s": 0.5, "every_s": 0.25, "average": 1},
        {"kind": "period", "window_s": 1.0, "every_s": 0.5, "average": 2},
    ]
    return kinds[int(rng.integers(len(kinds)))]


def _noises(rng: np.random.Generator, *, pump: bool) -> list[dict[str, float]]:
    slope = rng.uniform(40, 52) if pump else rng.uniform(45, 62)
    steeper = rng.uniform(0, 3)
    return [
        {
            "level_db": 0.0,
            "db_per_decade": slope,
            "low_hz": rng.uniform(70, 160),
            "high_hz": rng.uniform(500, 1400),
            "hill_hz": rng.uniform(250, 700),
            "hill_db": rng.uniform(-3, 6),
        },
        {
            "level_db": rng.uniform(-6, 1),
            "db_per_decade": slope + steeper,
            "low_hz": rng.uniform(300, 900),
            "high_hz": rng.uniform(2500, 8000),
            "hill_hz": rng.uniform(1200, 4000),
            "hill_db": rng.uniform(-2, 5),
        },
    ]


def _fan(rng: np.random.Generator, name: str) -> dict[str, Any]:
    fastest = rng.uniform(1100, 3000)
    slowest = fastest * rng.uniform(0.18, 0.3)
    least = float(rng.choice([10, 15, 20]))
    stall = float(rng.uniform(least + 1, least + 9)) if rng.random() < 0.5 else 0.0
    spin_up_s = rng.uniform(0.8, 2.6)
    blades = int(rng.choice([7, 9, 11]))
    tone_slope = rng.uniform(45, 60)
    return {
        "name": name,
        "role": "fan",
        "min_duty_percent": least,
        "max_duty_percent": 100.0,
        "tachometer": _tachometer(rng),
        "duty_step_percent": float(rng.choice([0.0, 0.0, 100.0 / 255.0, 0.5])),
        "slowest_rpm": slowest,
        "fastest_rpm": fastest,
        "dead_below_percent": rng.uniform(least, least + 8),
        "curve": rng.uniform(0.85, 1.15),
        "stall_below_percent": stall,
        "restart_percent": stall + rng.uniform(3, 9) if stall else 0.0,
        "backlash_percent": float(rng.choice([0.0, rng.uniform(0.1, 0.6)])),
        "spin_up_s": spin_up_s,
        "spin_down_s": min(3.0, spin_up_s * rng.uniform(1.0, 1.4)),
        "rpm_hunting_percent": rng.uniform(0.03, 0.12),
        "level_hunting_db": rng.uniform(0.1, 0.3),
        "hunting_s": rng.uniform(1.0, 4.0),
        "noises": _noises(rng, pump=False),
        "tones": [
            {
                "order": blades * harmonic,
                "level_db": rng.uniform(-16, -6) - 4 * (harmonic - 1),
                "db_per_decade": tone_slope,
            }
            for harmonic in (1, 2)
        ],
        "bumps": [
            {
                "rpm": rng.uniform(slowest * 1.3, fastest * 0.95),
                "gain_db": rng.uniform(1.0, 3.0),
                "width_percent": rng.uniform(3.0, 7.0),
            }
            for _ in range(int(rng.integers(0, 4)))
        ],
        "own_duty_percent": [rng.uniform(45, 60), rng.uniform(80, 100)],
    }


def _pump(rng: np.random.Generator, name: str) -> dict[str, Any]:
    fan = _fan(rng, name)
    fastest = rng.uniform(2200, 4500)
    noises = _noises(rng, pump=True)
    loud_db = rng.uniform(22, 33)
    for noise in noises:
        noise["level_db"] += loud_db
    return fan | {
        "role": "pump",
        "min_duty_percent": float(rng.choice([30, 40, 50])),
        "tachometer": _tachometer(rng) if rng.random() < 0.8 else None,
        "slowest_rpm": fastest * 0.3,
        "fastest_rpm": fastest,
        "dead_below_percent": 15.0,
        "stall_below_percent": 0.0,
        "restart_percent": 0.0,
        "level_hunting_db": rng.uniform(0.05, 0.15),
        "noises": noises,
        "tones": [{"order": 6, "level_db": loud_db - 6.0, "db_per_decade": 45.0}],
        "bumps": [],
        "own_duty_percent": [70.0, 90.0],
    }


def _draw(rng: np.random.Generator, seed: int, outcome: str, *, pump: bool, fans: int) -> HeldOut:
    """Draw one cooler that should have an outcome; the caller checks that it does."""
    names = [str(rng.choice(["fan", "radiator-fan", "blower_1"]))]
    names += [f"rear-{k}" for k in range(1, fans)]
    actuators = [_fan(rng, name) for name in names]
    asked = None
    if pump:
        actuators.append(_pump(rng, str(rng.choice(["pump", "pump-a"]))))
        asked = float(rng.choice([80.0, 80.0, 65.0])) if rng.random() < 0.5 else None
    description = {
        "seed": seed,
        "bench": f"shed-{seed}",
        "prefix": str(rng.choice(["", "/lab/3", "/house/south"])),
        "token": None,
        "lease_max_s": float(rng.choice([10, 20, 60])),
        "on_lapse": str(rng.choice(["own", "safe"])),
        "latency_s": rng.uniform(0.02, 0.5),
        "limit_c": float(rng.choice([90, 95, 100])),
        "heat": {
            "room_c": rng.uniform(20, 27),
            "start_c": rng.uniform(48, 62),
            "rise_at_full_speed_c": rng.uniform(20, 28),
            "still_air": rng.uniform(0.2, 0.3),
            "seconds": rng.uniform(60, 200),
        },
        "actuators": actuators,
        "room": {
            "level_db": rng.uniform(22, 30),
            "hum_hz": float(rng.choice([50, 60])),
            "hum_level_db": rng.uniform(22, 34),
            "bang_every_s": rng.uniform(15, 60),
            "vehicle_every_s": rng.uniform(100, 400),
        },
        "microphone": {"pascal_per_unit": float(np.exp(rng.uniform(np.log(3), np.log(40))))},
    }
    _tune(description, rng, outcome, asked)
    return HeldOut(seed, description, outcome, asked)


def _tune(
    description: dict[str, Any], rng: np.random.Generator, outcome: str, asked: float | None
) -> None:
    """Make all fans louder or quieter until the cooler fits the outcome."""
    makes = makes_of(description)
    at_percent = {
        "matched": rng.uniform(30, 90),
        "quieter-at-full-speed": 100.0,
        "louder-at-minimum": 0.0,
    }[outcome]
    rpm = {}
    for name, make in makes.items():
        if make.role == "pump":
            rpm[name] = make.steady_rpm(asked or 80.0, running=True)
        else:
            rpm[name] = max(make.steady_rpm(at_percent, running=True), quietest_rpm(make))
    away_db = {
        "matched": 0.0,
        "quieter-at-full-speed": -rng.uniform(1.2, 5.0),
        "louder-at-minimum": rng.uniform(1.2, 5.0),
    }[outcome]
    pumps = {name: make for name, make in makes.items() if make.role == "pump"}
    fans = {name: make for name, make in makes.items() if make.role == "fan"}
    wanted = 10.0 ** ((TARGET_DB + away_db) / 10.0)
    spare = wanted - 10.0 ** (steady_level_db(pumps, rpm) / 10.0)
    if spare <= 0.1 * wanted:
        return
    shift_db = 10.0 * np.log10(spare) - steady_level_db(fans, rpm)
    for actuator in description["actuators"]:
        if actuator["role"] == "fan":
            for part in [*actuator["noises"], *actuator["tones"]]:
                part["level_db"] += shift_db


def outcome_of(description: dict[str, Any], asked: float | None) -> str | None:
    """Return what a perfect measurement finds; None when it is not clear enough to judge by."""
    quietest_db, loudest_db = level_range_db(description, asked)
    if asked is None and quietest_db < TARGET_DB - _CLEAR_DB < TARGET_DB + _CLEAR_DB < loudest_db:
        pumps = [a for a in description["actuators"] if a["role"] == "pump"]
        ends = [level_range_db(description, d) for d in (pumps and [40.0, 100.0]) or [None]]
        quietest_db = max(low for low, _ in ends)
        loudest_db = min(high for _, high in ends)
    if quietest_db < TARGET_DB - _CLEAR_DB and loudest_db > TARGET_DB + _CLEAR_DB:
        return "matched"
    if loudest_db < TARGET_DB - _CLEAR_DB:
        return "quieter-at-full-speed"
    if quietest_db > TARGET_DB + _CLEAR_DB:
        return "louder-at-minimum"
    return None


def held_out(
    seed: int, outcome: str | None = None, *, pump: bool | None = None, fans: int = 1
) -> HeldOut:
    """Return the cooler of a seed; what is not asked for is drawn too."""
    rng = np.random.default_rng([seed, 20260])
    drawn_outcome = str(rng.choice(OUTCOMES, p=[0.76, 0.12, 0.12]))
    drawn_pump = bool(rng.random() < 0.45)
    while True:
        cooler = _draw(
            rng,
            seed,
            outcome or drawn_outcome,
            pump=drawn_pump if pump is None else pump,
            fans=fans,
        )
        if outcome_of(cooler.description, cooler.pump_duty_percent) == cooler.outcome:
            return cooler
