"""Who measures for the queue of the lab."""

from collections.abc import Callable
from typing import assert_never

from service.documents.jobs import (
    CalibrateJob,
    FloorJob,
    JobRequest,
    MatchJob,
    RecheckJob,
    SweepJob,
)
from service.jobs.measuring import JobHand, JobOutcome
from service.wiring.lab_coolers import do_match, do_recheck, do_sweep
from service.wiring.lab_hearing import LabParts
from service.wiring.lab_requests import check_request
from service.wiring.lab_room import do_calibration, do_floor_check

__all__ = ["LabMeasuring"]


class LabMeasuring:
    """Does what is asked, with the microphone and the bench of the lab.

    Parameters
    ----------
    lab : LabParts
        What it is done with.
    calibrated : callable
        Called when the calibration may have changed.
    """

    def __init__(self, lab: LabParts, calibrated: Callable[[], None]) -> None:
        self._lab = lab
        self._calibrated = calibrated

    def check(self, request: JobRequest) -> None:
        """Look whether a request can be done here.

        Raises
        ------
        InputError
            If it cannot be.
        """
        check_request(request)
        match request:
            case CalibrateJob():
                pass
            case FloorJob(lower_fans=lower_fans):
                if lower_fans:
                    self._lab.must_have_bench()
            case MatchJob() | SweepJob() | RecheckJob():
                self._lab.must_have_bench()
                self._lab.equipment.check_cooler(request.cooler)
            case _:
                assert_never(request)

    def wants(self, request: JobRequest) -> str | None:
        """Say what a person has to do before; None for nothing."""
        match request:
            case CalibrateJob():
                channel = f" of channel {request.channel}" if request.channel > 1 else ""
                return (
                    f"Put the calibrator ({request.level_db:g} dB, {request.frequency_hz:g} Hz) "
                    f"over the microphone{channel}, keep hands off, and continue."
                )
            case FloorJob():
                return None
            case MatchJob() | SweepJob() | RecheckJob():
                bench = self._lab.bench
                if bench is not None and bench.view.mounted == request.cooler:
                    return None
                return (
                    f"Mount {request.cooler}, set the same light load, keep the microphone where "
                    "it is, and continue."
                )
            case _:
                assert_never(request)

    def person_did(self, request: JobRequest) -> None:
        """Learn that a person has done that.

        Raises
        ------
        EvenhushError
            If it cannot be so.
        """
        if isinstance(request, CalibrateJob):
            self._lab.equipment.put_calibrator(on=True)
        elif not isinstance(request, FloorJob) and self._lab.bench is not None:
            self._lab.equipment.mount(request.cooler)
            self._lab.bench.mount(request.cooler)

    def measure(self, request: JobRequest, hand: JobHand) -> JobOutcome:
        """Measure.

        Raises
        ------
        Halted
            If it was told to end.
        SafetyStop
            If the bench protects itself.
        EvenhushError
            If it could not be done.
        """
        match request:
            case CalibrateJob():
                try:
                    return do_calibration(self._lab, request, hand)
                finally:
                    self._lab.equipment.put_calibrator(on=False)
                    self._calibrated()
            case FloorJob():
                return do_floor_check(self._lab, request, hand)
            case MatchJob():
                return do_match(self._lab, request, hand)
            case SweepJob():
                return do_sweep(self._lab, request, hand)
            case RecheckJob():
                return do_recheck(self._lab, request, hand)
            case _:
                assert_never(request)
