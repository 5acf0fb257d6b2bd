"""The status of the lab: what a person sees first."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from service.jobs.job_views import JobView
from service.live.bench_view import BenchView

__all__ = ["CalibrationStatus", "FloorStatus", "InputStatus", "LabStatus", "Problem", "ProblemKind"]

ProblemKind = Literal[
    "bench-safe",
    "input-lost",
    "disk",
    "bench-unreachable",
    "input-fault",
    "not-calibrated",
    "drift",
    "calibration-due",
    "room-too-loud",
    "floor-due",
]
"""What can be wrong, the gravest first."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Something a person should know now."""

    kind: ProblemKind
    """What sort of thing."""
    since: datetime
    """Since when."""
    text: str
    """What is wrong and what to do, in one sentence."""


@dataclass(frozen=True, slots=True)
class InputStatus:
    """The sound input."""

    name: str
    """As it is configured, such as ``device:measurement``."""
    connected: bool
    """Whether it delivers sound."""
    rate_hz: int | None
    """Sampling rate; None before it was reached once."""
    channels: int | None
    """Number of channels; None before it was reached once."""
    used_channels: tuple[int, ...]
    """Those that levels are made of, counted from 1."""


@dataclass(frozen=True, slots=True)
class CalibrationStatus:
    """The calibration in force."""

    id: str | None
    """Its id in the archive; None where it comes from a file or there is none."""
    time: datetime | None
    """When its tone was heard; None without a calibration."""
    age_s: float | None
    """How old it is, in seconds; None without one."""
    due: bool
    """Whether the microphone should be calibrated before anything else is measured."""
    next_due: datetime | None
    """When that is or was; None without a calibration."""
    pascal_per_unit: float | None
    """Its factor; None without a calibration."""
    U95_db: float | None
    """Half-width of the 95 % interval of levels measured with it."""
    drift_db: float | None
    """By how much the microphone reads higher than at the calibration before; None for a first."""
    void: bool
    """Whether that is so much that the levels measured between the two must not be used."""


@dataclass(frozen=True, slots=True)
class FloorStatus:
    """The last check of the room floor."""

    id: str
    """Its id in the archive."""
    time: datetime
    """When it was heard."""
    LAeq_db: float
    """Its level."""
    U95_db: float
    """Half-width of its 95 % interval."""
    fit_for_target_db: float
    """Lowest target it is fit for."""
    fit_to_use: bool
    """Whether a match started now counts with it: nothing turned, heard with the calibration in
    force, not too old."""


@dataclass(frozen=True, slots=True)
class LabStatus:
    """The state of everything at one moment."""

    time: datetime
    """Which moment."""
    demo: bool
    """Whether room, microphone and coolers are simulated."""
    speed: float | None
    """How many times faster than real time the sound goes; None for as fast as it is asked for."""
    input: InputStatus
    """The sound input."""
    calibration: CalibrationStatus
    """The calibration in force."""
    floor: FloorStatus | None
    """The last floor check; None where there never was one."""
    next_floor_check: datetime | None
    """When the next scheduled floor check is due; None where none are scheduled."""
    bench: BenchView | None
    """The bench; None where none is configured."""
    job: JobView | None
    """The measurement whose turn it is; None where there is none."""
    queue_length: int
    """How many wait, that one not counted."""
    problems: tuple[Problem, ...]
    """What is wrong now, the gravest first; empty where all is well."""
