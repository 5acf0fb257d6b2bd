"""Temperature of the processor over load and speeds, and the bench's own temperature curve."""

from collections.abc import Mapping
from math import exp

from calibration.bench_state import Role
from service.simulation.cooler import Cooler, HeatPath

__all__ = ["Heat", "own_duty_percent", "own_steady_state"]

_AT_REST = 0.03
"""Share of full flow that remains by natural convection."""

_FLOW_EXPONENT: Mapping[Role, float] = {"fan": 0.8, "pump": 0.5}

_CURVE_C: Mapping[Role, tuple[float, float]] = {"fan": (40.0, 85.0), "pump": (20.0, 70.0)}
"""Temperatures at which the bench's own control leaves the lowest and reaches the full duty."""


def own_duty_percent(cooler: Cooler, processor_c: float) -> dict[str, float]:
    """Return the duties of the bench's own control: a straight line over the temperature."""
    duties = {}
    for name, machine in cooler.machines.items():
        low_c, high_c = _CURVE_C[machine.role]
        share = min(max((processor_c - low_c) / (high_c - low_c), 0.0), 1.0)
        # Its own control never goes so low that a fan might stop.
        lowest = max(machine.min_duty_percent, machine.law.restart_duty_percent)
        duties[name] = round(lowest + share * (machine.max_duty_percent - lowest), 1)
    return duties


def _to_air_k_per_w(cooler: Cooler, rpm: Mapping[str, float]) -> float:
    """Return the thermal resistance from the metal or the coolant into the room."""
    resistance = cooler.heat.surface_k_per_w
    for name, machine in cooler.machines.items():
        flow = max(rpm[name] / machine.law.full_rpm, _AT_REST)
        resistance *= flow ** -_FLOW_EXPONENT[machine.role]
    return resistance


def own_steady_state(cooler: Cooler, load_w: float, ambient_c: float) -> float:
    """Return the processor temperature at which the bench's own control comes to rest."""
    low_c, high_c = ambient_c, ambient_c + 500.0
    for _ in range(50):
        guess_c = (low_c + high_c) / 2.0
        duties = own_duty_percent(cooler, guess_c)
        rpm = {name: cooler.machines[name].law.settled_rpm(duty) for name, duty in duties.items()}
        resistance = cooler.heat.contact_k_per_w + _to_air_k_per_w(cooler, rpm)
        if ambient_c + load_w * resistance > guess_c:
            low_c = guess_c
        else:
            high_c = guess_c
    return (low_c + high_c) / 2.0


class Heat:
    """Two heat stores in a row: the metal or coolant, slow, and the die, quick."""

    def __init__(self, cooler: Cooler, load_w: float, ambient_c: float, processor_c: float) -> None:
        self._cooler = cooler
        self.load_w = load_w
        """Power the processor turns into heat, in watts."""
        self.ambient_c = ambient_c
        """Temperature of the room, in degrees Celsius."""
        self.processor_c = processor_c
        """Temperature of the die, in degrees Celsius."""
        self._metal_c = processor_c - load_w * cooler.heat.contact_k_per_w

    def step(self, rpm: Mapping[str, float], step_s: float) -> None:
        """Move on by one step at the given speeds; exact while they stay."""
        path: HeatPath = self._cooler.heat
        resistance = _to_air_k_per_w(self._cooler, rpm)
        metal_goal_c = self.ambient_c + self.load_w * resistance
        keep = exp(-step_s / (resistance * path.capacity_j_per_k))
        self._metal_c = metal_goal_c + (self._metal_c - metal_goal_c) * keep
        die_goal_c = self._metal_c + self.load_w * path.contact_k_per_w
        self.processor_c = die_goal_c + (self.processor_c - die_goal_c) * exp(-step_s / path.die_s)
