"""From what is asked of the lab to what is asked of a measurement."""

from typing import Literal

from calibration.bench_state import BenchDescription
from calibration.goal import LoudnessTarget
from calibration.pump_curve import curve_duties
from calibration.results import FloorReading, MatchRequest
from calibration.sweep_results import SweepRequest
from service.documents.jobs import JobRequest, MatchJob, SweepJob
from service.errors import SettingsError

__all__ = ["check_request", "match_requests", "pump_percents", "sweep_request"]


def check_request(request: JobRequest) -> None:
    """Refuse what excludes each other.

    Parameters
    ----------
    request : JobRequest
        What is asked.

    Raises
    ------
    SettingsError
        If it cannot be meant so.
    """
    if isinstance(request, MatchJob):
        _check_match(request)
    if not isinstance(request, SweepJob | MatchJob):
        return
    if request.pump_follows and request.pump_duty_percent is not None:
        raise SettingsError("A pump is either held or led along with the fans, not both.")


def _check_match(request: MatchJob) -> None:
    """Refuse a match that cannot be meant so."""
    if request.targets_db and request.targets_sone:
        raise SettingsError("Targets are either levels or loudnesses, not both.")
    targets = request.targets_db or request.targets_sone
    if len(set(targets)) < len(targets):
        raise SettingsError("A target is asked twice; give each once.")
    if request.curve_points is not None and request.curve_pump_percents:
        raise SettingsError("Give either a number of pairs or their pump duties, not both.")
    curve = request.curve_points is not None or request.curve_pump_percents
    if curve and (request.pump_follows or request.pump_duty_percent is not None):
        raise SettingsError("A curve sets the pump itself; leave the other ways of it out.")


def match_requests(
    request: MatchJob,
    *,
    target_db: float,
    tolerance_db: float,
    floor: FloorReading | None,
) -> tuple[MatchRequest, ...]:
    """Put together what is asked of each match.

    Parameters
    ----------
    request : MatchJob
        What is asked.
    target_db, tolerance_db : float
        What holds where nothing is asked.
    floor : FloorReading or None
        The room floor, if it was measured.

    Returns
    -------
    tuple of MatchRequest
        One for each target.
    """
    targets: list[tuple[float | None, LoudnessTarget | None]] = [
        (None, LoudnessTarget(sone, request.sound_field)) for sone in request.targets_sone
    ]
    if not targets:
        targets = [(each_db, None) for each_db in request.targets_db or [target_db]]
    held = request.pump_duty_percent is not None
    fixed: Literal["fixed", "automatic"] = "fixed" if held else "automatic"
    return tuple(
        MatchRequest(
            target_db=level_db,
            tolerance_db=tolerance_db if request.tolerance_db is None else request.tolerance_db,
            applies_to=request.applies_to,
            floor=floor,
            pump="follows" if request.pump_follows else fixed,
            pump_duty_percent=request.pump_duty_percent,
            loudness=loudness,
            detune_percent=request.detune_percent,
        )
        for level_db, loudness in targets
    )


def pump_percents(request: MatchJob, bench: BenchDescription) -> tuple[float, ...]:
    """Return the pump duties of a curve; empty where one setting is asked for.

    Parameters
    ----------
    request : MatchJob
        What is asked.
    bench : BenchDescription
        The bench.

    Returns
    -------
    tuple of float
        Duties.
    """
    if request.curve_points is not None:
        return curve_duties(bench, request.curve_points)
    return tuple(request.curve_pump_percents)


def sweep_request(request: SweepJob, floor: FloorReading | None) -> SweepRequest:
    """Put together what is asked of a sweep.

    Parameters
    ----------
    request : SweepJob
        What is asked.
    floor : FloorReading or None
        The room floor, if it was measured.

    Returns
    -------
    SweepRequest
        The same.
    """
    if request.pump_follows:
        return SweepRequest(floor=floor, pump="follows")
    if request.pump_duty_percent is not None:
        return SweepRequest(floor, "fixed", request.pump_duty_percent)
    return SweepRequest(floor=floor)
