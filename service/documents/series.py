"""The note of a series that is under way, ``evenhush.series/1``: what is done if it breaks off."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.matched_settings import CoolerPart

__all__ = ["FinishedMatch", "SeriesNote"]


class FinishedMatch(Part):
    """A match that came to an end."""

    target: int
    """Which of the targets, counted from 0 in the order they were asked."""
    cooler: CoolerPart
    """Its result."""
    trail: str
    """File of its trail."""


class SeriesNote(Document):
    """The note of a series."""

    kind: ClassVar[str] = "note of a series"

    schema_name: Literal["evenhush.series/1"] = Field(
        default="evenhush.series/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When the series began."""
    out: str
    """Where its settings go."""
    finished: list[FinishedMatch]
    """Every match that came to an end, in the order they were done."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
