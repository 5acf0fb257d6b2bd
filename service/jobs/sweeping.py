"""Driving a sweep with a real bench and real sound."""

from collections.abc import Callable
from typing import Final

from calibration.steps import Heard
from calibration.sweep_results import SweepRequest, SweepResult
from calibration.sweeping import sweep
from service.jobs.driving import drive
from service.jobs.listening import LevelListener
from service.ports import BenchConnection

__all__ = ["HOLDER", "sweep_cooler"]

HOLDER: Final = "evenhush sweep"
"""Who holds the lease, as the bench shows it."""


def sweep_cooler(
    request: SweepRequest,
    bench: BenchConnection,
    listener: LevelListener,
    *,
    keep: Callable[[str], None],
    tell: Callable[[str], None],
    heard: Callable[[Heard], None] = lambda _: None,
) -> SweepResult:
    """Learn the level of the cooler on a bench over its whole range of speeds.

    The bench is released on every way out: done, stopped, failed or interrupted.

    Parameters
    ----------
    request : SweepRequest
        What is asked.
    bench : BenchConnection
        The bench.
    listener : LevelListener
        What is heard.
    keep : callable
        Given each line of the trail as it comes to be.
    tell : callable
        Given each remark for the person at the bench.
    heard : callable, optional
        Given everything that is heard, for a live view.

    Returns
    -------
    SweepResult
        The profile, or how far it came.

    Raises
    ------
    BenchError
        If the bench fails.
    CaptureError
        If the sound fails.
    LeaseLost
        If somebody else took the bench.
    InputError
        If the request does not fit the bench.
    """
    loop = sweep(request, bench.describe())
    return drive(loop, HOLDER, bench, listener, keep=keep, tell=tell, heard=heard)
