"""True levels, from the closed forms of the spectra: what tests judge by and no port shows."""

from collections.abc import Mapping

import numpy as np

from acoustic.decibels import energy_sum_db
from service.simulation.cooler import Cooler
from service.simulation.machine import Machine
from service.simulation.microphone import Microphone
from service.simulation.plant import Plant
from service.simulation.room import Room
from service.simulation.spectrum import a_weighting_db

__all__ = [
    "cooler_level_at_rpm_db",
    "cooler_level_db",
    "floor_level_db",
    "machine_level_db",
    "machine_tones",
    "settled_level_db",
]


def machine_tones(machine: Machine, rpm: float) -> tuple[tuple[float, float], ...]:
    """Return frequency in hertz and unweighted level in dB of every tone at `rpm`."""
    return tuple(
        (tone.order * rpm * ratio / 60.0, tone.level_db + machine.gain_db(rpm * ratio))
        for ratio in machine.speed_ratios
        for tone in machine.tones
        if rpm > 0.0
    )


def machine_level_db(machine: Machine, rpm: float) -> float:
    """Return the A-weighted level of a machine in dB re 20 uPa; ``-inf`` at rest."""
    broadband_db = [
        machine.level_db + machine.gain_db(rpm * ratio) for ratio in machine.speed_ratios
    ]
    tones_db = [
        level_db + float(a_weighting_db(np.asarray(frequency_hz)))
        for frequency_hz, level_db in machine_tones(machine, rpm)
    ]
    return energy_sum_db(broadband_db + tones_db)


def cooler_level_at_rpm_db(cooler: Cooler, rpm: Mapping[str, float]) -> float:
    """Return the A-weighted level of the cooler alone with its machines at `rpm`, in dB."""
    return energy_sum_db(
        [machine_level_db(machine, rpm[name]) for name, machine in cooler.machines.items()]
    )


def cooler_level_db(cooler: Cooler, duty_percent: Mapping[str, float]) -> float:
    """True level of the cooler alone, settled at given duties.

    Without hunting, and without backlash: exact when a duty is approached so that the play does
    not matter. A fan below its stall duty is at rest.

    Parameters
    ----------
    cooler : Cooler
        The cooler.
    duty_percent : mapping of str to float
        Duty of every actuator.

    Returns
    -------
    float
        A-weighted level in dB re 20 uPa; ``-inf`` with everything at rest.
    """
    return cooler_level_at_rpm_db(
        cooler,
        {name: m.law.settled_rpm(duty_percent[name]) for name, m in cooler.machines.items()},
    )


def settled_level_db(plant: Plant) -> float:
    """Return the level of the cooler alone where `plant` settles now, backlash included."""
    return cooler_level_at_rpm_db(plant.cooler, plant.goal_rpm)


def floor_level_db(room: Room, microphone: Microphone) -> float:
    """Return the A-weighted level that is read with the cooler at rest: room and self-noise.

    Without wander and without intrusions.
    """
    return energy_sum_db([room.floor_db, microphone.self_noise_db])
