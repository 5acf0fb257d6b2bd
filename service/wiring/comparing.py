"""Thermal runs from their files to the comparison, and the files that it is written to."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from acoustic.errors import InputError
from calibration.temperature_rise import ThermalRun, evaluate_run
from service.documents.comparison import ComparisonDocument, RunLevelPart
from service.documents.held_run import HeldRunDocument
from service.errors import DocumentError, SettingsError
from service.jobs.comparison_document import comparison_document
from service.jobs.evaluated_runs import EvaluatedRun
from service.reports.rise_picture import draw_rises
from service.storage.column_memory import ColumnMemory
from service.storage.comparison_tables import comparison_table
from service.storage.document_files import save_bytes
from service.storage.held_logs import held_beside
from service.wiring.analysis import picture_form
from service.wiring.run_log_files import read_logs
from service.wiring.run_settings import FULL_SPEED, KnownSetting, read_settings_files, setting_of

__all__ = ["ComparisonRequest", "RunRequest", "compare_runs", "run_request", "write_comparison"]

_MATCHED_U95_DB: Final = 0.3
"""How near to its target a cooler is taken to be that was matched to it, at 95 %."""
_MATCHED_U95_ABSOLUTE_DB: Final = 1.0
"""The same against the true sound pressure level."""


@dataclass(frozen=True, slots=True)
class RunRequest:
    """One run as it is named on the command line."""

    cooler: str
    """What was mounted; empty where nobody said."""
    wanted: float | str | None
    """Target in dB, "full speed", or None where nobody said."""
    load: str
    """Name of the load; empty where nobody said."""
    logs: tuple[Path, ...]
    """Its logs; the first one with the processor's temperature sets the clock."""


@dataclass(frozen=True, slots=True)
class ComparisonRequest:
    """What is to be compared, and how."""

    runs: Sequence[RunRequest]
    """The runs."""
    settings: Sequence[Path] = ()
    """Matched settings and profiles."""
    columns: Mapping[str, str] | None = None
    """Which columns a person says are what."""
    ambient_c: float | None = None
    """Temperature of the air where it was not logged."""
    same_power: bool = False
    """Whether rises are brought to one power."""
    power_w: float | None = None
    """That power; None for the median."""
    mounting_k: float = 0.0
    """What mounting again changes, half-width at 95 %."""
    prices: Mapping[str, float] | None = None
    """Price by cooler."""
    memory: ColumnMemory | None = None
    """What was said of columns before; None to remember nothing."""


def run_request(text: str) -> RunRequest:
    """Read how a run is named: ``COOLER@TARGET@LOAD=LOG``, all but the log may be missing.

    Parameters
    ----------
    text : str
        As typed; what follows an ``@`` is a number for a target in dB, "full" for full speed, or
        the name of a load.

    Returns
    -------
    RunRequest
        The run.

    Raises
    ------
    SettingsError
        If it names no log, or something twice.
    """
    name, found, path = text.rpartition("=")
    if Path(text).exists() or not found:
        name, path = "", text
    if not path:
        raise SettingsError(f"{text!r} names no log; write COOLER=LOG.")
    cooler, *rest = (part.strip() for part in name.split("@"))
    wanted: float | str | None = None
    load = ""
    for part in rest:
        number = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(?:dB(?:\(A\))?)?", part)
        if number or part.casefold() in ("full", FULL_SPEED):
            if wanted is not None:
                raise SettingsError(f"{text!r} has two settings; a run has one.")
            wanted = float(number[1]) if number else FULL_SPEED
        elif load or not part:
            raise SettingsError(
                f"{text!r} cannot be read; write COOLER@TARGET@LOAD=LOG, such as "
                "'Fjord 140@40@all cores=fjord-40.csv'."
            )
        else:
            load = part
    return RunRequest(cooler, wanted, load, _paths(path))


def _paths(text: str) -> tuple[Path, ...]:
    """Cut the logs of one run apart; a name may hold the sign itself."""
    if Path(text).exists():
        return (Path(text),)
    return tuple(Path(part.strip()) for part in text.split("+") if part.strip())


def compare_runs(
    request: ComparisonRequest, *, progress: Callable[[float], None] = lambda _: None
) -> ComparisonDocument:
    """Read runs, evaluate them and compare them.

    Parameters
    ----------
    request : ComparisonRequest
        What is to be compared.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    ComparisonDocument
        The comparison.

    Raises
    ------
    EvenhushError
        If a file cannot be used.
    """
    known = read_settings_files(request.settings)
    evaluated = []
    for number, run in enumerate(request.runs):
        evaluated.append(_evaluated(run, request, known))
        progress((number + 1) / len(request.runs))
    return comparison_document(
        evaluated,
        same_power=request.same_power or request.power_w is not None,
        power_w=request.power_w,
        mounting_k=request.mounting_k,
    )


