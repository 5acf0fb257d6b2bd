"""Coolers and rooms drawn at random, for tests that need many."""

import numpy as np

from service.simulation.cooler import Cooler
from service.simulation.machine import Machine, Resonance, Tone
from service.simulation.room import Room
from service.simulation.rotor import RotorLaw
from service.simulation.spectrum import NoiseShape

__all__ = ["random_cooler", "random_room"]

_PUMP_SHARE = 0.3
_TWIN_SHARE = 0.25


def random_cooler(seed: int) -> Cooler:
    """Cooler drawn at random, the same one for the same seed.

    Parameters
    ----------
    seed : int
        Any number from 0 on.

    Returns
    -------
    Cooler
        45-65 dB per decade, 34-55 dB(A) at full speed without its pump, up to three resonances
        of 1-4 dB over 3-8 % of speed, time constants of 0.8-3 s, hunting of 0.1-0.4 dB over
        1-5 s; some with two fans, some with a pump.
    """
    generator = np.random.default_rng([seed, 0])
    machines = {"fan": _fan(generator)}
    if generator.random() < _PUMP_SHARE:
        machines["pump"] = _pump(generator)
    return Cooler(f"Random {seed}", machines)


def random_room(seed: int) -> Room:
    """Return a room with a floor of 22-30 dB(A), the same one for the same seed."""
    generator = np.random.default_rng([seed, 1])
    return Room(
        floor_db=float(generator.uniform(22.0, 30.0)),
        hum_below_db=float(generator.uniform(9.0, 20.0)),
    )


def _fan(generator: np.random.Generator) -> Machine:
    """Draw a fan, or two that share a duty."""

    def draw(low: float, high: float) -> float:
        return float(generator.uniform(low, high))

    full_rpm = draw(900.0, 3000.0)
    stall_duty = draw(8.0, 20.0)
    blades = int(generator.integers(5, 12))
    ratios = (1.0, draw(0.98, 0.996)) if generator.random() < _TWIN_SHARE else (1.0,)
    # Of both fans together: two equal ones are 3 dB louder than one. Tones add up to 0.5 dB.
    level_db = draw(34.0, 55.0) - 10.0 * float(np.log10(len(ratios))) - 0.3
    hunting_s = draw(1.0, 5.0)
    return Machine(
        role="fan",
        law=RotorLaw(
            full_rpm=full_rpm,
            time_constant_s=draw(0.8, 3.0),
            dead_duty_percent=draw(15.0, 25.0),
            stall_duty_percent=stall_duty,
            restart_duty_percent=stall_duty + draw(2.0, 8.0),
            bulge_percent=draw(-1.25, 3.75),
            backlash_percent=draw(0.0, 0.6),
            hunting_percent=draw(0.05, 0.15),
            hunting_s=hunting_s,
        ),
        level_db=level_db,
        decade_db=draw(45.0, 65.0),
        shape=NoiseShape(draw(50.0, 100.0), (draw(300.0, 700.0), draw(2000.0, 5000.0))),
        tones=tuple(
            Tone(blades * multiple, level_db - draw(low, low + 8.0))
            for multiple, low in ((1, 12.0), (2, 16.0), (3, 20.0))
        ),
        resonances=tuple(
            Resonance(full_rpm * draw(0.3, 0.95), draw(1.0, 4.0), draw(3.0, 8.0) / 2.0)
            for _ in range(int(generator.integers(4)))
        ),
        hunting_db=draw(0.1, 0.4),
        hunting_s=hunting_s,
        speed_ratios=ratios,
        min_duty_percent=15.0,
    )


def _pump(generator: np.random.Generator) -> Machine:
    """Draw a pump."""

    def draw(low: float, high: float) -> float:
        return float(generator.uniform(low, high))

    level_db = draw(24.0, 34.0)
    lowest = draw(20.0, 50.0)
    return Machine(
        role="pump",
        law=RotorLaw(
            full_rpm=draw(2200.0, 4500.0),
            time_constant_s=draw(0.8, 2.0),
            dead_duty_percent=lowest,
            bulge_percent=draw(0.0, 2.5),
            hunting_percent=0.05,
            hunting_s=4.0,
        ),
        level_db=level_db,
        decade_db=draw(40.0, 50.0),
        shape=NoiseShape(draw(80.0, 200.0), (draw(400.0, 800.0), draw(2500.0, 5000.0))),
        tones=(
            Tone(1, level_db - draw(0.0, 8.0)),
            Tone(int(generator.integers(5, 9)), level_db - draw(4.0, 14.0)),
            Tone(int(generator.integers(10, 31)), level_db - draw(-2.0, 12.0)),
        ),
        hunting_db=0.1,
        hunting_s=4.0,
        min_duty_percent=lowest,
    )
