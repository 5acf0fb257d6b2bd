"""Checking matched settings again on a bench, and what it comes to as a document."""

from collections.abc import Callable, Sequence
from datetime import datetime

from acoustic.budget import Budget, difference
from calibration.bench_state import BenchDescription
from calibration.chain import chain_budget
from calibration.fan_noise import Estimate
from calibration.recheck_results import RecheckRequest, RecheckResult, repeatability_db
from calibration.rechecking import recheck
from calibration.results import FloorReading, MatchedActuator
from calibration.steps import Heard
from service.documents.budget import budget_from
from service.documents.calibration import CalibrationDocument
from service.documents.matched_settings import (
    CoolerPart,
    FloorPart,
    MatchedSettingsDocument,
    SettingPart,
)
from service.documents.recheck import CoolerHistory, LevelNow, LevelThen, RecheckPart
from service.errors import SettingsError
from service.jobs.driving import drive
from service.jobs.listening import LevelListener
from service.ports import BenchConnection

__all__ = [
    "check_bench",
    "cooler_history",
    "recheck_cooler",
    "recheck_part",
    "recheck_request",
]

_HOLDER = "evenhush recheck"
_K95 = 1.96


def check_bench(part: CoolerPart, bench: BenchDescription) -> None:
    """Refuse a bench on which a cooler was not matched.

    Parameters
    ----------
    part : CoolerPart
        The matched cooler.
    bench : BenchDescription
        The bench it is to be checked on.

    Raises
    ------
    SettingsError
        If it is another one.
    """
    if part.bench != bench.bench:
        raise SettingsError(
            f"{part.cooler} was matched on bench {part.bench}, but this is bench {bench.bench}; "
            "a level holds only where it was heard."
        )


def recheck_request(
    document: MatchedSettingsDocument,
    part: CoolerPart,
    calibration: CalibrationDocument,
    floor: FloorReading | None,
) -> RecheckRequest:
    """Put together what is asked of a recheck.

    Parameters
    ----------
    document : MatchedSettingsDocument
        The matched settings.
    part : CoolerPart
        The cooler among them; one with settings and a level.
    calibration : CalibrationDocument
        Calibration of the microphone now.
    floor : FloorReading or None
        The room floor now, if it was measured.

    Returns
    -------
    RecheckRequest
        What is asked.

    Raises
    ------
    SettingsError
        If it was matched with other microphones than are used now.
    """
    then_with = [each.channel for each in document.chain.channels]
    now_with = list(calibration.by_channel())
    if then_with != (now_with if len(now_with) > 1 else []):
        raise SettingsError(
            f"{part.cooler} was matched with {_microphones(then_with)}, but now "
            f"{_microphones(now_with)} would be used; choose the same with --channel."
        )
    assert part.settings is not None and part.level is not None  # noqa: S101, PT018
    drift_db = document.chain.drift_db
    then = (
        budget_from(document.chain.budget)
        if document.chain.budget
        else chain_budget(document.chain.calibration_U95_db or 0.0, drift_db)
    )
    between = difference(then, chain_budget(calibration.U95_db or 0.0, None))
    return RecheckRequest(
        actuators={
            name: MatchedActuator(setting.duty_percent, setting.rpm)
            for name, setting in part.settings.items()
        },
        level=Estimate(part.level.LAeq_db, part.level.U95_db / _K95),
        floor_then=Estimate(part.floor.LAeq_db, part.floor.U95_db / _K95),
        between_u_db=_standard_u_db(between),
        applies_to=document.target.applies_to,
        floor=floor,
    )


def _microphones(channels: list[int]) -> str:
    """Name the channels of several microphones, or the one that has no number."""
    if len(channels) < 2:
        return "one microphone"
    return f"the average of channels {', '.join(map(str, channels))}"


def _standard_u_db(budget: Budget) -> float:
    """Standard uncertainty that gives the budget's 95 % interval."""
    return budget.U95_db / _K95


