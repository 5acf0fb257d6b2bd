"""What can be asked of the lab: one request for each kind of measurement, as a script sends it."""

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, TypeAdapter

from acoustic.loudness import SoundField
from calibration.results import AppliesTo
from service.documents.base import Part

__all__ = [
    "CalibrateJob",
    "FloorJob",
    "JobKind",
    "JobRequest",
    "MatchJob",
    "RecheckJob",
    "SweepJob",
    "request_from",
]

JobKind = Literal["calibrate", "floor", "sweep", "match", "recheck"]
"""Every kind of measurement."""

CoolerName = Annotated[str, Field(min_length=1, max_length=200)]
"""Name of a cooler of the archive."""
DutyPercent = Annotated[float, Field(ge=0.0, le=100.0)]
"""A duty in per cent."""


class CalibrateJob(Part):
    """A calibration: waits until somebody has put the calibrator on."""

    kind: Literal["calibrate"] = "calibrate"
    level_db: float = Field(default=94.0, ge=60.0, le=140.0)
    """Level on the calibrator's label."""
    frequency_hz: float = Field(default=1000.0, ge=20.0, le=20_000.0)
    """Frequency on it."""
    seconds: float = Field(default=10.0, ge=2.0, le=120.0)
    """How long to listen."""
    channel: int = Field(default=1, ge=1, le=64)
    """Channel it is put on, counted from 1."""


class FloorJob(Part):
    """A check of the room floor."""

    kind: Literal["floor"] = "floor"
    seconds: float = Field(default=30.0, ge=6.0, le=3600.0)
    """How long to listen."""
    lower_fans: bool = False
    """Whether to lease the bench and turn everything to its lowest speed meanwhile."""


class SweepJob(Part):
    """The level of a cooler over all its speeds."""

    kind: Literal["sweep"] = "sweep"
    cooler: CoolerName
    """What is to be mounted."""
    pump_duty_percent: DutyPercent | None = None
    """Hold the pump here; null for 80 %."""
    pump_follows: bool = False
    """Whether the pump is led along with the fans."""


class MatchJob(Part):
    """One cooler matched to one target or several, from loud to quiet."""

    kind: Literal["match"] = "match"
    cooler: CoolerName
    """What is to be mounted."""
    targets_db: list[Annotated[float, Field(ge=0.0, le=120.0)]] = Field(
        default_factory=list, max_length=20
    )
    """Levels to reach, dB(A); without any target the configured one."""
    targets_sone: list[Annotated[float, Field(gt=0.0, le=1000.0)]] = Field(
        default_factory=list, max_length=20
    )
    """Loudnesses to reach instead."""
    sound_field: SoundField = "free"
    """Sound field of the loudnesses."""
    tolerance_db: Annotated[float, Field(ge=0.05, le=3.0)] | None = None
    """How far from a target counts as matched; null for the configured one."""
    applies_to: AppliesTo = "cooler"
    """The cooler's own level, or the level as the microphone reads it."""
    pump_duty_percent: DutyPercent | None = None
    """Hold the pump here; null to set it as the match needs it."""
    pump_follows: bool = False
    """Whether the pump is led along with the fans."""
    detune_percent: float = Field(default=0.0, ge=0.0, le=5.0)
    """How far the duties of fans that beat are set apart."""
    curve_points: Annotated[int, Field(ge=2, le=20)] | None = None
    """Find so many pairs of fan and pump speed; null for one setting."""
    curve_pump_percents: list[DutyPercent] = Field(default_factory=list, max_length=20)
    """Pump duties to find pairs at, instead of evenly spread ones."""
    fresh: bool = False
    """Whether what was heard of the cooler before is to be ignored."""


class RecheckJob(Part):
    """Matched settings of one cooler, set and heard again."""

    kind: Literal["recheck"] = "recheck"
    cooler: CoolerName
    """What is to be mounted."""
    matches: list[str] = Field(default_factory=list, max_length=20)
    """Ids of the matches to check; without any the newest one that was matched."""


JobRequest: TypeAlias = Annotated[
    CalibrateJob | FloorJob | SweepJob | MatchJob | RecheckJob, Field(discriminator="kind")
]
"""Any request."""

_REQUESTS: TypeAdapter[JobRequest] = TypeAdapter(JobRequest)


def request_from(plain: object) -> JobRequest:
    """Read a request from JSON types.

    Parameters
    ----------
    plain : object
        What `to_plain` of a request gave.

    Returns
    -------
    JobRequest
        The request.
    """
    return _REQUESTS.validate_python(plain)
