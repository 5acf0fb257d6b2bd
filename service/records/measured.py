"""Records of what was measured: calibrations, floors, profiles, matches, rechecks, sound."""

from dataclasses import dataclass
from datetime import datetime

__all__ = [
    "CalibrationRecord",
    "FloorRecord",
    "FloorTrendPoint",
    "MatchRecord",
    "ProfileRecord",
    "RecheckRecord",
    "SoundRecord",
]


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """A calibration, or a reference tone that was refused."""

    id: str
    """Its id."""
    time: datetime
    """When the tone was heard."""
    input: str
    """Which input."""
    channel: int
    """Which channel of it, counted from 1."""
    accepted: bool
    """Whether it calibrates the microphone."""
    pascal_per_unit: float | None
    """Sound pressure in pascals of a sample of value 1.0; None where it was refused."""
    U95_db: float | None
    """Half-width of the 95 % interval of levels measured with it."""
    drift_db: float | None
    """By how much the microphone reads higher than at the accepted calibration before of the same
    input and channel; None for the first one and for a refused one."""
    next_due: datetime | None
    """When the next one is due; None where nobody said."""
    job: str | None
    """Job that made it."""


@dataclass(frozen=True, slots=True)
class FloorRecord:
    """A check of the room floor."""

    id: str
    """Its id."""
    time: datetime
    """When it was heard."""
    input: str
    """Which input it was heard through."""
    LAeq_db: float
    """Equivalent level of the undisturbed part."""
    LA90_db: float
    """Level exceeded 90 % of the undisturbed time."""
    U95_db: float
    """Half-width of the 95 % interval of `LAeq_db`, calibration apart."""
    fit_for_target_db: float
    """Lowest target that a match is not refused for."""
    scheduled: bool
    """Whether nobody asked for it."""
    job: str | None
    """Job that made it."""


@dataclass(frozen=True, slots=True)
class FloorTrendPoint:
    """Several checks of the room floor that lie near each other in time."""

    time: datetime
    """Their mean time."""
    checks: int
    """How many."""
    LAeq_db: float
    """Arithmetic mean of their equivalent levels."""
    lowest_LAeq_db: float
    """Lowest of them."""
    highest_LAeq_db: float
    """Highest of them."""
    LA90_db: float
    """Arithmetic mean of their levels exceeded 90 % of the time."""
    fit_for_target_db: float
    """Highest of the lowest targets that a match was not refused for."""


@dataclass(frozen=True, slots=True)
class ProfileRecord:
    """A sweep of a cooler."""

    id: str
    """Its id."""
    time: datetime
    """When it ended."""
    cooler: str
    """Name of the cooler."""
    bench: str
    """Where it was mounted."""
    input: str
    """Which input it was heard through."""
    outcome: str
    """How it ended."""
    pump: str
    """How the pump was set."""
    trail: str | None
    """Its trail, from the data folder on."""
    job: str | None
    """Job that made it."""


@dataclass(frozen=True, slots=True)
class MatchRecord:
    """A match of a cooler to a target."""

    id: str
    """Its id."""
    time: datetime
    """When it ended."""
    cooler: str
    """Name of the cooler."""
    bench: str
    """Where it was mounted."""
    input: str
    """Which input it was heard through."""
    target_db: float | None
    """Level to reach; None where a loudness was."""
    target_sone: float | None
    """Loudness to reach; None where a level was."""
    tolerance_db: float
    """How far from it counts as matched."""
    outcome: str
    """How it ended."""
    LAeq_db: float | None
    """Level that was reached."""
    U95_db: float | None
    """Half-width of its 95 % interval, calibration apart."""
    floor_LAeq_db: float
    """The room floor it counted with."""
    margin_db: float | None
    """How far the level stands over the floor."""
    fan_duty_percent: float | None
    """Duty of the fans; of several the first one's."""
    fan_rpm: float | None
    """Their speed."""
    pump_duty_percent: float | None
    """Duty of the pump."""
    pump_rpm: float | None
    """Its speed."""
    calibration: str | None
    """Id of the calibration it was measured with; None where that is not in the archive."""
    drift_db: float | None
    """Calibration after against before; None while it was not repeated."""
    void: bool
    """Whether the microphone drifted so far that the level must not be used."""
    trail: str | None
    """Its trail, from the data folder on."""
    job: str | None
    """Job that made it."""


@dataclass(frozen=True, slots=True)
class RecheckRecord:
    """A recheck of a matched cooler."""

    id: str
    """Its id."""
    time: datetime
    """When it ended."""
    cooler: str
    """Name of the cooler."""
    bench: str
    """Where it was mounted."""
    outcome: str
    """How it ended."""
    holds: bool | None
    """Whether the level holds; None where nothing was heard."""
    then_LAeq_db: float
    """Level when it was matched."""
    difference_db: float | None
    """Level now less the level then."""
    difference_U95_db: float | None
    """Half-width of its 95 % interval."""
    job: str | None
    """Job that made it."""


@dataclass(frozen=True, slots=True)
class SoundRecord:
    """A file with the sound of a measurement."""

    id: str
    """Its id."""
    time: datetime
    """When the sound begins."""
    path: str
    """Where it stands, from the data folder on."""
    bytes: int
    """Size of the file."""
    sha256: str
    """SHA-256 of the file, in hexadecimal."""
    rate_hz: int
    """Sampling rate."""
    channels: int
    """Number of channels."""
    duration_s: float
    """How long it is."""
    command: str
    """What heard it."""
    cooler: str | None
    """Name of what was mounted."""
    job: str | None
    """Job that made it."""