def recheck_cooler(
    request: RecheckRequest,
    bench: BenchConnection,
    listener: LevelListener,
    *,
    tell: Callable[[str], None],
    heard: Callable[[Heard], None] = lambda _: None,
) -> RecheckResult:
    """Set a matched cooler again on a bench and hear whether its level holds.

    Parameters
    ----------
    request : RecheckRequest
        What was matched.
    bench : BenchConnection
        The bench; released on every way out.
    listener : LevelListener
        What is heard.
    tell : callable
        Given each remark for the person at the bench.
    heard : callable, optional
        Given everything that is heard, for a live view.

    Returns
    -------
    RecheckResult
        How it ended.

    Raises
    ------
    EvenhushError
        If bench or sound fail, or the settings do not fit the bench.
    """
    loop = recheck(request, bench.describe())
    return drive(loop, _HOLDER, bench, listener, keep=lambda _: None, tell=tell, heard=heard)


def recheck_part(
    file: str,
    document: MatchedSettingsDocument,
    part: CoolerPart,
    result: RecheckResult,
    *,
    time: datetime,
) -> RecheckPart:
    """Put the result of a recheck into the document's form.

    Parameters
    ----------
    file : str
        Where the matched settings stand.
    document : MatchedSettingsDocument
        The matched settings.
    part : CoolerPart
        The cooler among them.
    result : RecheckResult
        How it ended.
    time : datetime
        When it ended.

    Returns
    -------
    RecheckPart
        Its entry.
    """
    assert part.settings is not None and part.level is not None  # noqa: S101, PT018
    now = gap = None
    if result.level is not None and result.as_read is not None and result.difference is not None:
        gap = result.difference
        now = LevelNow(
            LAeq_db=round(result.level.mean_db, 3),
            U95_db=round(_K95 * result.level.sd_db, 3),
            as_read_db=round(result.as_read.mean_db, 3),
        )
    warnings = list(result.warnings)
    if document.chain.void:
        warnings.insert(
            0, f"The microphone drifted too far while {file} was made: its level is void."
        )
    return RecheckPart(
        time=time,
        cooler=part.cooler,
        bench=part.bench,
        file=file,
        outcome=result.outcome,
        why=result.why,
        holds=None if gap is None else result.outcome == "holds",
        then=LevelThen(time=document.time, LAeq_db=part.level.LAeq_db, U95_db=part.level.U95_db),
        now=now,
        difference_db=None if gap is None else round(gap.mean_db, 3),
        difference_U95_db=None if gap is None else round(_K95 * gap.sd_db, 3),
        settings_then=part.settings,
        settings_now=_settings_now(result),
        floor=FloorPart(
            LAeq_db=round(result.floor.mean_db, 3), U95_db=round(_K95 * result.floor.sd_db, 3)
        ),
        listened_s=result.listened_s,
        bench_s=result.bench_s,
        warnings=warnings,
    )


def _settings_now(result: RecheckResult) -> dict[str, SettingPart] | None:
    """Speeds at the end."""
    if not result.actuators:
        return None
    return {
        name: SettingPart(
            duty_percent=actuator.duty_percent,
            rpm=None if actuator.rpm is None else round(actuator.rpm, 1),
        )
        for name, actuator in result.actuators.items()
    }


def cooler_history(cooler: str, bench: str, rechecks: Sequence[RecheckPart]) -> CoolerHistory:
    """Put the rechecks of one cooler together.

    Parameters
    ----------
    cooler, bench : str
        Their names.
    rechecks : sequence of RecheckPart
        Its rechecks, oldest first.

    Returns
    -------
    CoolerHistory
        With their scatter.
    """
    known = [part.difference_db for part in rechecks if part.difference_db is not None]
    scatter_db = repeatability_db(known)
    return CoolerHistory(
        cooler=cooler,
        bench=bench,
        repeatability_db=None if scatter_db is None else round(scatter_db, 3),
        rechecks=list(rechecks),
    )
