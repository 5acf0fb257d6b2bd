"""What turns in a cooler, and what is electrical: the sources of its tones."""

from dataclasses import dataclass
from typing import Final, Literal

from acoustic.errors import InputError

__all__ = ["USUAL_ELECTRICITY", "Electricity", "Rotor"]


@dataclass(frozen=True, slots=True)
class Rotor:
    """Something that turns.

    Raises
    ------
    InputError
        If a number cannot be what it stands for.
    """

    name: str
    """What it is called, such as ``fan``."""
    rpm: float
    """Its speed in revolutions a minute."""
    kind: Literal["fan", "pump"] = "fan"
    """What it moves."""
    blades: int | None = None
    """Blades of a fan, or vanes of a pump; None where nobody said."""
    poles: int | None = None
    """Poles of its motor; None where nobody said."""
    twins: int = 0
    """How many more of the same model turn beside it without a tachometer."""
    rpm_u: float = 0.004
    """Relative standard uncertainty of its speed."""

    def __post_init__(self) -> None:
        if not 0.0 < self.rpm < 1e5:
            raise InputError(
                f"The speed of '{self.name}' must be a number of revolutions a minute above 0, "
                f"not {self.rpm:g}."
            )
        for what, number in (("blades", self.blades), ("poles", self.poles)):
            if number is not None and not 1 <= number <= 64:
                raise InputError(
                    f"'{self.name}' cannot have {number} {what}; give a number from 1 to 64."
                )

    @property
    def shaft_hz(self) -> float:
        """Revolutions a second."""
        return self.rpm / 60.0


@dataclass(frozen=True, slots=True)
class Electricity:
    """Electrical sources, which do not follow a speed."""

    mains_hz: float | None = 50.0
    """Mains frequency in hertz; None for none."""
    pwm_hz: float | None = None
    """Switching frequency of a drive in hertz; None where nobody said."""


USUAL_ELECTRICITY: Final = Electricity()
"""Mains of 50 Hz, and no switching that is known."""
