"""The comparison, ``evenhush.comparison/1``: temperature rises of coolers, at equal noise."""

from typing import ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.base import Document, Part

__all__ = [
    "CommonPowerPart",
    "ComparedRunPart",
    "ComparisonDocument",
    "ComparisonPart",
    "LeakagePart",
    "RunLevelPart",
    "RunSpeedPart",
    "TemperatureDifferencePart",
]


class RunSpeedPart(Part):
    """A speed during a run."""

    rpm: float
    """Its mean in the part that counts."""
    sd_rpm: float
    """How much it varied."""
    matched_rpm: float | None
    """What the matched settings say; null without them."""


class RunLevelPart(Part):
    """The level of a cooler during a run."""

    LAeq_db: float
    """A-weighted level."""
    U95_db: float
    """Half-width of its 95 % interval against other coolers of the series."""
    U95_absolute_db: float
    """The same against the true sound pressure level."""
    source: Literal["settings", "profile", "log", "target"]
    """Where it is from: the matched settings, a cooler's profile, a column of the log, which holds
    the room as well, or only the target that the run was said to be matched to."""


class CommonPowerPart(Part):
    """A run at the power that all are brought to."""

    rise_k: float
    """Temperature rise."""
    U95_k: float
    """Half-width of its 95 % interval."""
    power_w: float
    """What the run would draw, with the leakage at its temperature."""


class ComparedRunPart(Part):
    """One run."""

    cooler: str
    """What was mounted."""
    load: str
    """Name of the load; empty where there is only one."""
    at: str
    """Where it was set: "full speed", a target such as "40 dB(A)", or "as run"."""
    logs: list[str]
    """Its files."""
    columns: str
    """Which column was taken for what."""
    rise_k: float
    """Mean temperature rise of the processor over the air, once warm."""
    U95_k: float
    """Half-width of its 95 % interval."""
    highest_10_s_k: float
    """Highest mean of the rise over 10 s."""
    processor_c: float
    """Mean temperature of the processor."""
    ambient_c: float
    """Mean temperature of the air."""
    ambient_change_k: float
    """How far the air changed under load."""
    power_w: float | None
    """Mean power in the part that counts; null where it was not logged."""
    power_U95_w: float | None
    """Half-width of its 95 % interval."""
    resistance_k_per_w: float | None
    """Rise over power; null where no power was logged."""
    resistance_U95_k_per_w: float | None
    """Half-width of its 95 % interval."""
    level: RunLevelPart | None
    """Level; null where it is not known."""
    slope_k_per_db: float | None
    """How the rise changes with the level, measured; null where it is not known."""
    slope_U95_k_per_db: float | None
    """Half-width of its 95 % interval."""
    speeds: dict[str, RunSpeedPart]
    """Speeds by name."""
    cycling: bool
    """Whether the load cycles."""
    cycles: int
    """How many whole cycles count."""
    period_s: float | None
    """Length of a cycle; null for a steady load."""
    used_from_s: float
    """Begin of the part that counts, from the begin of the log."""
    used_s: float
    """How long it is."""
    common_power: CommonPowerPart | None
    """The run at the common power; null where that was not asked for or no power was logged."""
    on_front: bool
    """Whether no other run of the load is quieter and colder."""
    price: float | None
    """Price of the cooler, as given."""
    remarks: list[str]
    """What was mended in the logs."""
    flags: list[str]
    """What speaks against comparing it as it is, each with its reason."""


class TemperatureDifferencePart(Part):
    """Two coolers against each other."""

    first: str
    """The one."""
    second: str
    """The other."""
    as_run_k: float
    """Rise of the first less that of the second."""
    difference_k: float
    """The same at exactly the target level, and at the common power if that was asked for."""
    U95_k: float
    """Half-width of its 95 % interval, with what the noise leaves open."""
    outside_error: bool
    """Whether the difference is larger than that."""


class ComparisonPart(Part):
    """All coolers at one setting under one load."""

    load: str
    """Name of the load; empty where there is only one."""
    at: str
    """Where they were set."""
    target_db: float | None
    """Level that they were matched to; null at full speed."""
    coldest: str
    """Which one is coldest; of a cooler with several pairs of fan and pump speed, with its pump's
    speed."""
    coldest_for_sure: bool
    """Whether it differs from every other one by more than the interval."""
    differences: list[TemperatureDifferencePart]
    """Every pair."""


class LeakagePart(Part):
    """How the power of a load rises with temperature."""

    load: str
    """Name of the load."""
    percent_per_10_k: float
    """By how much, for 10 K."""
    reference_c: float
    """Temperature that powers are compared at."""
    power_w: float
    """Power at that temperature that all runs are brought to."""


class ComparisonDocument(Document):
    """A comparison of coolers."""

    kind: ClassVar[str] = "comparison of coolers"

    schema_name: Literal["evenhush.comparison/1"] = Field(
        default="evenhush.comparison/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When it was made."""
    runs: list[ComparedRunPart]
    """The runs, in the order given."""
    comparisons: list[ComparisonPart]
    """Coolers at the same setting under the same load."""
    leakage: list[LeakagePart]
    """What was fitted for a common power, for each load; empty where that was not asked for."""
    warnings: list[str]
    """What limits the whole comparison."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
