"""Driving the closed loop with a real bench and real sound, and replaying it from its trail."""

from collections.abc import Callable, Iterable, Sequence
from typing import Final

from calibration.bench_hands import Steps
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.matching import match
from calibration.pump_curve import CurvePoint, CurveResult, match_curve
from calibration.results import MatchRequest, MatchResult
from calibration.steps import Heard
from service.documents.trail import TrailHeader, TrailStep
from service.errors import DocumentError
from service.jobs.driving import drive, end_as_stopped
from service.jobs.listening import LevelListener
from service.ports import BenchConnection

__all__ = ["HOLDER", "learned_until_interrupted", "match_cooler", "match_pairs", "replay"]

HOLDER: Final = "evenhush match"
"""Who holds the lease, as the bench shows it."""


def match_cooler(
    request: MatchRequest,
    bench: BenchConnection,
    listener: LevelListener,
    *,
    keep: Callable[[str], None],
    tell: Callable[[str], None],
    heard: Callable[[Heard], None] = lambda _: None,
    learned: Learned = NOTHING_LEARNED,
) -> MatchResult:
    """Match the cooler on a bench to a target level.

    The bench is released on every way out: done, stopped, failed or interrupted.

    Parameters
    ----------
    request : MatchRequest
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
    learned : Learned, optional
        What is known of this cooler on this bench from earlier.

    Returns
    -------
    MatchResult
        How it ended.

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
    loop = match(request, bench.describe(), learned)
    return drive(loop, HOLDER, bench, listener, keep=keep, tell=tell, heard=heard)


def match_pairs(
    request: MatchRequest,
    pump_percents: Sequence[float],
    bench: BenchConnection,
    listener: LevelListener,
    *,
    keep: Callable[[str], None],
    tell: Callable[[str], None],
    heard: Callable[[Heard], None] = lambda _: None,
    learned: Learned = NOTHING_LEARNED,
    pair_done: Callable[[CurvePoint], None],
) -> CurveResult:
    """Match the cooler on a bench at several pump duties under one lease.

    Parameters
    ----------
    request : MatchRequest
        What is asked of each pair.
    pump_percents : sequence of float
        Pump duties.
    bench, listener, keep, tell, heard, learned
        As for a match of one pair.
    pair_done : callable
        Given each pair when it is done, while it still sounds.

    Returns
    -------
    CurveResult
        How each ended.

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
    loop = match_curve(request, bench.describe(), pump_percents, learned, pair_done=pair_done)
    return drive(loop, HOLDER, bench, listener, keep=keep, tell=tell, heard=heard)


def replay(header: TrailHeader, steps: Iterable[TrailStep]) -> MatchResult:
    """Run the loop again on the answers of a trail.

    Parameters
    ----------
    header : TrailHeader
        What was asked of which bench.
    steps : iterable of TrailStep
        Every step with its answer, in order.

    Returns
    -------
    MatchResult
        The result that these answers lead to.

    Raises
    ------
    DocumentError
        If the loop asks for other steps than the trail holds: it was made by another version, or
        is incomplete.
    """
    try:
        _follow(_loop_of(header), steps)
    except StopIteration as end:
        return _result_of(end)
    raise DocumentError("The trail ends before the match does: the run was interrupted.")


def learned_until_interrupted(header: TrailHeader, steps: Iterable[TrailStep]) -> Learned:
    """Find what a match had learned when it was interrupted.

    Parameters
    ----------
    header : TrailHeader
        What was asked of which bench.
    steps : iterable of TrailStep
        Every step that was answered, in order.

    Returns
    -------
    Learned
        What a later run on the same cooler can start from.

    Raises
    ------
    DocumentError
        If the trail was made by another version.
    """
    loop = _loop_of(header)
    try:
        _follow(loop, steps)
    except StopIteration as end:
        return _result_of(end).learned
    return end_as_stopped(loop, "The run was interrupted.").learned


def _result_of(end: StopIteration) -> MatchResult:
    """Return what a loop ended with."""
    result = end.value
    assert isinstance(result, MatchResult)  # noqa: S101 - what a loop returns
    return result


def _loop_of(header: TrailHeader) -> Steps[MatchResult]:
    """Start the loop that a trail comes from."""
    if header.pump_percents is None:
        return match(header.request, header.bench, header.known_before())
    return _as_match(
        match_curve(header.request, header.bench, header.pump_percents, header.known_before())
    )


def _as_match(loop: Steps[CurveResult]) -> Steps[MatchResult]:
    """Take the pair that is given for the result of a curve."""
    return (yield from loop).as_match


def _follow(loop: Steps[MatchResult], steps: Iterable[TrailStep]) -> None:
    """Give a loop the answers of a trail; its end is a StopIteration."""
    asked = next(loop)
    for number, taken in enumerate(steps, start=1):
        if asked != taken.step():
            raise DocumentError(
                f"Step {number} of the trail is {taken.step()}, but this version asks for "
                f"{asked}; replay it with the version that made it."
            )
        asked = loop.send(taken.answer())
