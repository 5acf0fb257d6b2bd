"""How a run was held, ``evenhush.held-run/1``: the evidence that speeds and level stayed."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.comparison import RunLevelPart

__all__ = ["HeldLevelPart", "HeldRunDocument", "HeldSpeedPart", "HoldOutcome"]

HoldOutcome = Literal["held", "not-held", "stopped", "failed"]
"""How it can end: all stayed within their tolerances; something did not; stopped for safety; the
bench failed or the lease was lost."""


class HeldSpeedPart(Part):
    """One actuator."""

    matched_duty_percent: float
    """Duty that was matched."""
    duty_percent: float
    """Duty at the end."""
    matched_rpm: float | None
    """Speed that was matched; null where it is held by duty."""
    mean_rpm: float | None
    """Mean speed since it had come to where it belongs; null without a tachometer."""
    lowest_rpm: float | None
    """Lowest mean over half a minute."""
    highest_rpm: float | None
    """Highest mean over half a minute."""
    outside_s: float
    """Seconds in which that mean was outside the tolerance."""


class HeldLevelPart(Part):
    """The level at the microphone."""

    matched_db: float | None
    """What it read when it was matched; null where that is not known."""
    LAeq_db: float | None
    """Middle level over the run; null where less than a minute was heard."""
    outside_s: float
    """Seconds in which the middle level of a minute was outside the tolerance."""


class HeldRunDocument(Document):
    """The record of a run whose speeds were held."""

    kind: ClassVar[str] = "record of a held run"

    schema_name: Literal["evenhush.held-run/1"] = Field(
        default="evenhush.held-run/1", validation_alias="schema", serialization_alias="schema"
    )
    start: AwareDatetime = Field(strict=False)
    """When the speeds were set."""
    end: AwareDatetime = Field(strict=False)
    """When the bench was given back."""
    cooler: str
    """What was mounted."""
    bench: str
    """The bench it was mounted on."""
    target_db: float | None
    """Level that it was matched to; null at full speed."""
    cooler_level: RunLevelPart | None
    """Level of the cooler alone as it was matched; null where that is not known."""
    settings: str | None
    """File of the matched settings; null at full speed."""
    log: str
    """Its log."""
    log_complete: bool
    """Whether every second stands in it."""
    outcome: HoldOutcome
    """How it ended."""
    why: str
    """The reason, in one sentence."""
    held_s: float
    """How long it was held."""
    speed_tolerance_percent: float
    """Tolerance of the speeds."""
    level_tolerance_db: float
    """Tolerance of the level."""
    speeds: dict[str, HeldSpeedPart]
    """The actuators by name."""
    level: HeldLevelPart | None
    """The level; null where nobody listened."""
    command: list[str] | None
    """The command that ran meanwhile; null without one."""
    command_code: int | None
    """What it ended with; null where it was ended or there was none."""
    warnings: list[str]
    """What was said on the way, each with its time."""

    @field_serializer("start", "end")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
