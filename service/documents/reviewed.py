"""Parts that documents about a recorded sound share: what it is, its level and its tones.

A level stands under a name with ``_db`` where it is a sound pressure level, and under one with
``_dbfs`` where it is re full scale; the other one is null. So one can never be read as the other.
"""

from typing import Literal, Self

from pydantic import AwareDatetime, Field, field_serializer

from acoustic.tones import DiscreteTone as FoundTone
from service.clock import utc_text
from service.documents.base import Part
from service.documents.budget import BudgetRow

__all__ = ["LeftOutPart", "ReviewedPart", "ReviewedTone"]


class LeftOutPart(Part):
    """A passage that is not used."""

    start_s: float
    """Where it begins, from the beginning of the recording."""
    end_s: float
    """Where it ends."""
    why: Literal["marked", "clipped", "standing still", "intrusion"]
    """Why: marked when it was kept, or found in the sound."""


class ReviewedTone(Part):
    """A tone that stands out of the sound around it."""

    frequency_hz: float
    """Its frequency."""
    level_db: float | None
    """Its level, unweighted; null without a calibration."""
    level_dbfs: float | None
    """The same re full scale where there is no calibration; null otherwise."""
    tone_to_noise_ratio_db: float
    """Level over the noise in its critical band."""
    prominence_ratio_db: float
    """Level of its critical band over the neighbouring two."""
    prominent: bool
    """Whether it is prominent by either criterion."""
    in_room: bool | None = None
    """Whether the room has it too, so that it may not be the cooler's; null where the room was
    not recorded."""

    @classmethod
    def of(cls, tone: FoundTone, *, calibrated: bool, in_room: bool | None = None) -> Self:
        """Put a tone into the document's form."""
        level = round(tone.level_db, 2)
        return cls(
            frequency_hz=round(tone.frequency_hz, 2),
            level_db=level if calibrated else None,
            level_dbfs=None if calibrated else level,
            tone_to_noise_ratio_db=round(tone.tone_to_noise_ratio_db, 2),
            prominence_ratio_db=round(tone.prominence_ratio_db, 2),
            prominent=tone.prominent,
            in_room=in_room,
        )

    @property
    def level(self) -> float:
        """Its level, whatever it is re to."""
        return (self.level_db if self.level_db is not None else self.level_dbfs) or 0.0


class ReviewedPart(Part):
    """A recording, or a part of one."""

    file: str
    """The recording, as it was named."""
    cooler: str | None
    """What was mounted, where that was noted."""
    time: AwareDatetime | None = Field(default=None, strict=False)
    """When the recording begins, where that was noted."""
    rate_hz: int
    """Its sampling rate."""
    channels: int
    """Channels that carry sound; everything is their mean as energy."""
    start_s: float
    """Where the part begins."""
    duration_s: float
    """How long it is."""
    used_s: float
    """How much of it is used."""
    calibrated: bool
    """Whether levels are sound pressure levels."""
    calibration_time: AwareDatetime | None = Field(default=None, strict=False)
    """When the microphone was calibrated, where a calibration document says so."""
    LAeq_db: float | None
    """A-weighted level of what is used; null without a calibration."""
    LAeq_dbfs: float | None
    """The same re full scale where there is no calibration; null otherwise."""
    U95_db: float | None
    """Half-width of its 95 % interval from listening; null where the sound is not steady."""
    U95_absolute_db: float | None
    """The same against the true sound pressure level; null without a calibration document."""
    budget: list[BudgetRow]
    """What both are made of; the rows that are shared, and drift, belong to the second only."""
    left_out: list[LeftOutPart]
    """What is not used."""
    warnings: list[str]
    """What a reader should know."""

    @property
    def LAeq(self) -> float:
        """Its level, whatever it is re to."""
        return (self.LAeq_db if self.LAeq_db is not None else self.LAeq_dbfs) or 0.0

    @field_serializer("time", "calibration_time")
    def _time_text(self, time: AwareDatetime | None) -> str | None:
        return None if time is None else utc_text(time)
