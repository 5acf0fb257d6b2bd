"""Rechecks of several coolers in a row, each under one lease, with the history they go into."""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from calibration.results import FloorReading
from calibration.steps import Heard
from service.clock import utc_now
from service.documents.matched_settings import CoolerPart, MatchedSettingsDocument
from service.documents.recheck import CoolerHistory, RecheckPart
from service.errors import DocumentError
from service.jobs.kept_lease import KeptLease
from service.jobs.listening import CalibratedSound, LevelListener
from service.jobs.rechecking import (
    check_bench,
    cooler_history,
    recheck_cooler,
    recheck_part,
    recheck_request,
)
from service.ports import BenchConnection
from service.storage.document_files import read_document_text
from service.storage.rechecks import RecheckHistory
from service.wiring.match_series import FLOOR_HEARD_DB, Hearing, Person

__all__ = ["MatchedCooler", "histories_of", "read_matched", "run_rechecks"]


@dataclass(frozen=True, slots=True)
class MatchedCooler:
    """One cooler in a file of matched settings."""

    file: str
    """The file."""
    document: MatchedSettingsDocument
    """What stands in it."""
    part: CoolerPart
    """The cooler."""


def read_matched(paths: Sequence[Path]) -> list[MatchedCooler]:
    """Read the coolers that files of matched settings give settings for.

    Parameters
    ----------
    paths : sequence of Path
        The files.

    Returns
    -------
    list of MatchedCooler
        In the order in which the coolers first appear, the loudest setting of each first.

    Raises
    ------
    DocumentError
        If a file cannot be used, or none of them gives a setting with a level.
    """
    found = []
    for path in paths:
        text = read_document_text(path, "file of matched settings")
        document = MatchedSettingsDocument.from_json(text, str(path))
        found += [
            MatchedCooler(str(path), document, part)
            for part in document.coolers
            if part.settings and part.level is not None
        ]
    if not found:
        raise DocumentError(
            f"{', '.join(map(str, paths))} gives no settings with a level, so there is nothing to "
            "check again."
        )
    names = list(dict.fromkeys(matched.part.cooler for matched in found))

    def place(matched: MatchedCooler) -> tuple[int, float]:
        level_db = 0.0 if matched.part.level is None else matched.part.level.LAeq_db
        return names.index(matched.part.cooler), -level_db

    return sorted(found, key=place)


def run_rechecks(
    settings: Sequence[MatchedCooler],
    bench: BenchConnection,
    hear: Callable[[str], AbstractContextManager[Hearing]],
    person: Person,
    *,
    floor: FloorReading | None,
    data_folder: Path,
    heard: Callable[[Heard], None] = lambda _: None,
    checked: Callable[[RecheckPart], None] = lambda _: None,
) -> list[RecheckPart]:
    """Check matched settings again, as far as it comes.

    Each recheck goes into the history as soon as it is done. The bench is handed back between
    coolers, and on every way out.

    Parameters
    ----------
    settings : sequence of MatchedCooler
        What is to be checked, cooler by cooler.
    bench : BenchConnection
        The bench.
    hear : callable
        Opens the input for a cooler.
    person : Person
        Who stands at the bench.
    floor : FloorReading or None
        The room floor, if it was measured; otherwise it is listened for, once a cooler.
    data_folder : Path
        The data folder.
    heard : callable, optional
        Given everything that is heard, for a live view.
    checked : callable, optional
        Given each recheck as soon as it is done.

    Returns
    -------
    list of RecheckPart
        What was checked; some is left where the bench stopped or nobody mounted the next cooler.

    Raises
    ------
    EvenhushError
        If bench, sound or disk fail, or a cooler was matched on another bench.
    """
    description = bench.describe()
    for matched in settings:
        check_bench(matched.part, description)
    done: list[RecheckPart] = []
    names = list(dict.fromkeys(matched.part.cooler for matched in settings))
    for number, name in enumerate(names):
        if number and not person.mounts(name):
            break
        mounted = [matched for matched in settings if matched.part.cooler == name]
        with hear(name) as hearing, KeptLease(hearing.beside(bench)) as kept:
            floor_here = floor
            for matched in mounted:
                part = _check(matched, kept, hearing, person, floor_here, heard=heard)
                RecheckHistory(data_folder).add(part)
                checked(part)
                done.append(part)
                if part.outcome == "stopped":
                    return done
                if part.floor.U95_db <= 1.96 * FLOOR_HEARD_DB and floor is None:
                    floor_here = FloorReading(part.floor.LAeq_db, part.floor.U95_db)
    return done


def _check(
    matched: MatchedCooler,
    bench: BenchConnection,
    hearing: Hearing,
    person: Person,
    floor: FloorReading | None,
    *,
    heard: Callable[[Heard], None],
) -> RecheckPart:
    """Check one setting again."""
    request = recheck_request(matched.document, matched.part, hearing.calibration, floor)
    listener = LevelListener(CalibratedSound(hearing.source, hearing.calibration, hearing.response))
    then_db = request.level.mean_db
    with hearing.measuring(f"recheck of {matched.part.cooler} at {then_db:.1f} dB(A)"):
        result = recheck_cooler(request, bench, listener, tell=person.tell, heard=heard)
    part = recheck_part(matched.file, matched.document, matched.part, result, time=utc_now())
    return part.model_copy(update={"warnings": [*part.warnings, *hearing.warnings()]})


def histories_of(settings: Sequence[MatchedCooler], data_folder: Path) -> list[CoolerHistory]:
    """Return every earlier recheck of some coolers.

    Parameters
    ----------
    settings : sequence of MatchedCooler
        The coolers, each with the bench it was matched on.
    data_folder : Path
        The data folder.

    Returns
    -------
    list of CoolerHistory
        One entry a cooler and bench.

    Raises
    ------
    DocumentError
        If a history is damaged.
    """
    history = RecheckHistory(data_folder)
    pairs = dict.fromkeys((matched.part.cooler, matched.part.bench) for matched in settings)
    return [cooler_history(*pair, history.of(*pair)) for pair in pairs]
