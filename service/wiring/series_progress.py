"""What is done of a series of matches: kept as it grows, found again after a break, written."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from acoustic.errors import EvenhushError
from calibration.bench_state import BenchDescription
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.results import MatchRequest, MatchResult
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.matched_settings import CoolerPart, MatchedSettingsDocument
from service.documents.series import FinishedMatch, SeriesNote
from service.documents.trail import TrailHeader
from service.jobs.matching import learned_until_interrupted, replay
from service.jobs.settings_document import settings_document
from service.reports.level_picture import LevelPanel
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem
from service.storage.series_notes import SeriesNotes
from service.storage.trails import TRAIL_ENDING, newest_trail, read_trail
from service.wiring.series import write_series
from service.wiring.series_plan import SeriesPlan

__all__ = ["RESUMED_WITHIN", "DoneMatch", "SeriesProgress", "learned_from_broken_match"]

RESUMED_WITHIN: Final = timedelta(hours=12)
"""A run that broke off longer ago belongs to another day."""
_ANSWERS: Final = ("matched", "quieter-at-full-speed", "louder-at-minimum")
"""Outcomes that are not repeated; the others may be different in a quieter hour."""
_MOUNTED_AGAIN_SD_DB: Final = 0.1
"""How far all levels move together when a cooler is mounted again under the same microphone."""


@dataclass(frozen=True, slots=True, eq=False)
class DoneMatch:
    """One match that came to an end."""

    part: CoolerPart
    """Its entry in the settings."""
    request: MatchRequest
    """What was asked of it in the end, such as with the floor that was heard before."""
    result: MatchResult
    """How it ended."""
    trail: Path
    """Its trail."""


class SeriesProgress:
    """Every match of a series that came to an end, also by an earlier run that broke off.

    Parameters
    ----------
    plan : SeriesPlan
        What is to be done.
    calibration : CalibrationDocument
        Calibration of the microphone.
    notes : SeriesNotes
        Where the series is noted while it is under way.
    data_folder : Path
        The data folder.
    fresh : bool
        Whether an earlier run is to be ignored.
    """

    def __init__(
        self,
        plan: SeriesPlan,
        calibration: CalibrationDocument,
        notes: SeriesNotes,
        *,
        data_folder: Path,
        fresh: bool,
    ) -> None:
        self.plan = plan
        self._calibration = calibration
        self._notes = notes
        self._done: dict[tuple[str, int], DoneMatch] = {}
        self._written: dict[int, MatchedSettingsDocument] = {}
        now = utc_now()
        note = None if fresh else notes.read()
        if note is None or note.time < now - RESUMED_WITHIN:
            out = plan.out or plan.default_out(data_folder, now)
            note = SeriesNote(time=now, out=str(out), finished=[])
        self._note = note.model_copy(update={"finished": []})
        for finished in note.finished:
            self._restore(finished)
        self.restored = tuple(self._done.values())
        """What an earlier run has done of it."""

    def _restore(self, finished: FinishedMatch) -> None:
        """Take over what an earlier run has done, if its trail still says the same."""
        path = Path(finished.trail)
        try:
            header, steps, _ = read_trail(path)
            result = replay(header, steps)
        except EvenhushError:
            return  # without its evidence it is done again
        self._remember(finished, DoneMatch(finished.cooler, header.request, result, path))

    def _remember(self, finished: FinishedMatch, done: DoneMatch) -> None:
        self._done[finished.cooler.cooler, finished.target] = done
        self._note = self._note.model_copy(update={"finished": [*self._note.finished, finished]})

    def add(self, target: int, done: DoneMatch) -> None:
        """Keep a match, and note it if it came to an answer that another try would not better.

        Raises
        ------
        StorageError
            If the note cannot be written.
        """
        if done.part.outcome not in _ANSWERS:
            self._done[done.part.cooler, target] = done
            return
        trail = str(done.trail.absolute())
        self._remember(FinishedMatch(target=target, cooler=done.part, trail=trail), done)
        self._notes.save(self._note)

    def targets_left(self, cooler: str) -> list[int]:
        """Return what is still to be done of a cooler, from loud to quiet."""
        return [target for target in self.plan.in_order() if (cooler, target) not in self._done]

    def learned_of(self, cooler: str) -> Learned:
        """Return what the earlier run's finished matches say of a cooler."""
        known = [done.result.learned for (name, _), done in self._done.items() if name == cooler]
        return _of_another_hour(known[-1]) if known else NOTHING_LEARNED

    def documents(self) -> list[MatchedSettingsDocument]:
        """Return the settings of each target as they were written, in the order asked."""
        targets = range(len(self.plan.requests))
        return [self._written.get(target) or self._document(target) for target in targets]

    def _of_target(self, target: int) -> list[DoneMatch]:
        found = [self._done.get((cooler, target)) for cooler in self.plan.coolers]
        return [done for done in found if done is not None]

    def _document(self, target: int) -> MatchedSettingsDocument:
        return settings_document(
            self.plan.requests[target],
            [done.part for done in self._of_target(target)],
            time=utc_now(),
            calibration=self._calibration,
            drift=None,
        )

    @property
    def paths(self) -> list[Path]:
        """Where the settings of each target go, in the order asked."""
        return self.plan.paths(Path(self._note.out))

    def write(self) -> None:
        """Write what is done, with tables, pictures and trails beside the settings.

        Raises
        ------
        StorageError
            If something cannot be written.
        """
        for target, path in enumerate(self.paths):
            matches = self._of_target(target)
            if not matches:
                continue
            panels = [LevelPanel(done.part.cooler, done.request, done.result) for done in matches]
            self._written[target] = self._document(target)
            write_series(path, self._written[target], panels)
            for done in matches:
                name = path.stem
                if len(self.plan.coolers) > 1:
                    name += f"-{file_stem(done.part.cooler)}"
                text = read_document_text(done.trail, "trail")
                save_text(path.with_name(name + TRAIL_ENDING), text)

    def close(self) -> None:
        """Forget the note: the series is done, and the same command starts it anew."""
        self._notes.remove()


def learned_from_broken_match(
    trails: Path, cooler: str, bench: BenchDescription, calibration: CalibrationDocument
) -> tuple[Learned, datetime] | None:
    """Find what the last match of a cooler had learned when it broke off.

    Parameters
    ----------
    trails : Path
        Where trails stand.
    cooler : str
        What is mounted.
    bench : BenchDescription
        On which bench.
    calibration : CalibrationDocument
        Calibration of the microphone; a match with another one does not count.

    Returns
    -------
    tuple of Learned and datetime, or None
        What it had learned and when it began; None where the last match came to an end, had
        heard nothing yet, is too old, or was made by another version.
    """

    def fits(header: TrailHeader) -> bool:
        return (header.cooler, header.bench, header.pascal_per_unit) == (
            cooler,
            bench,
            calibration.pascal_per_unit,
        )

    path = newest_trail(trails, utc_now() - RESUMED_WITHIN, fits)
    if path is None:
        return None
    try:
        header, steps, result = read_trail(path)
        if result is not None and result.get("outcome") != "stopped":
            return None
        learned = learned_until_interrupted(header, steps)
    except EvenhushError:
        return None
    return (_of_another_hour(learned), header.time) if learned.settings else None


def _of_another_hour(learned: Learned) -> Learned:
    """What is left of it after a break in which the cooler may have been mounted again."""
    return replace(learned, offset_sd_db=max(learned.offset_sd_db, _MOUNTED_AGAIN_SD_DB))
