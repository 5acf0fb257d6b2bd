"""The room floor document, ``evenhush.floor/1``."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.bands import DiscreteTone, ThirdOctaves
from service.documents.base import Document
from service.documents.budget import BudgetRow

__all__ = ["FloorDocument"]


class FloorDocument(Document):
    """A room floor."""

    kind: ClassVar[str] = "room floor"

    schema_name: Literal["evenhush.floor/1"] = Field(
        default="evenhush.floor/1", validation_alias="schema", serialization_alias="schema"
    )
    LAeq_db: float
    """Equivalent level of the undisturbed part."""
    LA90_db: float
    """Level exceeded 90 % of the undisturbed time."""
    U95_db: float
    """Half-width of the 95 % interval of `LAeq_db`, calibration apart."""
    U95_absolute_db: float | None = None
    """The same against the true sound pressure level; null in floors of earlier versions."""
    budget: list[BudgetRow] = Field(default_factory=list)
    """What `U95_db` is made of."""
    chain_budget: list[BudgetRow] = Field(default_factory=list)
    """What the microphone adds to it in `U95_absolute_db`."""
    third_octaves: ThirdOctaves
    """Levels of the undisturbed part."""
    tones: list[DiscreteTone]
    """Tones in the room, such as hum."""
    listened_s: float
    """Sound taken."""
    rejected_s: float
    """How much of it was left out."""
    fit_for_target_db: float
    """Lowest target that a match is not refused for."""
    comfortable_target_db: float
    """Lowest target whose match carries no warning about the floor."""
    warnings: list[str]
    """What the person at the bench should know."""
    time: AwareDatetime = Field(strict=False)
    """When it was heard."""
    calibration_time: AwareDatetime = Field(strict=False)
    """When the microphone was calibrated."""
    input: str
    """Which input it was heard through."""
    turning_rpm: dict[str, float | None] | None = None
    """Fans and pumps that turned meanwhile, with their speeds, null without a tachometer: what was
    heard is then not the room alone. Null where no bench was asked."""

    @field_serializer("time", "calibration_time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
