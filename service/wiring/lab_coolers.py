"""Matches, sweeps and rechecks of the lab."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from calibration.bench_state import BenchDescription
from calibration.results import FloorReading, MatchRequest
from calibration.steps import Heard
from service.documents.jobs import MatchJob, RecheckJob, SweepJob
from service.documents.recheck import RecheckPart
from service.errors import DocumentError, NotKept
from service.jobs.floor_checking import floor_reading
from service.jobs.measuring import JobHand, JobOutcome
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem
from service.storage.trails import TRAIL_ENDING, trail_stamp
from service.wiring.archiving import keep_match
from service.wiring.lab_bench import turning_in
from service.wiring.lab_hearing import LabParts, Told
from service.wiring.lab_requests import match_requests, pump_percents, sweep_request
from service.wiring.lab_room import hear_floor
from service.wiring.match_series import Hearing, run_series
from service.wiring.rechecking import MatchedCooler, run_rechecks
from service.wiring.series_plan import SeriesPlan, target_words
from service.wiring.series_progress import RESUMED_WITHIN, DoneMatch
from service.wiring.series_watch import SeriesWatch
from service.wiring.sweeping import keep_profile, sweep_and_record, write_profile

__all__ = ["do_match", "do_recheck", "do_sweep"]

_PAGE: Final = 200


def do_match(lab: LabParts, request: MatchJob, hand: JobHand) -> JobOutcome:
    """Match a cooler to one target or several.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    request : MatchJob
        What is asked.
    hand : JobHand
        The job; where it goes on, with what it had learned.

    Returns
    -------
    JobOutcome
        Done where every target was reached.

    Raises
    ------
    EvenhushError
        If it could not be done.
    """
    with lab.at_the_bench() as bench, lab.hearing(hand, "match", request.cooler) as hearing:
        description = bench.describe()
        floor = _floor_for(lab, hearing, hand)
        plan = SeriesPlan(
            (request.cooler,),
            match_requests(
                request,
                target_db=lab.settings.target_db,
                tolerance_db=lab.settings.tolerance_db,
                floor=floor,
            ),
            _out(lab, hand, request.cooler, "matches"),
            pump_percents(request, description),
        )
        watch = _Watch(lab, hand, hearing, description, len(plan.requests))

        @contextmanager
        def hear(_cooler: str) -> Iterator[Hearing]:
            """Give the sound that is heard already."""
            yield hearing

        run_series(
            plan,
            bench,
            hear,
            watch.person,
            data_folder=lab.data_folder,
            fresh=request.fresh and not hand.goes_on,
            watch=watch,
        )
    hand.aim(None)
    return watch.outcome()


class _Watch(SeriesWatch):
    """Shows a series as it runs, and keeps each match as soon as it is done."""

    def __init__(
        self,
        lab: LabParts,
        hand: JobHand,
        hearing: Hearing,
        description: BenchDescription,
        targets: int,
    ) -> None:
        self._lab = lab
        self._hand = hand
        self._hearing = hearing
        self._targets = targets
        self._ended: list[tuple[str, str, str]] = []
        self.person = Told(hand, {name: each.role for name, each in description.actuators.items()})

    def aims(self, request: MatchRequest) -> None:
        """Show what is gone for."""
        self._hand.aim(request.target_db)

    def hears(self, heard: Heard) -> None:
        """Show what is heard."""
        self.person.hears(heard)

    def has_done(self, done: DoneMatch) -> None:
        """Keep a match, unless an earlier run of the same job has."""
        key = keep_match(
            self._lab.archive, done, self._hearing, time=self._lab.now(), job=self._hand.id
        )
        self._hand.has_put("match", key)
        self._ended.append((target_words(done.request), done.part.outcome, done.part.why))
        if self._targets > 1:
            self._hand.share(len(self._ended) / self._targets)

    def outcome(self) -> JobOutcome:
        """Return how all of it ended."""
        stopped = [why for _, outcome, why in self._ended if outcome == "stopped"]
        if stopped:
            return JobOutcome("stopped", stopped[0])
        missed = [
            f"{words}: {outcome}. {why}"
            for words, outcome, why in self._ended
            if outcome != "matched"
        ]
        return JobOutcome("refused", " ".join(missed)) if missed else JobOutcome("done")


def _floor_for(lab: LabParts, hearing: Hearing, hand: JobHand) -> FloorReading | None:
    """Return the floor that a match counts with; None where it listens for it by itself."""
    if hand.progress.floor_check is not None:
        # What goes on counts with the floor it began with, or it would not be the same.
        try:
            before = lab.floors.get(hand.progress.floor_check).document
        except NotKept:
            before = None
        if before is not None and lab.now() - before.time < RESUMED_WITHIN:
            return floor_reading(before)
    found = lab.floors.fit_to_use()
    if found is None and _room_can_be_heard(lab):
        hear_floor(
            lab,
            hearing,
            hand,
            seconds=lab.settings.serve.floor_check_s,
            lower=lab.settings.serve.floor_check_lowers_fans,
        )
        found = lab.floors.fit_to_use()
    if found is None:
        hand.tell("no floor check is fit to use, so the match listens for the floor itself")
        return None
    hand.counts_with_floor(found.record.id)
    hand.tell(
        f"counting with the room floor of {found.document.time:%H:%M} UTC, "
        f"{found.document.LAeq_db:.1f} dB(A)"
    )
    return floor_reading(found.document)


def _room_can_be_heard(lab: LabParts) -> bool:
    """Tell whether a floor check can be made now, and is wanted."""
    serve = lab.settings.serve
    if serve.floor_check_every_min == 0.0:
        return False
    if serve.floor_check_lowers_fans:
        return True
    with lab.at_the_bench() as bench:
        return not turning_in([bench.state()])


def _out(lab: LabParts, hand: JobHand, cooler: str, folder: str) -> Path:
    """Return where the document of a job goes: the same whenever it goes on."""
    stem = f"{hand.created:%Y%m%dT%H%M%SZ}-{file_stem(cooler)}-{hand.id[:6]}"
    return lab.data_folder / folder / f"{stem}.json"


def do_sweep(lab: LabParts, request: SweepJob, hand: JobHand) -> JobOutcome:
    """Learn a cooler's level over all its speeds.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    request : SweepJob
        What is asked.
    hand : JobHand
        The job.

    Returns
    -------
    JobOutcome
        Done where the profile is whole.

    Raises
    ------
    EvenhushError
        If it could not be done.
    """
    stem = f"{trail_stamp(lab.now())}-{file_stem(request.cooler)}"
    trail = lab.data_folder / "trails" / f"{stem}-sweep{TRAIL_ENDING}"
    with lab.at_the_bench() as bench, lab.hearing(hand, "sweep", request.cooler) as hearing:
        description = bench.describe()
        person = Told(hand, {name: each.role for name, each in description.actuators.items()})
        floor = _floor_for(lab, hearing, hand)
        with hearing.measuring(f"sweep of {request.cooler}"):
            result, document = sweep_and_record(
                request.cooler,
                sweep_request(request, floor),
                hearing.beside(bench),
                hearing.source,
                hearing.calibration,
                response=hearing.response,
                trail_path=trail,
                tell=person.tell,
                heard=person.hears,
            )
        warnings = [*document.warnings, *hearing.warnings()]
        document = document.model_copy(update={"warnings": warnings})
    if keep_profile(lab.data_folder, document) is not None:
        out = _out(lab, hand, request.cooler, "sweeps")
        write_profile(out, document, result)
        save_text(out.with_suffix(TRAIL_ENDING), read_document_text(trail, "trail"))
    hand.has_put("profile", lab.archive.profiles.add(document, trail=trail, job=hand.id))
    if document.outcome == "complete":
        return JobOutcome("done")
    return JobOutcome("stopped" if document.outcome == "stopped" else "refused", document.why)


def do_recheck(lab: LabParts, request: RecheckJob, hand: JobHand) -> JobOutcome:
    """Set matched settings of a cooler again and hear whether they hold.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    request : RecheckJob
        What is asked.
    hand : JobHand
        The job.

    Returns
    -------
    JobOutcome
        Done where every level holds.

    Raises
    ------
    DocumentError
        If there is nothing to check.
    EvenhushError
        If it could not be done.
    """
    matched = _matched(lab, request)
    parts: list[RecheckPart] = []

    def checked(part: RecheckPart) -> None:
        """Keep a recheck as soon as it is done."""
        hand.has_put("recheck", lab.archive.rechecks.add(part, job=hand.id))
        parts.append(part)
        hand.share(len(parts) / len(matched))

    with lab.at_the_bench() as bench, lab.hearing(hand, "recheck", request.cooler) as hearing:
        description = bench.describe()
        person = Told(hand, {name: each.role for name, each in description.actuators.items()})

        @contextmanager
        def hear(_cooler: str) -> Iterator[Hearing]:
            """Give the sound that is heard already."""
            yield hearing

        run_rechecks(
            matched,
            bench,
            hear,
            person,
            floor=_floor_for(lab, hearing, hand),
            data_folder=lab.data_folder,
            heard=person.hears,
            checked=checked,
        )
    stopped = [part.why for part in parts if part.outcome == "stopped"]
    if stopped:
        return JobOutcome("stopped", stopped[0])
    missed = [part.why for part in parts if not part.holds]
    return JobOutcome("refused", " ".join(missed)) if missed else JobOutcome("done")


def _matched(lab: LabParts, request: RecheckJob) -> list[MatchedCooler]:
    """Find the matches to check, the loudest first."""
    if request.matches:
        found = lab.archive.matches.get_all(request.matches)
    else:
        newest = lab.archive.matches.list(cooler=request.cooler, outcome="matched", limit=1)
        found = lab.archive.matches.get_all([record.id for record in newest.items])
    matched = [
        MatchedCooler(f"match {kept.record.id}", kept.document, kept.document.coolers[0])
        for kept in found
    ]
    for each in matched:
        if each.part.cooler != request.cooler or not each.part.settings or each.part.level is None:
            raise DocumentError(
                f"The {each.file} is none of {request.cooler} that gives settings with a level; "
                "choose another."
            )
    if not matched:
        raise DocumentError(
            f"{request.cooler} was never matched here, so there is nothing to check again."
        )
    return sorted(matched, key=_loudness)


def _loudness(matched: MatchedCooler) -> float:
    """How loud it is, the loudest first."""
    return 0.0 if matched.part.level is None else -matched.part.level.LAeq_db
