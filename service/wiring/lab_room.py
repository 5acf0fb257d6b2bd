"""Calibrations and floor checks of the lab."""

from collections.abc import Mapping
from statistics import fmean
from typing import Final

from calibration.bench_state import BenchState
from calibration.reference_tone import ReferenceTone
from calibration.safety import reason_to_stop
from calibration.settling import SpeedHistory
from service.documents.floor import FloorDocument
from service.documents.jobs import CalibrateJob, FloorJob
from service.errors import BenchUnreachable, SafetyStop
from service.jobs.calibrating import calibrate
from service.jobs.floor_checking import check_floor
from service.jobs.measuring import JobHand, JobOutcome
from service.ports import BenchConnection
from service.wiring.lab_bench import turning_in
from service.wiring.lab_hearing import LabParts
from service.wiring.match_series import Hearing

__all__ = ["SCHEDULE", "do_calibration", "do_floor_check", "hear_floor"]

SCHEDULE: Final = "schedule"
"""Who asks for a check that nobody asked for."""
_HOLDER: Final = "evenhush floor"
_LOOK_S: Final = 2.0
"""The bench is looked at so often while the room is heard."""
_SETTLING_STEP_S: Final = 0.5


def do_calibration(lab: LabParts, request: CalibrateJob, hand: JobHand) -> JobOutcome:
    """Calibrate a channel of the input, with the calibrator on its microphone.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    request : CalibrateJob
        What is asked.
    hand : JobHand
        The job.

    Returns
    -------
    JobOutcome
        Done, or refused with the reasons.

    Raises
    ------
    EvenhushError
        If it could not be done.
    """
    with lab.listening(hand, "calibrate") as keeping:
        source = keeping.source
        hand.tell(f"listening to the reference tone for {request.seconds:g} s")
        tone = f"reference tone of {request.level_db:g} dB at {request.frequency_hz:g} Hz"
        before = lab.archive.calibrations.latest(source.name, request.channel)
        with keeping.measuring(tone):
            document = calibrate(
                source,
                ReferenceTone(request.level_db, request.frequency_hz),
                channel=request.channel,
                seconds=request.seconds,
                time=lab.now(),
                previous=None if before is None else before.document,
                progress=lambda heard_s: hand.share(min(heard_s / request.seconds, 1.0)),
            )
        if document.accepted:
            keeping.know([document])
        document = document.model_copy(update={"remarks": [*document.remarks, *keeping.warnings()]})
    key, remarks = lab.calibrations.keep(document, hand.id)
    hand.has_put("calibration", key)
    for remark in (*document.remarks, *remarks):
        hand.tell(remark)
    if not document.accepted:
        return JobOutcome("refused", " ".join(document.reasons))
    return JobOutcome("done", " ".join(remarks) or None)


def do_floor_check(lab: LabParts, request: FloorJob, hand: JobHand) -> JobOutcome:
    """Check the room floor.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    request : FloorJob
        What is asked.
    hand : JobHand
        The job.

    Returns
    -------
    JobOutcome
        Done.

    Raises
    ------
    EvenhushError
        If it could not be done.
    """
    with lab.hearing(hand, "floor") as hearing:
        key = hear_floor(lab, hearing, hand, seconds=request.seconds, lower=request.lower_fans)
    document = lab.floors.get(key).document
    if document.turning_rpm:
        return JobOutcome("done", _turning_words(document.turning_rpm))
    return JobOutcome("done")


def hear_floor(
    lab: LabParts, hearing: Hearing, hand: JobHand, *, seconds: float, lower: bool
) -> str:
    """Listen to the room, and keep what it comes to.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    hearing : Hearing
        The calibrated sound.
    hand : JobHand
        The job it belongs to.
    seconds : float
        How long to listen.
    lower : bool
        Whether everything is turned to its lowest speed meanwhile.

    Returns
    -------
    str
        Its id in the archive.

    Raises
    ------
    SafetyStop
        If the bench protects itself.
    EvenhushError
        If it could not be done.
    """
    if lab.bench is None:
        document = _hear(lab, hearing, hand, None, seconds)
    else:
        with lab.at_the_bench(patience_s=4.0 if lower else 1.0) as bench:
            if not lower:
                document = _hear(lab, hearing, hand, _if_there(bench, hand), seconds)
            else:
                beside = hearing.beside(bench)
                beside.acquire(_HOLDER)
                try:
                    _lower(beside, hearing, hand)
                    document = _hear(lab, hearing, hand, beside, seconds, leased=True)
                finally:
                    beside.release()
    key = lab.floors.add(document, scheduled=hand.who == SCHEDULE, job=hand.id)
    hand.has_put("floor-check", key)
    return key


def _if_there(bench: BenchConnection, hand: JobHand) -> BenchConnection | None:
    """Return the bench if it answers; what is off turns nothing, and whoever asks says so."""
    try:
        bench.describe()
    except BenchUnreachable as error:
        hand.tell(f"nobody tells whether anything turns: {error}")
        return None
    return bench


def _hear(
    lab: LabParts,
    hearing: Hearing,
    hand: JobHand,
    bench: BenchConnection | None,
    seconds: float,
    *,
    leased: bool = False,
) -> FloorDocument:
    """Listen, with an eye on the bench."""
    states: list[BenchState] = [] if bench is None else [bench.state()]
    description = None if bench is None else bench.describe()
    looked_s = 0.0

    def progress(heard_s: float) -> None:
        nonlocal looked_s
        hand.share(min(heard_s / seconds, 1.0))
        if bench is not None and description is not None and heard_s - looked_s >= _LOOK_S:
            looked_s = heard_s
            states.append(bench.state())
            reason = reason_to_stop(description, states[-1], pumps_seen_turning=())
            if leased and reason is not None:
                raise SafetyStop(reason)

    hand.tell(f"listening to the room for {seconds:g} s")
    with hearing.measuring("room floor"):
        document = check_floor(
            hearing.source,
            hearing.calibration,
            seconds=seconds,
            time=lab.now(),
            response=hearing.response,
            progress=progress,
        )
    warnings = [*document.warnings, *hearing.warnings()]
    turning = None if bench is None else turning_in(states)
    if turning:
        warnings.append(_turning_words(turning))
    return document.model_copy(update={"warnings": warnings, "turning_rpm": turning})


def _lower(bench: BenchConnection, hearing: Hearing, hand: JobHand) -> None:
    """Turn everything to its lowest speed, and wait until that has come to rest."""
    description = bench.describe()
    lowest = {name: each.min_duty_percent for name, each in description.actuators.items()}
    if not lowest:
        return
    hand.tell("turning everything to its lowest speed")
    bench.set_duty(lowest)
    history = SpeedHistory()
    while not history.settled():
        hearing.source.read(round(_SETTLING_STEP_S * hearing.source.rate_hz))
        state = bench.state()
        reason = reason_to_stop(description, state, pumps_seen_turning=())
        if reason is not None:
            raise SafetyStop(reason)
        speeds = [each.rpm for each in state.actuators.values() if each.rpm is not None]
        history.add(_SETTLING_STEP_S, fmean(speeds) if speeds else None)


def _turning_words(turning_rpm: Mapping[str, float | None]) -> str:
    """Say that it was not the room alone."""
    named = ", ".join(
        name if rpm is None else f"{name} at {rpm:.0f} rpm" for name, rpm in turning_rpm.items()
    )
    return f"Not the room alone: {named} turned meanwhile, so no match counts with this floor."
