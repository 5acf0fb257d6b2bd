"""What the lab does by itself: looking at the bench, checking the floor, saying what is wrong."""

import logging
from collections.abc import Callable
from concurrent.futures import Future
from datetime import datetime, timedelta
from typing import Final

from acoustic.errors import EvenhushError
from service.documents.jobs import FloorJob
from service.jobs.queue import JobQueue
from service.live.feed import LiveFeed
from service.live.frames import LiveJob
from service.live.worker import RISING, Surroundings
from service.wiring.lab_floors import FloorBook
from service.wiring.lab_hearing import LabParts
from service.wiring.lab_problems import Problems
from service.wiring.lab_room import SCHEDULE
from service.wiring.lab_status import Problem, ProblemKind

__all__ = ["LabKeeper"]

_ARCHIVE_EVERY: Final = 10
"""The archive is looked at every so many seconds for what other programs have added."""
_SILENT_S: Final = 2.0
"""A device that delivers nothing for so long is lost, though it may come back by itself."""
_TRY_AGAIN: Final = timedelta(minutes=5)
"""A floor check that came to nothing, in a noisy hour, is not tried again at once."""
_ITSELF: Final = "evenhush"

logger = logging.getLogger(__name__)


class LabKeeper:
    """Looks after a lab; `look_after` from one thread, everything else from any.

    Parameters
    ----------
    lab : LabParts
        The lab.
    queue : JobQueue
        Its measurements.
    live : LiveFeed
        Its live frames.
    note : callable
        Keeps an event: kind, who, what.
    recalibrate : callable
        Looks for a newer calibration.
    """

    def __init__(
        self,
        lab: LabParts,
        queue: JobQueue,
        live: LiveFeed,
        note: Callable[[str, str, str], None],
        recalibrate: Callable[[], None],
    ) -> None:
        self._lab = lab
        self._queue = queue
        self._live = live
        self._recalibrate = recalibrate
        self._looks = 0
        self._disk: str | None = None
        self._problems = Problems(lab.now, lambda kind, text: note(kind, _ITSELF, text))
        self._floor_waits: str | None = None
        self._tried: datetime | None = None

    @property
    def floors(self) -> FloorBook:
        """The checks of the room floor."""
        return self._lab.floors

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong now, the gravest first."""
        return self._problems.now

    def surroundings(self) -> Surroundings:
        """Return what a live frame shows besides the sound."""
        job = self._queue.current
        return Surroundings(
            floor_db=self._lab.floors.level_db,
            target_db=self._lab.settings.target_db
            if job is None or job.progress.target_db is None
            else job.progress.target_db,
            bench=None if self._lab.bench is None else self._lab.bench.view,
            job=None
            if job is None
            else LiveJob(
                id=job.id,
                kind=job.kind,
                state=job.state,
                cooler=job.cooler,
                words=job.wants or job.progress.words,
                share=job.progress.share,
            ),
        )

    def disk_done(self, written: "Future[None]") -> None:
        """Learn whether a minute of levels was written."""
        error = written.exception()
        self._disk = None if error is None else str(error)

    def look_after(self) -> None:
        """Look at everything once."""
        if self._lab.bench is not None:
            self._lab.bench.look()
        if self._looks % _ARCHIVE_EVERY == 0:
            self._look_at_archive()
        self._looks += 1
        self._check_floor_if_due()
        self._problems.are(self._found())

    def _look_at_archive(self) -> None:
        """See what other programs have added."""
        try:
            self._recalibrate()
            self._lab.floors.look_up(self._lab.hub.state.name or self._lab.equipment.input_name)
        except EvenhushError:
            logger.exception("The archive could not be looked at")

    def _check_floor_if_due(self) -> None:
        """Ask for a floor check when one is due and can be honest; never during a measurement."""
        self._floor_waits = None
        due = self._lab.floors.next_due
        if due is None or self._lab.now() < due or self._lab.bench is None:
            return
        if self._lab.calibrations.in_force is None or not self._lab.hub.state.connected:
            return
        if any(view.state != "paused" for view in self._queue.active()):
            return
        bench, serve = self._lab.bench.view, self._lab.settings.serve
        lower = serve.floor_check_lowers_fans
        if bench.control != "own":
            self._floor_waits = "the bench is not free"
            return
        turning = [name for name, each in bench.actuators.items() if each.rpm != 0.0]
        if turning and not lower:
            self._floor_waits = f"{', '.join(turning)} turns"
            return
        if self._tried is not None and self._lab.now() - self._tried < _TRY_AGAIN:
            return
        self._tried = self._lab.now()
        request = FloorJob(seconds=serve.floor_check_s, lower_fans=lower and bool(turning))
        self._queue.add(request, SCHEDULE)

    def _found(self) -> dict[ProblemKind, str]:
        """Return everything that is wrong now."""
        found: dict[ProblemKind, str] = {}
        hub, bench = self._lab.hub.state, self._lab.bench
        if not hub.connected:
            found["input-lost"] = f"No sound comes from the input. {hub.why}"
        elif self._lab.hub.silent_s > _SILENT_S:
            found["input-lost"] = (
                f"No sound has come from the input for {self._lab.hub.silent_s:.0f} s; check its "
                "cable."
            )
        elif (frame := self._live.newest) is not None and set(frame.faults) - {RISING}:
            found["input-fault"] = f"The sound is not fit to use: {', '.join(frame.faults)}."
        if bench is not None and bench.view.control == "safe":
            why = bench.view.why or "no reason given"
            found["bench-safe"] = f"The bench took over to protect the hardware: {why}."
        if bench is not None and bench.view.control == "unreachable":
            found["bench-unreachable"] = bench.view.why or "The bench does not answer."
        if self._disk is not None:
            found["disk"] = f"The levels of the last minute were not kept. {self._disk}"
        return found | self._found_of_calibration() | self._found_of_floor()

    def _found_of_calibration(self) -> dict[ProblemKind, str]:
        """Return what is wrong with the calibration."""
        status = self._lab.calibrations.status()
        if status.time is None:
            if not self._lab.hub.state.connected:
                return {}
            why = self._lab.calibrations.why_none
            return {"not-calibrated": why or "The input was never calibrated; calibrate it."}
        found: dict[ProblemKind, str] = {}
        if status.void:
            found["drift"] = (
                f"The microphone drifted by {status.drift_db:+.2f} dB before the last calibration: "
                "the levels measured since the one before are void."
            )
        if status.due:
            found["calibration-due"] = (
                f"The microphone was calibrated at {status.time:%Y-%m-%d %H:%M} UTC; calibrate it "
                "before the next series."
            )
        return found

    def _found_of_floor(self) -> dict[ProblemKind, str]:
        """Return what is wrong with the room, and what keeps its floor from being checked."""
        found: dict[ProblemKind, str] = {}
        status, target_db = self._lab.floors.status(), self._lab.settings.target_db
        alone = self._lab.floors.alone
        if alone is not None and alone.fit_for_target_db > target_db:
            found["room-too-loud"] = (
                f"The room is too loud for {target_db:g} dB(A): its floor was {alone.LAeq_db:.1f} "
                f"dB(A) at {alone.time:%H:%M} UTC, fit for targets from "
                f"{alone.fit_for_target_db:.1f} dB(A) on; look for what can be switched off."
            )
        if self._floor_waits is not None:
            since = "never" if status is None else f"last at {status.time:%H:%M} UTC"
            found["floor-due"] = (
                f"The room floor was heard {since}, and none is heard by itself as "
                f"{self._floor_waits}; matches listen for it themselves."
            )
        return found
