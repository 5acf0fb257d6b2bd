"""The tones document, ``evenhush.tones/1``: tones of a cooler with their ratios and their names."""

from typing import ClassVar, Literal

from pydantic import Field

from service.documents.base import Document, Part
from service.documents.cooler import CoolerDocument
from service.documents.reviewed import ReviewedPart, ReviewedTone

__all__ = ["ExplanationPart", "NamedTonePart", "RotorPart", "TonePassage", "TonesDocument"]


class ExplanationPart(Part):
    """One thing that a tone may be."""

    source: str
    """A rotor such as ``fan``, ``another fan`` without a tachometer, ``mains``, ``PWM`` or
    ``unexplained``."""
    order: int | None
    """Order of the rotor, or multiple of the electrical frequency; null where unexplained."""
    name: str
    """What it is called, such as ``blade-pass x2``."""
    expected_hz: float | None
    """Where it should be; null where unexplained."""
    probability: float
    """How probable it is, 0 to 1."""


class NamedTonePart(ReviewedTone):
    """A tone with its names."""

    prominent_from_db: float | None
    """Tone-to-noise ratio from which it would be prominent; null beyond the range of tones."""
    grade: Literal["sure", "likely", "open"]
    """How sure the first name is: at least 95 %, at least 70 %, or less."""
    moves_with: str | None
    """Rotor that it follows from setting to setting; empty where it stays, null where that cannot
    be told from the settings that were heard."""
    explanations: list[ExplanationPart]
    """What it may be, most probable first."""


class RotorPart(Part):
    """Something that turns."""

    name: str
    """What the bench or the options call it."""
    kind: Literal["fan", "pump"]
    """What it is."""
    rpm: float
    """Its speed as it was read or given."""
    rpm_by_tones: float
    """Its speed as its tones tell it."""
    other_rpm: float | None
    """Speed that its tones would fit far better; null where they fit this one."""


class TonePassage(ReviewedPart):
    """The tones of a recording, or of one setting in it."""

    rotors: list[RotorPart]
    """What turned, as far as speeds are known."""
    mains_hz: float | None
    """Mains frequency that fits the tones, or that was given."""
    tones: list[NamedTonePart]
    """Its tones, low to high."""


class TonesDocument(Document):
    """Tones of a cooler."""

    kind: ClassVar[str] = "tones document"

    schema_name: Literal["evenhush.tones/1"] = Field(
        default="evenhush.tones/1", validation_alias="schema", serialization_alias="schema"
    )
    description: CoolerDocument | None
    """What is known of the cooler; null where nobody said anything."""
    passages: list[TonePassage]
    """Recordings and settings, in the order given and of time."""
    warnings: list[str]
    """What limits the names of all of them."""
