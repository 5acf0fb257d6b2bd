"""A series of matches: every target of every cooler, the targets of one cooler under one lease."""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol

from acoustic.microphone_response import MicrophoneResponse
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.results import FloorReading, MatchRequest, MatchResult
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.errors import DocumentError
from service.jobs.kept_lease import KeptLease
from service.ports import BenchConnection, SoundSource
from service.storage.names import file_stem
from service.storage.profiles import ProfileHistory
from service.storage.series_notes import SeriesNotes
from service.storage.trails import TRAIL_ENDING, trail_stamp
from service.wiring.keeping import Keeping
from service.wiring.matching import match_and_record
from service.wiring.series_plan import SeriesPlan, target_words
from service.wiring.series_progress import (
    DoneMatch,
    SeriesProgress,
    learned_from_broken_match,
)
from service.wiring.series_watch import SeriesWatch

__all__ = ["FLOOR_HEARD_DB", "Hearing", "Person", "run_series"]

FLOOR_HEARD_DB: Final = 1.0
"""A floor known worse than this was hidden by the fans; the next match listens again."""


@dataclass(frozen=True, slots=True)
class Hearing:
    """An open input with what its sound is taken through."""

    source: SoundSource
    """The input."""
    calibration: CalibrationDocument
    """Its calibration."""
    response: MicrophoneResponse | None = None
    """Response of the microphone, to be taken out of the sound."""
    keeping: Keeping | None = None
    """What keeps the sound, where it is kept."""
    remarks: tuple[str, ...] = ()
    """What every result should say of the input, such as that its calibration is overdue."""

    def beside(self, bench: BenchConnection) -> BenchConnection:
        """Return the bench, its settings noted where the sound is kept."""
        return bench if self.keeping is None else self.keeping.beside(bench)

    def measuring(self, what: str) -> AbstractContextManager[None]:
        """Note what is measured within the ``with`` block where the sound is kept."""
        return nullcontext() if self.keeping is None else self.keeping.measuring(what)

    def warnings(self) -> list[str]:
        """Return what results should say: about the input, and what is missing in kept sound."""
        return [*self.remarks, *([] if self.keeping is None else self.keeping.warnings())]


class Person(Protocol):
    """Who stands at the bench."""

    @property
    def anew(self) -> str:
        """What does everything anew, as this person would ask for it."""
        ...

    def tell(self, text: str) -> None:
        """Take a remark."""
        ...

    def mounts(self, cooler: str) -> bool:
        """Mount another cooler; False if nobody is there to do it."""
        ...


def run_series(
    plan: SeriesPlan,
    bench: BenchConnection,
    hear: Callable[[str], AbstractContextManager[Hearing]],
    person: Person,
    *,
    data_folder: Path,
    fresh: bool = False,
    watch: SeriesWatch | None = None,
) -> SeriesProgress:
    """Match every cooler to every target, as far as it comes.

    The bench is handed back between coolers, and on every way out. What is done of a cooler is
    written when it is done or breaks off; the same call goes on from there.

    Parameters
    ----------
    plan : SeriesPlan
        What is to be done.
    bench : BenchConnection
        The bench.
    hear : callable
        Opens the input for a cooler; always with the same calibration.
    person : Person
        Who stands at the bench.
    data_folder : Path
        The data folder.
    fresh : bool, optional
        Whether what an earlier run did or learned is to be ignored.
    watch : SeriesWatch, optional
        Who watches.

    Returns
    -------
    SeriesProgress
        What is done; some is left where a match was stopped or nobody mounted the next cooler.

    Raises
    ------
    EvenhushError
        If bench, sound or disk fail.
    """
    watch = watch or SeriesWatch()
    series: SeriesProgress | None = None
    for number, cooler in enumerate(plan.coolers):
        if number and series is not None:
            if not series.targets_left(cooler):
                continue
            if not person.mounts(cooler):
                return series
        with hear(cooler) as hearing:
            if series is None:
                series = _open(plan, bench, hearing, data_folder, fresh=fresh)
                for done in series.restored:
                    person.tell(_restored_words(done, person.anew))
                    watch.has_done(done)
            profiles = ProfileHistory(data_folder)
            trails = data_folder / "trails"
            visit = _Visit(series, cooler, bench, hearing, person, trails, profiles, watch)
            learned = NOTHING_LEARNED if fresh else visit.known_before()
            if not visit.match_targets(learned):
                return series
    assert series is not None  # noqa: S101 - a plan has coolers
    series.close()
    return series


