"""A cooler: its machines and how well it carries heat away."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.simulation.machine import Machine

__all__ = ["Cooler", "HeatPath", "steady"]


@dataclass(frozen=True, slots=True)
class HeatPath:
    """The way of the heat from the processor into the room."""

    contact_k_per_w: float = 0.10
    """Thermal resistance from the die to the metal or the coolant."""
    surface_k_per_w: float = 0.12
    """Thermal resistance from there to the air with every machine at full speed."""
    capacity_j_per_k: float = 220.0
    """Heat stored per kelvin by the metal or the coolant."""
    die_s: float = 2.0
    """Time constant of the die itself, in seconds."""


@dataclass(frozen=True, slots=True)
class Cooler:
    """A cooler as it is mounted on the bench."""

    name: str
    """Its name."""
    machines: Mapping[str, Machine]
    """What turns, by the name of the actuator that sets its speed."""
    heat: HeatPath = field(default_factory=HeatPath)
    """How well it cools."""


def steady(cooler: Cooler) -> Cooler:
    """Return `cooler` without hunting and backlash, so that a duty has one level."""
    return replace(
        cooler,
        machines={
            name: replace(
                machine,
                hunting_db=0.0,
                law=replace(machine.law, hunting_percent=0.0, backlash_percent=0.0),
            )
            for name, machine in cooler.machines.items()
        },
    )
