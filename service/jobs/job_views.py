"""What is shown of a measurement in the queue: its state, how far it is, what it came to."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from service.documents.jobs import JobRequest
from service.records.lab import JobResult

__all__ = ["ENDED", "JobProgress", "JobState", "JobView", "LevelPoint"]

JobState = Literal[
    "queued",
    "waiting-for-person",
    "running",
    "paused",
    "done",
    "refused",
    "failed",
    "stopped",
    "interrupted",
]
"""Where a measurement stands.

``queued``: others come first. ``waiting-for-person``: it is its turn, and somebody has to mount a
cooler or put the calibrator on, and say so. ``running``. ``paused``: the bench is free; goes on
with what was learned. ``done``: the answer is yes. ``refused``: done, and the answer is no.
``failed``: could not be done. ``stopped``: by a person or for safety. ``interrupted``: the program
ended meanwhile; can be gone on with.
"""

ENDED: Final[frozenset[JobState]] = frozenset(
    {"done", "refused", "failed", "stopped", "interrupted"}
)
"""States in which nothing happens any more by itself."""


@dataclass(frozen=True, slots=True)
class LevelPoint:
    """The level that was read at one setting, while it is still listened to or after."""

    setting: int
    """Counts the settings of the job; a later point of the same setting replaces it."""
    fan_duty_percent: float | None
    """Mean duty of the fans; None on a bench without fans."""
    fan_rpm: float | None
    """Their mean speed; None without a tachometer."""
    pump_duty_percent: float | None
    """Mean duty of the pumps; None without one."""
    LAeq_db: float
    """Level as the microphone read it, the room included, and what passed by in it left out."""
    U95_db: float
    """Half-width of its 95 % interval."""
    listened_s: float
    """How much sound that is made of, in seconds."""


@dataclass(frozen=True, slots=True)
class JobProgress:
    """How far a measurement is."""

    words: str = ""
    """Its last remark."""
    share: float | None = None
    """How much of it is done, 0 to 1; None where nobody can say."""
    target_db: float | None = None
    """Level that is matched to now; None where nothing is."""
    points: tuple[LevelPoint, ...] = ()
    """Level over speed so far, in the order heard."""
    remarks: tuple[str, ...] = ()
    """All remarks so far, the newest last; at most a hundred."""
    floor_check: str | None = None
    """Id of the floor check it counts with; None where it listens for the floor by itself."""


@dataclass(frozen=True, slots=True)
class JobView:
    """A measurement in the queue."""

    id: str
    """Its id."""
    request: JobRequest
    """What was asked; `request.kind` says the kind."""
    state: JobState
    """Where it stands."""
    who: str
    """Who asked."""
    created: datetime
    """When it was asked."""
    started: datetime | None
    """When it began first; None while it has not."""
    ended: datetime | None
    """When it ended; None while it has not."""
    position: int | None
    """Place among those that wait, 0 for the next; None where it does not wait."""
    wants: str | None
    """What a person is to do before it goes on, in one sentence; None where nothing is."""
    why: str | None
    """Why it is in its state, in one sentence; None where there is nothing to say."""
    progress: JobProgress
    """How far it is."""
    results: tuple[JobResult, ...]
    """What it has put into the archive."""

    @property
    def kind(self) -> str:
        """What it is, such as ``match``."""
        return self.request.kind

    @property
    def cooler(self) -> str | None:
        """What is mounted for it; None where it is about no cooler."""
        return getattr(self.request, "cooler", None)
