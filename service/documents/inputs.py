"""The list of sound inputs, ``evenhush.inputs/1``."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, PositiveInt, field_serializer

from service.clock import utc_text
from service.documents.base import Document, Part

__all__ = ["InputPart", "InputsDocument"]


class InputPart(Part):
    """One input of this machine."""

    input: str | None
    """What names it and no other after ``--input``; null where another one is called the same."""
    name: str
    """Its name."""
    interface: str
    """The audio system that it is reached through; the same device may be in several."""
    channels: PositiveInt
    """Most channels it gives."""
    default_rate_hz: float
    """Sampling rate it has by itself, as far as the audio system tells."""
    rates_hz: list[int]
    """Usual sampling rates that it was found to take; empty when another program has it."""
    default: bool
    """Whether it is what the audio system takes when nothing is named."""
    direct: bool
    """Whether nothing is known to stand between the device and its sound."""
    warnings: list[str]
    """What may change the sound on its way, what does not fit, and what to do about it."""


class InputsDocument(Document):
    """A list of inputs."""

    kind: ClassVar[str] = "list of inputs"

    schema_name: Literal["evenhush.inputs/1"] = Field(
        default="evenhush.inputs/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When they were listed."""
    inputs: list[InputPart]
    """All inputs, those first with which nothing stands in between."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
