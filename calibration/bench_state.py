"""What a bench is and what it does right now, as plain data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["Actuator", "ActuatorState", "BenchDescription", "BenchState", "Control", "Role"]

Role = Literal["fan", "pump"]
"""What an actuator drives. A pump is never stopped."""

Control = Literal["own", "leased", "safe"]
"""Who sets the speeds: the bench's own automatic control, a lease holder, or the bench's guard."""


@dataclass(frozen=True, slots=True)
class Actuator:
    """One speed that a bench can set, with the limits that belong to the bench."""

    role: Role
    """Fan or pump."""
    min_duty_percent: float
    """Lowest duty the bench accepts."""
    max_duty_percent: float
    """Highest duty the bench accepts."""
    tachometer: bool
    """Whether the bench can read its speed."""


@dataclass(frozen=True, slots=True)
class BenchDescription:
    """A bench as it presents itself."""

    bench: str
    """Its name."""
    actuators: Mapping[str, Actuator]
    """Actuators by name."""
    temperature_limits_c: Mapping[str, float]
    """Limit of each temperature the bench watches, in degrees Celsius."""
    lease_max_s: float
    """Longest lease it grants, in seconds."""


@dataclass(frozen=True, slots=True)
class ActuatorState:
    """Duty and speed of one actuator."""

    duty_percent: float
    """Duty that is set."""
    rpm: float | None
    """Tachometer reading in revolutions a minute; None without a tachometer."""


@dataclass(frozen=True, slots=True)
class BenchState:
    """What a bench does at one moment."""

    control: Control
    """Who sets the speeds."""
    why: str | None
    """Why the bench took over, when `control` is ``safe``."""
    actuators: Mapping[str, ActuatorState]
    """State of each actuator by name."""
    temperatures_c: Mapping[str, float]
    """Temperatures by name, in degrees Celsius."""
