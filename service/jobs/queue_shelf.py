"""The jobs that have not ended, in memory and in the archive alike."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Final

from service.documents.jobs import JobRequest
from service.errors import DocumentError, StorageError
from service.jobs.job_views import JobState, JobView
from service.jobs.measuring import JobHand
from service.jobs.queue_records import record_of, view_of
from service.ports import JobArchive

__all__ = ["JobShelf"]

_MOST: Final = 1000
"""So many jobs may be paused, or have been running when the program ended."""


class JobShelf:
    """Every job that waits, runs or is paused; whoever uses it holds a lock.

    Parameters
    ----------
    archive : JobArchive
        Where they are kept.
    now : callable
        The time.
    """

    def __init__(self, archive: JobArchive, now: Callable[[], datetime]) -> None:
        self._archive = archive
        self._now = now
        self._views: dict[str, JobView] = {}
        self._line: list[str] = []
        self.turn: str | None = None
        """The job whose turn it is."""
        self.hand: JobHand | None = None
        """What that has of the queue, while it runs."""
        self.shown: tuple[JobView, ...] = ()
        """All of them as they were after the last change; may be read without the lock."""

    def take_up(self) -> list[JobView]:
        """Take up what an earlier run has left, and return what broke off with it."""
        waiting = [record.id for record in self._archive.waiting()]
        paused = [record.id for record in self._archive.list(states=["paused"], limit=_MOST).items]
        for job_id in (*waiting, *paused):
            record = self._archive.get(job_id)
            try:
                view = view_of(record)
            except DocumentError as error:
                failed = replace(record, state="failed", why=str(error), position=None)
                self._archive.save(replace(failed, ended=self._now()))
                continue
            self._views[job_id] = view
            if job_id in waiting:
                self._views[job_id] = replace(view, state="queued")
                self._line.append(job_id)
        why = "The program ended while this was measured; it can be gone on with."
        broken = []
        for record in self._archive.list(states=["running"], limit=_MOST).items:
            ended = replace(record, state="interrupted", why=why, position=None, ended=self._now())
            self._archive.save(ended)
            broken.append(view_of(ended))
        self._show()
        return broken

    def add(self, request: JobRequest, who: str, place: int | None) -> JobView:
        """Take up a new job."""
        plain = request.model_dump(mode="json")
        record = self._archive.add(kind=request.kind, request=plain, who=who)
        try:
            return self.line_up(view_of(record), place)
        except StorageError:
            self.drop(record.id)
            raise

    @property
    def first(self) -> str | None:
        """The job that waits first."""
        return self._line[0] if self._line else None

    def __contains__(self, job_id: str) -> bool:
        """Tell whether a job has not ended."""
        return job_id in self._views

    def view(self, job_id: str) -> JobView:
        """Return a job; from the archive where it has ended."""
        view = self._views.get(job_id)
        if view is None:
            return view_of(self._archive.get(job_id))
        if job_id == self.turn and self.hand is not None:
            view = replace(view, progress=self.hand.progress, results=self.hand.results)
        place = self._line.index(job_id) if job_id in self._line else None
        return replace(view, position=place)

    def state_of(self, job_id: str) -> JobState | None:
        """Return a job's state; None where it has ended."""
        view = self._views.get(job_id)
        return None if view is None else view.state

    def enter(self, view: JobView) -> JobView:
        """Keep how a job stands that has not ended."""
        self._views[view.id] = view
        self._show()
        kept = self.view(view.id)
        self._archive.save(record_of(kept))
        return kept

    def end(self, view: JobView, state: JobState, why: str | None) -> JobView:
        """Keep how a job ended, and let it go."""
        ended = replace(view, state=state, why=why, wants=None, position=None, ended=self._now())
        self.leave_line(view.id)
        self._views.pop(view.id, None)
        self._show()
        self._archive.save(record_of(ended))
        return ended

    def line_up(self, view: JobView, place: int | None) -> JobView:
        """Let a job wait, at a place of those that wait or as the last of them."""
        if view.id in self._line:
            self._line.remove(view.id)
        self._line.insert(len(self._line) if place is None else max(place, 0), view.id)
        kept = self.enter(view)
        self._archive.order(self._line)
        return kept

    def leave_line(self, job_id: str) -> None:
        """Take a job out of those that wait."""
        if job_id in self._line:
            self._line.remove(job_id)
            self._show()

    def drop(self, job_id: str) -> None:
        """Forget a job that cannot be kept; the archive has it as it was."""
        self.leave_line(job_id)
        self._views.pop(job_id, None)
        self._show()

    def _show(self) -> None:
        """Put together what is shown: whose turn it is, those that wait, those that rest."""
        waiting = [job_id for job_id in self._line if job_id != self.turn]
        first = [self.turn] if self.turn in self._views else []
        others = [job_id for job_id in self._views if job_id not in (*first, *waiting)]
        self.shown = tuple(self.view(job_id) for job_id in (*first, *waiting, *others) if job_id)
