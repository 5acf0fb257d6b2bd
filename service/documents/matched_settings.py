"""The matched settings, ``evenhush.matched-settings/1``: what the thermal runs read."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from acoustic.loudness import SoundField
from calibration.results import AppliesTo, MatchOutcome
from service.clock import utc_text
from service.documents.bands import DiscreteTone
from service.documents.base import Document, Part
from service.documents.budget import BudgetRow

__all__ = [
    "AbsoluteLevel",
    "ChainChannel",
    "ChainPart",
    "CoolerPart",
    "FloorPart",
    "LevelDifference",
    "LevelPart",
    "LoudnessPart",
    "MatchedSettingsDocument",
    "PairPart",
    "SettingPart",
    "TargetPart",
]


class TargetPart(Part):
    """What was asked for."""

    LAeq_db: float | None
    """Level to reach; null where a loudness was."""
    N_sone: float | None = None
    """Loudness to reach (ISO 532-1, stationary); null where a level was."""
    field: SoundField | None = None
    """Sound field that the loudness is for."""
    tolerance_db: float
    """How far from it counts as matched."""
    applies_to: AppliesTo
    """The cooler's own level, or the level as read."""


class ChainChannel(Part):
    """One of several microphones whose levels were averaged."""

    channel: int
    """Which channel, counted from 1."""
    pascal_per_unit: float
    """Its calibration, against which a later one shows the drift."""
    drift_db: float | None = None
    """Calibration after against before; null while it was not repeated."""


class ChainPart(Part):
    """The measuring chain and its uncertainty."""

    calibration_time: AwareDatetime | None = Field(strict=False)
    """When the microphone was calibrated."""
    pascal_per_unit: float | None = None
    """The calibration itself, against which a later one shows the drift; of several channels the
    root of the mean square."""
    channels: list[ChainChannel] = Field(default_factory=list)
    """The channels that were averaged as energy; empty for one."""
    calibration_U95_db: float | None = None
    """Half-width of the 95 % interval of the calibration."""
    drift_db: float | None
    """Calibration after against before; null when it was not repeated. Of several channels the
    largest, once all are known."""
    U95_absolute_db: float
    """Half-width of the 95 % interval of a level against the true sound pressure level."""
    U95_comparative_db: float
    """The same of a difference between coolers of this series: what they share cancels."""
    budget: list[BudgetRow] = Field(default_factory=list)
    """What both are made of, with k = 2; the rows that are shared cancel in the second."""
    void: bool = False
    """Whether the microphone drifted so far that the levels must not be used."""

    @field_serializer("calibration_time")
    def _time_text(self, time: AwareDatetime | None) -> str | None:
        return None if time is None else utc_text(time)


class SettingPart(Part):
    """One speed."""

    duty_percent: float
    """Duty to set."""
    rpm: float | None
    """Mean speed it gave; null without a tachometer."""


class LoudnessPart(Part):
    """The loudness that was reached."""

    field: SoundField
    """Sound field assumed."""
    N_sone: float
    """Loudness (ISO 532-1, stationary)."""
    U95_sone: float
    """Half-width of its 95 % interval, calibration apart."""
    LN_phon: float
    """Loudness level."""


class LevelPart(Part):
    """The level that was reached."""

    LAeq_db: float
    """Level of what the target applies to."""
    U95_db: float
    """Half-width of its 95 % interval, calibration apart."""
    as_read_db: float
    """Level as the microphone read it, floor included."""
    loudness: LoudnessPart | None = None
    """Loudness of what the target applies to, where one was asked for."""
    budget: list[BudgetRow] = Field(default_factory=list)
    """What `U95_db` is made of."""


class FloorPart(Part):
    """The room floor the match counted with."""

    LAeq_db: float
    """Its level."""
    U95_db: float
    """Half-width of its 95 % interval."""


class PairPart(Part):
    """One pair of fan and pump speed at which the cooler makes the target."""

    pump_duty_percent: float
    """Duty that the pump was held at."""
    outcome: MatchOutcome
    """How its match ended."""
    why: str
    """The reason, in one sentence."""
    settings: dict[str, SettingPart] | None
    """Speeds by actuator; null when there is nothing to give."""
    level: LevelPart | None
    """Level there; null when there is nothing to give."""
    fan_rpm_U95: float | None
    """Half-width of the 95 % interval of the fan speed that makes the level; null without one."""
    margin_db: float | None
    """How far the level stands over the floor."""
    settings_visited: int
    """How many settings were listened to for it."""
    listened_s: float
    """Sound listened to for it."""
    bench_s: float
    """All the time it took."""
    tones: list[DiscreteTone]
    """Tones of the cooler at those speeds."""
    warnings: list[str]
    """What the person at the bench should know."""


class CoolerPart(Part):
    """The result for one cooler."""

    cooler: str
    """Its name."""
    outcome: MatchOutcome
    """How the match ended."""
    why: str
    """The reason, in one sentence."""
    bench: str
    """The bench it was mounted on."""
    settings: dict[str, SettingPart] | None
    """Speeds by actuator; null when there is nothing to give."""
    level: LevelPart | None
    """Level there; null when there is nothing to give."""
    floor: FloorPart
    """The room floor."""
    margin_db: float | None
    """How far the level stands over the floor."""
    settings_visited: int
    """How many settings were listened to."""
    listened_s: float
    """Sound listened to for levels."""
    bench_s: float
    """All the time it took."""
    tones: list[DiscreteTone]
    """Tones of the cooler at those speeds."""
    warnings: list[str]
    """What the person at the bench should know."""
    curve: list[PairPart] = Field(default_factory=list)
    """Pairs of fan and pump speed in rising order of the pump's, where they were asked for; the
    cooler's own settings are those of one of them."""


class AbsoluteLevel(Part):
    """The level of one cooler against the true sound pressure level."""

    cooler: str
    """Its name."""
    LAeq_db: float
    """Its level."""
    U95_db: float
    """Half-width of the 95 % interval from its own budget and the chain's together."""


class LevelDifference(Part):
    """Two coolers of the series against each other."""

    first: str
    """Name of the one."""
    second: str
    """Name of the other."""
    LAeq_db: float
    """Level of the first less that of the second."""
    U95_db: float
    """Half-width of its 95 % interval: what both levels share cancels."""


class MatchedSettingsDocument(Document):
    """A document of matched settings."""

    kind: ClassVar[str] = "document of matched settings"

    schema_name: Literal["evenhush.matched-settings/1"] = Field(
        default="evenhush.matched-settings/1",
        validation_alias="schema",
        serialization_alias="schema",
    )
    time: AwareDatetime = Field(strict=False)
    """When the last match ended."""
    target: TargetPart
    """What was asked for."""
    chain: ChainPart
    """The measuring chain."""
    coolers: list[CoolerPart]
    """One entry a cooler."""
    absolute: list[AbsoluteLevel] = Field(default_factory=list)
    """Every level that is given, with the chain's uncertainty in its interval."""
    differences: list[LevelDifference] = Field(default_factory=list)
    """Every pair of levels that are given."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