def _evaluated(
    run: RunRequest, request: ComparisonRequest, known: Sequence[KnownSetting]
) -> EvaluatedRun:
    """Read and evaluate one run."""
    held = next(filter(None, map(held_beside, run.logs)), None)
    run = replace(
        run,
        cooler=run.cooler or (held.cooler if held else run.logs[0].stem),
        wanted=run.wanted or _held_at(held),
    )
    read = read_logs(run.logs, request.columns or {}, request.ambient_c, request.memory)
    where = " + ".join(map(str, run.logs))
    try:
        result = evaluate_run(read.log)
    except InputError as error:
        raise DocumentError(f"{where} cannot be evaluated: {error}.") from error
    setting = setting_of(run.cooler, run.wanted, _speeds(result), known, where)
    # Matched settings seldom have full speed, where the level is only for the picture.
    if setting is None and known and isinstance(run.wanted, float):
        raise DocumentError(
            f"The settings given have none of {run.cooler!r} at {_words(run.wanted)}; check the "
            "name, or give another file with --settings."
        )
    target_db = run.wanted if isinstance(run.wanted, float) else None
    level = _level_of(setting, result, target_db)
    if held is not None and held.cooler_level is not None and setting is None:
        level = held.cooler_level
    remarks = list(read.remarks)
    if level is not None and level.source == "target":
        remarks.append(
            f"its level is taken to be the target within {_MATCHED_U95_DB:g} dB; give the matched "
            "settings with --settings"
        )
    return EvaluatedRun(
        cooler=run.cooler,
        load=run.load,
        at=setting.at if setting else _words(run.wanted),
        target_db=setting.target_db if setting else target_db,
        logs=tuple(map(str, run.logs)),
        columns=read.columns,
        result=result,
        level=level,
        matched_rpm=setting.rpm if setting else {},
        flags=_held_flags(held),
        price=(request.prices or {}).get(run.cooler),
        remarks=tuple(remarks),
    )


def _held_at(held: HeldRunDocument | None) -> float | str | None:
    """Where a run was held."""
    if held is None:
        return None
    return FULL_SPEED if held.target_db is None else held.target_db


def _held_flags(held: HeldRunDocument | None) -> tuple[str, ...]:
    """Say that a run was not held."""
    if held is None or held.outcome == "held":
        return ()
    return (f"by its record it was {held.outcome.replace('-', ' ')}: {held.why.rstrip('.')}",)


def _words(wanted: float | str | None) -> str:
    """Where a run was set, in words."""
    if wanted is None:
        return "as run"
    return wanted if isinstance(wanted, str) else f"{wanted:g} dB(A)"


def _level_of(
    setting: KnownSetting | None, result: ThermalRun, target_db: float | None
) -> RunLevelPart | None:
    """Level of a run: as matched, else as logged, else as it was said to be matched to."""
    if setting is not None:
        return setting.level
    if result.level is None:
        if target_db is None:
            return None
        return RunLevelPart(
            LAeq_db=target_db,
            U95_db=_MATCHED_U95_DB,
            U95_absolute_db=_MATCHED_U95_ABSOLUTE_DB,
            source="target",
        )
    U95_db = result.level.U95
    return RunLevelPart(
        LAeq_db=result.level.mean, U95_db=U95_db, U95_absolute_db=U95_db, source="log"
    )


def _speeds(result: ThermalRun) -> dict[str, float]:
    """Mean speed of the fans and of the pump."""
    speeds = {}
    for role in ("fan", "pump"):
        rpm = [each.mean_rpm for name, each in result.speeds.items() if name.startswith(role)]
        if rpm:
            speeds[role] = float(np.mean(rpm))
    return speeds


def write_comparison(
    document: ComparisonDocument,
    *,
    out: Path | None = None,
    csv: Path | None = None,
    pictures: Sequence[Path] = (),
) -> list[Path]:
    """Make everything that is wanted, and then write it.

    Parameters
    ----------
    document : ComparisonDocument
        The comparison.
    out : Path, optional
        Where the document goes.
    csv : Path, optional
        Where the table goes.
    pictures : sequence of Path, optional
        Where the picture goes, as PNG or SVG by the ending.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    EvenhushError
        If a picture's ending is none, or a file cannot be written.
    """
    made: dict[Path, bytes] = {}
    if out is not None:
        made[out] = document.to_json().encode()
    if csv is not None:
        made[csv] = comparison_table(document).encode()
    for path in pictures:
        made[path] = draw_rises(document, picture_form(path))
    for path, data in made.items():
        save_bytes(path, data)
    return list(made)
