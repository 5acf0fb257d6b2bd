"""The recheck document, ``evenhush.recheck/1``, and the history of a cooler's rechecks."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from calibration.recheck_results import RecheckOutcome
from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.matched_settings import FloorPart, SettingPart

__all__ = [
    "CoolerHistory",
    "LevelNow",
    "LevelThen",
    "RecheckDocument",
    "RecheckHistoryDocument",
    "RecheckPart",
]


class LevelThen(Part):
    """The level that was matched."""

    time: AwareDatetime = Field(strict=False)
    """When it was."""
    LAeq_db: float
    """Level of what the target applied to."""
    U95_db: float
    """Half-width of its 95 % interval, calibration apart."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


class LevelNow(Part):
    """The level that was heard again."""

    LAeq_db: float
    """Level of what the target applied to."""
    U95_db: float
    """Half-width of its 95 % interval, calibration apart."""
    as_read_db: float
    """Level as the microphone read it, floor included."""


class RecheckPart(Part):
    """The recheck of one setting of one cooler."""

    time: AwareDatetime = Field(strict=False)
    """When it ended."""
    cooler: str
    """Its name."""
    bench: str
    """The bench it is mounted on."""
    file: str
    """The matched settings it was checked against."""
    outcome: RecheckOutcome
    """How it ended."""
    why: str
    """The reason, in one sentence."""
    holds: bool | None
    """Whether the level holds; null where nothing was heard."""
    then: LevelThen
    """Level when it was matched."""
    now: LevelNow | None
    """Level now; null where nothing was heard."""
    difference_db: float | None
    """Level now less the level then."""
    difference_U95_db: float | None
    """Half-width of its 95 % interval: both levels, placing, drift and coming back to a speed."""
    settings_then: dict[str, SettingPart]
    """Speeds that were matched, by actuator."""
    settings_now: dict[str, SettingPart] | None
    """Speeds now."""
    floor: FloorPart
    """The room floor now."""
    listened_s: float
    """Sound listened to for levels."""
    bench_s: float
    """All the time it took."""
    warnings: list[str]
    """What the person at the bench should know."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


class RecheckDocument(Document):
    """A document of rechecks."""

    kind: ClassVar[str] = "document of rechecks"

    schema_name: Literal["evenhush.recheck/1"] = Field(
        default="evenhush.recheck/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When the last one ended."""
    coolers: list[RecheckPart]
    """One entry a setting, cooler by cooler."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


class CoolerHistory(Part):
    """Every recheck of one cooler on one bench."""

    cooler: str
    """Its name."""
    bench: str
    """The bench."""
    repeatability_db: float | None
    """Standard deviation of the differences; null for fewer than two."""
    rechecks: list[RecheckPart]
    """The rechecks, oldest first."""


class RecheckHistoryDocument(Document):
    """A history of rechecks."""

    kind: ClassVar[str] = "history of rechecks"

    schema_name: Literal["evenhush.recheck-history/1"] = Field(
        default="evenhush.recheck-history/1",
        validation_alias="schema",
        serialization_alias="schema",
    )
    coolers: list[CoolerHistory]
    """One entry a cooler."""
