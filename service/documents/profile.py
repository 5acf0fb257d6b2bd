"""A cooler's profile, ``evenhush.profile/1``: its level over its whole range of speeds."""

from dataclasses import replace
from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from calibration.learned import OTHER_DAY_SD_DB, Learned
from calibration.results import PumpPolicy
from calibration.sweep_results import SweepOutcome
from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.learned import LearnedPart
from service.documents.matched_settings import FloorPart

__all__ = [
    "ExponentPart",
    "GlidePart",
    "PointPart",
    "ProfileDocument",
    "ResonancePart",
]


class PointPart(Part):
    """One settled setting."""

    fan_duty_percent: float
    """Duty of the fans."""
    fan_rpm: float | None
    """Their mean speed; null without a tachometer."""
    pump_duty_percent: float | None
    """Duty of the pump; null without one, and where it is led along with the fans."""
    LAeq_db: float
    """Level of the cooler alone, or the most that it can be."""
    U95_db: float | None
    """Half-width of its 95 % interval, calibration apart; null for an upper bound."""
    upper_bound: bool
    """Whether the floor is so near that the cooler is at most that loud."""
    as_read_db: float
    """Level as the microphone read it, floor included."""
    listened_s: float
    """Sound taken here."""
    rejected_s: float
    """How much of it was left out."""


class GlidePart(Part):
    """What was heard while the fans slowed down between the settings, every half second."""

    speed: list[float]
    """Speed in rpm, or the duty in its place where no tachometer tells."""
    as_read_db: list[float]
    """Level as the microphone read it, floor included."""
    usable: list[bool]
    """Whether it is the cooler: false where hearing it again showed something else."""
    delay_s: float
    """By how much the sound came after the tachometer; it is taken out of `speed`."""


class ExponentPart(Part):
    """How steeply the fans' level rises with speed."""

    db_per_decade: float
    """Rise of the level for ten times the speed, resonances left out."""
    U95_db_per_decade: float
    """Half-width of its 95 % interval."""


class ResonancePart(Part):
    """A range of speeds where the fans are louder than their law says."""

    centre: float
    """Speed at its top in rpm, or the duty in its place."""
    height_db: float
    """How far the fans' level rises there."""
    U95_db: float
    """Half-width of the 95 % interval of the height."""
    low: float
    """Speed below its top at which half of the height is left."""
    high: float
    """Speed above its top at which half of the height is left."""


class ProfileDocument(Document):
    """A profile of a cooler."""

    kind: ClassVar[str] = "profile of a cooler"

    schema_name: Literal["evenhush.profile/1"] = Field(
        default="evenhush.profile/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When the sweep ended."""
    cooler: str
    """What was mounted."""
    bench: str
    """The bench it was mounted on."""
    input: str
    """Which input it was heard through."""
    calibration_time: AwareDatetime = Field(strict=False)
    """When the microphone was calibrated."""
    U95_absolute_db: float
    """What the microphone and its calibration add to each level, half-width at 95 %."""
    outcome: SweepOutcome
    """How the sweep ended."""
    why: str
    """The reason, in one sentence."""
    pump: PumpPolicy
    """How the pump was set."""
    floor: FloorPart
    """The room floor that the sweep counted with."""
    highest: PointPart | None
    """The setting at full speed; null where it was not heard."""
    lowest: PointPart | None
    """The setting at the lowest speed; null where nothing was heard."""
    exponent: ExponentPart | None
    """Rise over speed; null where too little stands clear of the floor."""
    resonances: list[ResonancePart]
    """Those that stand out for sure, slowest first."""
    stall_duty_percent: float | None
    """Duty at which turning fans stop; null where they turn at every duty the bench takes."""
    restart_duty_percent: float | None
    """Duty at which standing fans start; null where they never stand."""
    points: list[PointPart]
    """Settled settings, fastest first."""
    glide: GlidePart
    """What was heard between them."""
    learned: LearnedPart
    """What a later match starts from."""
    listened_s: float
    """Sound listened to for levels of settled settings."""
    bench_s: float
    """All the time it took."""
    warnings: list[str]
    """What the person at the bench should know."""

    def to_learned(self) -> Learned:
        """Return what a match on another day can start from.

        Raises
        ------
        DocumentError
            If it was made by another version.
        """
        return replace(self.learned.to_learned(), offset_sd_db=OTHER_DAY_SD_DB)

    @field_serializer("time", "calibration_time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
