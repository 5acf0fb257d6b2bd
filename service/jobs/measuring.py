"""What the queue asks of whoever measures, and what it hands out to a measurement under way."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal, Protocol

from acoustic.errors import EvenhushError
from service.documents.jobs import JobRequest
from service.errors import Halted
from service.jobs.job_views import JobProgress, JobView, LevelPoint
from service.records.lab import JobResult

__all__ = ["JobHand", "JobOutcome", "Measuring"]

_MOST_REMARKS: Final = 100


@dataclass(frozen=True, slots=True)
class JobOutcome:
    """How a measurement ended."""

    state: Literal["done", "refused", "stopped"]
    """Yes, no, or stopped for safety."""
    why: str | None = None
    """The reason in one sentence, where there is something to say."""


class JobHand:
    """What a measurement under way has of the queue; used from the thread that measures.

    Parameters
    ----------
    job : JobView
        The measurement as it stood before.
    changed : callable
        Called after each change of `progress` and `results`, with ``must_be_kept``.
    """

    def __init__(self, job: JobView, changed: Callable[..., None]) -> None:
        self.id = job.id
        """Its id."""
        self.who = job.who
        """Who asked."""
        self.created = job.created
        """When it was asked."""
        self.progress = job.progress
        """How far it is."""
        self.results = job.results
        """What it has put into the archive."""
        self.goes_on = job.started is not None
        """Whether it was begun before, and may go on with what it had learned."""
        self._changed = changed
        self._lock = threading.Lock()
        self._halted: EvenhushError | None = None
        self._on_halt: Callable[[Exception], None] | None = None

    def tell(self, text: str) -> None:
        """Make a remark."""
        remarks = (*self.progress.remarks, text)[-_MOST_REMARKS:]
        self._now(replace(self.progress, words=text, remarks=remarks))

    def share(self, share: float | None) -> None:
        """Say how much is done, 0 to 1."""
        self._now(replace(self.progress, share=share))

    def aim(self, target_db: float | None) -> None:
        """Say which level is matched to."""
        self._now(replace(self.progress, target_db=target_db))

    def show(self, points: tuple[LevelPoint, ...]) -> None:
        """Show level over speed so far."""
        self._now(replace(self.progress, points=points))

    def counts_with_floor(self, floor_check: str | None) -> None:
        """Say which floor check it counts with, so that it does when it goes on as well."""
        self._now(replace(self.progress, floor_check=floor_check), keep=True)

    def has_put(self, kind: str, entry: str) -> None:
        """Say what was put into the archive."""
        result = JobResult(kind, entry)
        if result not in self.results:
            self.results = (*self.results, result)
        self._changed(must_be_kept=True)

    def on_halt(self, halt: Callable[[Exception], None]) -> None:
        """Say what ends the measurement: called once, at once where it was told to end already."""
        with self._lock:
            self._on_halt = halt
            halted = self._halted
        if halted is not None:
            halt(halted)

    def halt(self, why: str) -> None:
        """Tell the measurement to end; called from another thread."""
        with self._lock:
            if self._halted is not None:
                return
            self._halted = Halted(why)
            halt = self._on_halt
        if halt is not None:
            halt(self._halted)

    def check(self) -> None:
        """Make sure that it may go on.

        Raises
        ------
        Halted
            If it was told to end.
        """
        if self._halted is not None:
            raise Halted(str(self._halted))

    def _now(self, progress: JobProgress, *, keep: bool = False) -> None:
        self.progress = progress
        self._changed(must_be_kept=keep)


class Measuring(Protocol):
    """Who measures, with one microphone and one bench: one measurement at a time."""

    def check(self, request: JobRequest) -> None:
        """Look whether a request can be done here.

        Raises
        ------
        InputError
            If it cannot be.
        """
        ...

    def wants(self, request: JobRequest) -> str | None:
        """Say what a person has to do before; None for nothing."""
        ...

    def person_did(self, request: JobRequest) -> None:
        """Learn that a person has done that.

        Raises
        ------
        EvenhushError
            If it cannot be so.
        """
        ...

    def measure(self, request: JobRequest, hand: JobHand) -> JobOutcome:
        """Measure.

        Raises
        ------
        Halted
            If it was told to end.
        SafetyStop
            If the bench protects itself.
        EvenhushError
            If it could not be done.
        """
        ...
