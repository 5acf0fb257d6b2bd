"""What is shown of a bench."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = ["ActuatorView", "BenchControl", "BenchView"]

BenchControl = Literal["own", "leased", "safe", "unreachable"]
"""Who sets the speeds; ``unreachable`` while nobody answers at the bench's address."""


@dataclass(frozen=True, slots=True)
class ActuatorView:
    """One fan or pump."""

    role: Literal["fan", "pump"]
    """What it drives."""
    duty_percent: float | None
    """Duty that is set; None while the bench does not answer."""
    rpm: float | None
    """Speed; None without a tachometer, and while the bench does not answer."""
    min_duty_percent: float
    """Lowest duty the bench accepts."""
    max_duty_percent: float
    """Highest duty the bench accepts."""


@dataclass(frozen=True, slots=True)
class BenchView:
    """A bench as it was told last."""

    name: str | None
    """Its name; None before it has answered once."""
    url: str
    """Its address."""
    time: datetime | None
    """When it answered last; None before it has."""
    control: BenchControl
    """Who sets the speeds."""
    holder: str | None
    """Who holds the lease, such as ``evenhush match``; None where nobody does."""
    why: str | None
    """Why the bench took over or cannot be reached, in one sentence."""
    actuators: Mapping[str, ActuatorView]
    """Fans and pumps by name; empty before the bench has answered."""
    temperatures_c: Mapping[str, float]
    """Temperatures by name, in degrees Celsius."""
    temperature_limits_c: Mapping[str, float]
    """Limit of each temperature that the bench watches."""
    mounted: str | None
    """Cooler that somebody said is mounted; None where nobody did since the start."""