def _open(
    plan: SeriesPlan, bench: BenchConnection, hearing: Hearing, data_folder: Path, *, fresh: bool
) -> SeriesProgress:
    """Find what is done of the series already."""
    asked = plan.asked(bench.describe(), hearing.source.name, hearing.calibration)
    notes = SeriesNotes(data_folder, asked)
    return SeriesProgress(plan, hearing.calibration, notes, data_folder=data_folder, fresh=fresh)


def _restored_words(done: DoneMatch, anew: str) -> str:
    return (
        f"{done.part.cooler} at {target_words(done.request)} was done before the run broke off "
        f"({done.part.outcome}) and is not repeated; {anew} does everything anew"
    )


@dataclass(frozen=True, slots=True)
class _Visit:
    """One cooler on the bench."""

    series: SeriesProgress
    cooler: str
    bench: BenchConnection
    hearing: Hearing
    person: Person
    trails: Path
    profiles: ProfileHistory
    watch: SeriesWatch

    def known_before(self) -> Learned:
        """Find what a run that broke off says of the cooler."""
        if not self.series.targets_left(self.cooler):
            return NOTHING_LEARNED
        broken = learned_from_broken_match(
            self.trails, self.cooler, self.bench.describe(), self.hearing.calibration
        )
        if broken is None:
            earlier = self.series.learned_of(self.cooler)
            return earlier if earlier.settings else self._from_profile()
        learned, time = broken
        self.person.tell(
            f"a match of {self.cooler} that began at {time:%H:%M} UTC broke off; what it "
            f"heard at {len(learned.settings)} setting(s) is used, which {self.person.anew} would "
            "not"
        )
        return learned

    def _from_profile(self) -> Learned:
        """Return what the newest sweep of the cooler on this bench says."""
        follows = any(request.pump == "follows" for request in self.series.plan.requests)
        bench = self.bench.describe().bench
        try:
            profile = self.profiles.latest(bench, self.cooler, pump_follows=follows)
            learned = NOTHING_LEARNED if profile is None else profile.to_learned()
        except DocumentError as error:
            self.person.tell(f"starting without a profile: {error}")
            return NOTHING_LEARNED
        if profile is not None:
            self.person.tell(
                f"starting from the profile of {profile.time:%Y-%m-%d %H:%M} UTC, which "
                f"{self.person.anew} would not"
            )
        return learned

    def match_targets(self, learned: Learned) -> bool:
        """Match the cooler to what is left of the targets; tell whether the series may go on."""
        heard_floor: FloorReading | None = None
        try:
            with KeptLease(self.hearing.beside(self.bench)) as kept:
                for target in self.series.targets_left(self.cooler):
                    request = self.series.plan.requests[target]
                    if request.floor is None and request.loudness is None:
                        request = replace(request, floor=heard_floor)
                    result = self._match(kept, target, request, learned)
                    if result.outcome == "stopped":
                        return False
                    learned = result.learned
                    heard_floor = _floor_for_the_next(request, result)
        finally:
            # The bench is given back before: drawing is no reason to keep fans turned down.
            self.series.write()
        return True

    def _match(
        self, bench: BenchConnection, target: int, request: MatchRequest, learned: Learned
    ) -> MatchResult:
        """Match it to one target."""
        words = target_words(request)
        self.watch.aims(request)
        if len(self.series.plan.requests) > 1:
            self.person.tell(f"{self.cooler}: going for {words}")
        stem = f"{trail_stamp(utc_now())}-{file_stem(self.cooler)}-{words}"
        path = self.trails / (stem + TRAIL_ENDING)
        with self.hearing.measuring(f"match of {self.cooler}, {words}"):
            result, part = match_and_record(
                self.cooler,
                request,
                bench,
                self.hearing.source,
                self.hearing.calibration,
                response=self.hearing.response,
                trail_path=path,
                tell=self.person.tell,
                heard=self.watch.hears,
                learned=learned,
                pump_percents=self.series.plan.pump_percents,
            )
        warnings = [*part.warnings, *self.hearing.warnings()]
        part = part.model_copy(update={"warnings": warnings})
        done = DoneMatch(part, request, result, path)
        self.series.add(target, done)
        self.watch.has_done(done)
        return result


def _floor_for_the_next(request: MatchRequest, result: MatchResult) -> FloorReading | None:
    """The floor as a match heard it, for the next one; None where it hardly did."""
    if request.floor is not None or not result.visited or result.floor.sd_db > FLOOR_HEARD_DB:
        return request.floor
    return FloorReading(result.floor.mean_db, 1.96 * result.floor.sd_db)
