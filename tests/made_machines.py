"""Fans and pumps made up at random, with the tones that they and the room make.

How often a machine has which tone is set here by what such machines are like, and not by what the
code under test expects of them.
"""

from typing import NamedTuple

import numpy as np

from acoustic.rotors import Electricity, Rotor

__all__ = ["MadeMachine", "MadeTone", "made_machine"]


class MadeTone(NamedTuple):
    """A tone and the truth about it."""

    frequency_hz: float
    """As a spectrum shows it."""
    source: str
    """The rotor's name, ``mains`` or ``unexplained``."""
    order: int | None
    """Its order, or multiple of the mains."""
    true_hz: float
    """As it is."""


class MadeMachine(NamedTuple):
    """What turns, as far as it is known, and the tones that are heard."""

    rotors: list[Rotor]
    electricity: Electricity
    tones: list[MadeTone]


def _orders(rng, kind, blades, poles):
    """Orders of a rotor that are heard in one sound."""
    orders = set()
    for multiple, often in enumerate((0.95, 0.75, 0.55, 0.35, 0.2), start=1):
        if rng.random() < often:
            orders.add(blades * multiple)
    for multiple in range(1, 5):
        if rng.random() < (0.25 if kind == "fan" else 0.5):
            orders.add(poles * multiple)
    if rng.random() < 0.35:
        orders.add(1)
    if rng.random() < 0.15:
        orders.add(int(rng.integers(2, 25)))
    return orders


def made_machine(rng: np.random.Generator, *, read_off: float = 0.003) -> MadeMachine:
    """Make a machine up; its tachometers are off by a relative deviation."""
    rotors, tones = [], []
    mains_hz = float(rng.choice([50.0, 60.0]))

    def add(source, order, hz):
        """Hear a tone where a spectrum can tell it from those that are there."""
        if 89.1 <= hz <= 11_200 and all(abs(hz - other.true_hz) > 4.0 for other in tones):
            seen_hz = hz * (1 + 1e-4 * rng.standard_normal()) + 0.02 * rng.standard_normal()
            tones.append(MadeTone(float(seen_hz), source, order, float(hz)))

    for number in range(int(rng.integers(1, 4))):
        name = "fan" if number == 0 else f"fan {number + 1}"
        blades, poles = int(rng.integers(5, 14)), 4
        rpm = float(np.exp(rng.uniform(np.log(500), np.log(3000))))
        for order in sorted(_orders(rng, "fan", blades, poles)):
            add(name, order, order * rpm / 60)
        read = rpm * (1 + read_off * rng.standard_normal())
        rotors.append(Rotor(name, read, "fan", blades=blades, poles=poles))
    if rng.random() < 0.6:
        vanes, poles = int(rng.integers(5, 9)), int(rng.choice([4, 6, 8, 12]))
        rpm = float(rng.uniform(1200, 4800))
        for order in sorted(_orders(rng, "pump", vanes, poles)):
            add("pump", order, order * rpm / 60)
        read = rpm * (1 + read_off * rng.standard_normal())
        rotors.append(Rotor("pump", read, "pump", blades=vanes, poles=poles))
    off = 1 + 2e-4 * rng.standard_normal()
    for multiple in (1, 2, 4, 6):
        if rng.random() < 0.35:
            add("mains", multiple, multiple * mains_hz * off)
    for _ in range(int(rng.poisson(0.4))):
        add("unexplained", None, float(np.exp(rng.uniform(np.log(90), np.log(11_000)))))
    return MadeMachine(rotors, Electricity(mains_hz), tones)
