"""The queue of measurements: one at a time, each with its state, kept over restarts."""

import logging
import threading
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import datetime
from typing import Final, Literal, NoReturn

from acoustic.errors import EvenhushError
from service.documents.jobs import JobRequest, MatchJob
from service.errors import Halted, SafetyStop, StorageError, WrongJobState
from service.jobs.job_views import ENDED, JobState, JobView
from service.jobs.measuring import JobHand, Measuring
from service.jobs.queue_records import record_of, view_of
from service.jobs.queue_shelf import JobShelf
from service.ports import JobArchive
from service.records.paging import Page

__all__ = ["JobQueue"]

_KEPT_EVERY_S: Final = 5.0
"""How far a measurement is, is kept this often: what a crash may cost of it."""
_UNWIND_S: Final = 10.0
"""How long a measurement that is told to end may take: the rest of a block of sound, and a bench
that does not answer while the lease is given back."""
_GOES_ON: Final = frozenset({"interrupted", "failed", "stopped"})

logger = logging.getLogger(__name__)


class JobQueue:
    """Measurements that wait, run or were done; used from any thread.

    Every method that changes a job returns it as it is then. All of them raise `NotKept` for an
    id that is none, and `WrongJobState` where the job's state does not allow it.

    Parameters
    ----------
    archive : JobArchive
        Where they are kept.
    measuring : Measuring
        Who measures.
    now : callable
        The time.
    note : callable, optional
        Given what is worth an event: its kind, who did it, and what happened in one sentence.
    """

    def __init__(
        self,
        archive: JobArchive,
        measuring: Measuring,
        *,
        now: Callable[[], datetime],
        note: Callable[[str, str, str], None] = lambda *_: None,
    ) -> None:
        self._archive = archive
        self._measuring = measuring
        self._now = now
        self._note = note
        self._changed = threading.Condition()
        self._shelf = JobShelf(archive, now)
        self._confirmed: set[str] = set()
        self._halted: tuple[Literal["paused", "stopped", "interrupted"], str] | None = None
        self._kept_at = now()
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="evenhush-jobs", daemon=True)

    def start(self) -> None:
        """Take up what an earlier run has left, and begin.

        Raises
        ------
        StorageError
            If the archive fails.
        """
        for view in self._shelf.take_up():
            self._note("job-interrupted", "evenhush", f"A {view.kind} broke off. {view.why}")
        self._thread.start()

    def add(self, request: JobRequest, who: str, *, position: int | None = None) -> JobView:
        """Put a measurement into the queue.

        Parameters
        ----------
        request : JobRequest
            What is to be measured.
        who : str
            Who asks.
        position : int, optional
            Place among those that wait, 0 for the next; by default the last. One that only waits
            for a person lets another go before.

        Returns
        -------
        JobView
            The job.

        Raises
        ------
        InputError
            If the request cannot be done here: no such cooler, no bench, options that exclude each
            other.
        """
        self._measuring.check(request)
        with self._changed:
            view = self._shelf.add(request, who, position)
            self._changed.notify_all()
            return view

    def list(
        self,
        states: Collection[JobState] | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[JobView]:
        """List jobs, newest first.

        Parameters
        ----------
        states : collection of str, optional
            Only those in one of these states.
        limit : int, optional
            How many at most.
        before : str, optional
            What the part before gave as `next`.

        Returns
        -------
        Page
            A part of the list.
        """
        found = self._archive.list(states=states, limit=limit, before=before)
        active = {view.id: view for view in self.active()}
        views = tuple(active.get(record.id) or view_of(record) for record in found.items)
        return Page(views, found.next)

    def active(self) -> tuple[JobView, ...]:
        """Return what has not ended: the one whose turn it is, those that wait, those paused.

        Never waits for anything.
        """
        hand = self._shelf.hand
        return tuple(
            view
            if hand is None or view.id != hand.id
            else replace(view, progress=hand.progress, results=hand.results)
            for view in self._shelf.shown
        )

    @property
    def current(self) -> JobView | None:
        """The job that runs or waits for a person; None where there is none."""
        active = ("running", "waiting-for-person")
        return next((view for view in self.active() if view.state in active), None)

    def get(self, job_id: str) -> JobView:
        """Return a job."""
        with self._changed:
            return self._shelf.view(job_id)

    def pause(self, job_id: str, who: str) -> JobView:
        """Let a job that waits or runs rest; the bench is given back within a tenth of a second."""
        why = f"Paused by {who}."
        with self._changed:
            view = self._shelf.view(job_id)
            if view.state == "running":
                return self._halt(job_id, "paused", why)
            if view.state not in ("queued", "waiting-for-person"):
                _refuse(view, "paused")
            self._shelf.leave_line(job_id)
            self._changed.notify_all()
            return self._shelf.enter(replace(view, state="paused", wants=None, why=why))

    def resume(self, job_id: str, who: str) -> JobView:  # noqa: ARG002 - all of them are told who
        """Let a paused job come next; it goes on with what it has learned."""
        with self._changed:
            view = self._shelf.view(job_id)
            if view.state != "paused":
                _refuse(view, "resumed")
            return self._next(view)

    def stop(self, job_id: str, who: str) -> JobView:
        """End a job that has not ended."""
        why = f"Stopped by {who}."
        with self._changed:
            view = self._shelf.view(job_id)
            if view.state == "running":
                return self._halt(job_id, "stopped", why)
            if view.state in ENDED:
                _refuse(view, "stopped")
            self._changed.notify_all()
            return self._shelf.end(view, "stopped", why)

    def go_on(self, job_id: str, who: str) -> JobView:
        """Say that what a job waits for is done, or take up one that broke off.

        One that was interrupted, failed or was stopped goes on with what it has learned, and
        comes next.

        Raises
        ------
        EvenhushError
            If what it waits for cannot be so.
        """
        view = self.get(job_id)
        if view.state == "waiting-for-person":
            return self._confirm(view)
        if view.state not in _GOES_ON:
            _refuse(view, "gone on with")
        self._note("job-gone-on", who, f"The {view.kind} goes on with what it had learned.")
        with self._changed:
            return self._next(replace(self._shelf.view(job_id), ended=None))

    def retake(self, job_id: str, who: str) -> JobView:
        """Measure the same anew, from nothing, and return the new job, which comes next.

        A job that has not ended is stopped.
        """
        before = self.get(job_id)
        request = before.request
        if isinstance(request, MatchJob):
            request = request.model_copy(update={"fresh": True})
        again = self.add(request, who, position=0)
        # Only now, so that nothing else comes between.
        if before.state not in ENDED:
            self.stop(job_id, who)
        return self.get(again.id)

    def move(self, job_id: str, position: int, who: str) -> JobView:  # noqa: ARG002
        """Give a job that waits another place, 0 for the next."""
        with self._changed:
            view = self._shelf.view(job_id)
            if view.state not in ("queued", "waiting-for-person"):
                _refuse(view, "moved")
            self._changed.notify_all()
            return self._shelf.line_up(view, position)

    def close(self) -> None:
        """End the measurement that runs, and take no other; harmless when done twice.

        What runs stands as interrupted; what waits, waits for the next start.
        """
        with self._changed:
            self._ending = True
            self._changed.notify_all()
            if self._shelf.hand is not None:
                why = "The program was ended while this was measured; it can be gone on with."
                self._halted = self._halted or ("interrupted", why)
                self._shelf.hand.halt(why)
        if self._thread.is_alive():
            self._thread.join(2 * _UNWIND_S)

    def _next(self, view: JobView) -> JobView:
        """Let a job wait as the next."""
        self._changed.notify_all()
        return self._shelf.line_up(replace(view, state="queued", why=None), 0)

    def _confirm(self, view: JobView) -> JobView:
        """Learn that a person has done what a job waits for."""
        # Without the lock: it may take its time, and everything else goes on.
        self._measuring.person_did(view.request)
        with self._changed:
            self._confirmed.add(view.id)
            self._changed.notify_all()
            self._changed.wait_for(
                lambda: self._shelf.state_of(view.id) != "waiting-for-person", _UNWIND_S
            )
            return self._shelf.view(view.id)

    def _halt(self, job_id: str, state: Literal["paused", "stopped"], why: str) -> JobView:
        """Tell the measurement that runs to end, and wait until it has."""
        if self._shelf.hand is not None and self._halted is None:
            self._halted = state, why
            self._shelf.hand.halt(why)
        self._changed.wait_for(lambda: self._shelf.state_of(job_id) != "running", _UNWIND_S)
        return self._shelf.view(job_id)

    def _run(self) -> None:
        """Do one job after the other until the end."""
        while True:
            with self._changed:
                self._shelf.turn = None
                self._changed.wait_for(lambda: self._ending or self._shelf.first is not None)
                job_id = self._shelf.turn = self._shelf.first
            if self._ending or job_id is None:
                return
            try:
                if self._ready(job_id):
                    self._measure(job_id)
            except EvenhushError:
                # The archive failed: what becomes of this job cannot be kept, but others may be.
                logger.exception("The job %s could not be kept", job_id)
                with self._changed:
                    self._shelf.drop(job_id)
                    self._changed.notify_all()

    def _ready(self, job_id: str) -> bool:
        """Wait until a person has done what a job wants; False where it is no longer its turn."""
        wants = self._measuring.wants(self.get(job_id).request)
        with self._changed:
            if wants is None or job_id in self._confirmed:
                return self._shelf.first == job_id

            def over() -> bool:
                others = self._shelf.first != job_id
                return self._ending or others or job_id in self._confirmed

            if not over():
                view = replace(self._shelf.view(job_id), state="waiting-for-person", wants=wants)
                self._shelf.enter(view)
                self._changed.wait_for(over)
            if self._shelf.first == job_id and job_id in self._confirmed:
                return not self._ending
            if self._shelf.state_of(job_id) == "waiting-for-person":
                view = replace(self._shelf.view(job_id), state="queued", wants=None)
                self._shelf.enter(view)
            return False

    def _measure(self, job_id: str) -> None:
        """Do a job."""
        with self._changed:
            if self._shelf.first != job_id or self._ending:
                return
            view = self._shelf.view(job_id)
            self._shelf.leave_line(job_id)
            self._confirmed.discard(job_id)
            view = replace(view, progress=replace(view.progress, words="", share=None))
            hand = JobHand(view, self._progressed)
            self._shelf.hand, self._halted = hand, None
            self._kept_at = self._now()
            running = replace(
                view, state="running", wants=None, why=None, started=view.started or self._now()
            )
            self._shelf.enter(running)
            self._changed.notify_all()
        try:
            state, why = self._outcome(running, hand)
        finally:
            with self._changed:
                view = self._shelf.view(job_id)
                self._shelf.hand = None
        with self._changed:
            if state == "paused":
                self._shelf.enter(replace(view, state="paused", why=why))
            else:
                self._shelf.end(view, state, why)
            self._shelf.turn = None
            self._changed.notify_all()
        if state in ("failed", "stopped", "interrupted"):
            self._note(f"job-{state}", view.who, f"A {view.kind} was {_SAID[state]}. {why or ''}")

    def _outcome(self, view: JobView, hand: JobHand) -> tuple[JobState, str | None]:
        """Measure, whatever comes of it."""
        try:
            outcome = self._measuring.measure(view.request, hand)
        except Halted as halted:
            return self._halted or ("interrupted", str(halted))
        except SafetyStop as stop:
            return "stopped", str(stop)
        except EvenhushError as error:
            return "failed", str(error)
        except Exception as error:
            logger.exception("The %s %s failed", view.kind, view.id)
            return "failed", f"The {view.kind} failed unexpectedly ({error}); the log says where."
        return outcome.state, outcome.why

    def _progressed(self, *, must_be_kept: bool) -> None:
        """Keep how far the measurement is, now and then."""
        now = self._now()
        if not must_be_kept and (now - self._kept_at).total_seconds() < _KEPT_EVERY_S:
            return
        with self._changed:
            if self._shelf.hand is None:
                return
            self._kept_at = now
            record = record_of(self._shelf.view(self._shelf.hand.id))
        try:
            self._archive.save(record)
        except StorageError:
            if must_be_kept:
                raise
            logger.exception("How far a job is could not be kept")


_SAID: Final[dict[str, str]] = {
    "failed": "not done",
    "stopped": "stopped",
    "interrupted": "interrupted",
}
"""How the end of a job is said."""


def _refuse(view: JobView, what: str) -> NoReturn:
    """Say that a job cannot do something in its state."""
    state = {"waiting-for-person": "waiting for a person"}.get(view.state, view.state)
    raise WrongJobState(f"The {view.kind} is {state} and cannot be {what}.")
