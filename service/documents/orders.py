"""The orders document, ``evenhush.orders/1``: what follows a speed, what stays, and what they meet.

A level stands under a name with ``_db`` where it is a sound pressure level, and under one with
``_dbfs`` where it is re full scale; the other one is null.
"""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.cooler import CoolerDocument
from service.documents.reviewed import LeftOutPart, ReviewedTone

__all__ = [
    "CalmRange",
    "CrossingPart",
    "NearestCalm",
    "OrderPart",
    "OrdersDocument",
    "SpeedCoursePart",
    "SpeedPart",
    "StayingTonePart",
    "SweptRotor",
]


class SweptRotor(Part):
    """The rotor whose speed changes."""

    name: str
    """What the bench or the table of speeds calls it."""
    kind: Literal["fan", "pump"]
    """What it is."""
    blades: int | None
    """Its blades or vanes; null where nobody said."""
    poles: int | None
    """Poles of its motor; null where nobody said."""
    lowest_rpm: float
    """Lowest speed that was heard."""
    highest_rpm: float
    """Highest speed that was heard."""
    delay_s: float
    """By how much the sound came after the readings; it is taken out."""
    deviation_percent: float
    """By how much it turned faster than was read, as its tones tell."""


class SpeedCoursePart(Part):
    """Its speed over time, as its tones tell it."""

    time_s: list[float]
    """Times from the beginning of the recording."""
    rpm: list[float]
    """Speeds."""


class StayingTonePart(ReviewedTone):
    """A tone that stays where it is while the speed changes."""

    source: str
    """What makes it: another rotor, ``mains``, ``PWM`` or ``unexplained``."""
    name: str
    """What it is called."""
    probability: float
    """How probable that is."""


class OrderPart(Part):
    """One order over speed; all lists have an entry for each of `speeds`."""

    order: int
    """Multiple of the speed."""
    name: str
    """What it is called."""
    level_db: list[float | None] | None
    """Its level; null where it does not stand out. Null without a calibration."""
    level_dbfs: list[float | None] | None
    """The same re full scale where there is no calibration; null otherwise."""
    tone_to_noise_ratio_db: list[float | None]
    """Its level over the noise in its critical band; null outside 89.1 Hz to 11.2 kHz too."""
    prominent: list[bool]
    """Where it is prominent by that ratio."""
    shared: list[bool]
    """Where a tone that stays lies on it, so that the level is that of both."""


class CrossingPart(Part):
    """A range of speeds in which an order meets something."""

    order: int
    """The order."""
    name: str
    """What it is called."""
    low_rpm: float
    """Where the range begins: half of the rise, in dB, is left."""
    high_rpm: float
    """Where it ends."""
    top_rpm: float
    """Where the order is loudest."""
    frequency_hz: float
    """Frequency of what it meets."""
    rise_db: float
    """How much louder the order is there."""
    staying_hz: float | None
    """The tone that stays there; null where it is something that only rings."""
    also_orders: list[int]
    """Other orders that meet something at this frequency."""
    text: str
    """The same in words."""


class SpeedPart(Part):
    """What was heard at one speed."""

    rpm: float
    """The speed, in the middle of a narrow range."""
    LAeq_db: float | None
    """A-weighted level as heard, room included; null without a calibration."""
    LAeq_dbfs: float | None
    """The same re full scale where there is no calibration; null otherwise."""
    prominent: list[ReviewedTone]
    """Its prominent tones, low to high; none means a calm speed."""
    listened_s: float
    """Sound that it rests on."""


class CalmRange(Part):
    """A range of speeds without a prominent tone."""

    low_rpm: float
    """Where it begins."""
    high_rpm: float
    """Where it ends."""
    low_LAeq: float
    """A-weighted level at its lowest speed, in dB as `speeds` has it."""
    high_LAeq: float
    """The same at its highest speed."""


class NearestCalm(Part):
    """The nearest speeds without a prominent tone."""

    rpm: float
    """The speed that was asked for."""
    below: SpeedPart | None
    """The nearest at or below it; null where there is none."""
    above: SpeedPart | None
    """The nearest at or above it; null where there is none."""


class OrdersDocument(Document):
    """Orders of a cooler over its speeds."""

    kind: ClassVar[str] = "orders document"

    schema_name: Literal["evenhush.orders/1"] = Field(
        default="evenhush.orders/1", validation_alias="schema", serialization_alias="schema"
    )
    file: str
    """The recording, as it was named."""
    cooler: str | None
    """What was mounted, where that was noted."""
    time: AwareDatetime | None = Field(default=None, strict=False)
    """When the recording begins, where that was noted."""
    description: CoolerDocument | None
    """What is known of the cooler; null where nobody said anything."""
    rate_hz: int
    """Sampling rate."""
    channels: int
    """Channels that are used; everything is their mean as energy."""
    start_s: float
    """Where the part that was looked at begins."""
    duration_s: float
    """How long it is."""
    calibrated: bool
    """Whether levels are sound pressure levels."""
    calibration_time: AwareDatetime | None = Field(default=None, strict=False)
    """When the microphone was calibrated, where a calibration document says so."""
    rotor: SweptRotor
    """The rotor whose speed changes."""
    course: SpeedCoursePart
    """Its speed over time."""
    width_percent: float
    """Width of the range around each speed."""
    speeds: list[SpeedPart]
    """All speeds that were heard, rising."""
    orders: list[OrderPart]
    """What follows the speed, low to high."""
    stays: list[StayingTonePart]
    """What does not, low to high."""
    crossings: list[CrossingPart]
    """Where they meet something, by speed."""
    calm: list[CalmRange]
    """Ranges of speeds without a prominent tone, rising."""
    nearest: NearestCalm | None
    """The nearest of them to a speed that was asked for; null where none was."""
    left_out: list[LeftOutPart]
    """What is not used."""
    warnings: list[str]
    """What a reader should know."""

    @field_serializer("time", "calibration_time")
    def _time_text(self, time: AwareDatetime | None) -> str | None:
        return None if time is None else utc_text(time)
