"""The description of a cooler, ``evenhush.cooler/1``: what the lab knows of it beside its sound."""

from typing import ClassVar, Literal

from pydantic import Field, NonNegativeFloat, PositiveFloat, PositiveInt

from service.documents.base import Document

__all__ = ["CoolerDocument"]


class CoolerDocument(Document):
    """A description of a cooler; null is what nobody has said."""

    kind: ClassVar[str] = "description of a cooler"

    schema_name: Literal["evenhush.cooler/1"] = Field(
        default="evenhush.cooler/1", validation_alias="schema", serialization_alias="schema"
    )
    cooler: str = Field(min_length=1, max_length=200)
    """Its name, as matches call it."""
    fans: PositiveInt | None = None
    """How many fans it has."""
    blades: PositiveInt | None = None
    """Blades of a fan, which tell its blade-passing tone."""
    fan_poles: PositiveInt | None = None
    """Poles of a fan's motor, which tell the tones of its commutation."""
    pump_poles: PositiveInt | None = None
    """Poles of the pump's motor, which tell its tones."""
    pump_vanes: PositiveInt | None = None
    """Vanes of the pump's impeller, which tell its vane-passing tone."""
    pwm_hz: PositiveFloat | None = None
    """Frequency at which its speed control switches, where that can be heard."""
    price: NonNegativeFloat | None = None
    """What it costs."""
    currency: str | None = Field(default=None, pattern="^[A-Z]{3}$")
    """Currency of the price, as the three letters of ISO 4217."""
    notes: str = ""
    """Anything else."""
