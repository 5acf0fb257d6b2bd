"""Driving a procedure of steps with a real bench and real sound."""

from collections.abc import Callable
from typing import TypeVar

from calibration.bench_hands import RunStopped, Steps
from calibration.steps import Heard, Listen, Observation, Remark, SetDuty, Step
from service.documents.trail import step_line
from service.errors import LeaseLost, SafetyStop
from service.jobs.listening import LevelListener
from service.ports import BenchConnection

__all__ = ["drive", "end_as_stopped"]

T = TypeVar("T")


def drive(
    loop: Steps[T],
    holder: str,
    bench: BenchConnection,
    listener: LevelListener,
    *,
    keep: Callable[[str], None],
    tell: Callable[[str], None],
    heard: Callable[[Heard], None] = lambda _: None,
) -> T:
    """Carry out a procedure's steps until it ends.

    The bench is released on every way out: done, stopped, failed or interrupted.

    Parameters
    ----------
    loop : generator of Step
        The procedure, not yet begun.
    holder : str
        Who holds the lease, as the bench shows it.
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
    T
        What the procedure ends with; a bench that takes over ends it as stopped.

    Raises
    ------
    BenchError
        If the bench fails.
    CaptureError
        If the sound fails.
    LeaseLost
        If somebody else took the bench.
    InputError
        If what is asked does not fit the bench.
    """
    answer: Observation = None
    try:
        # The first step asks nothing of the bench yet: a request that does not fit it fails here.
        step = next(loop)
        bench.acquire(holder)
        while True:
            answer = _carry_out(step, bench, listener, tell)
            keep(step_line(step, answer))
            if isinstance(answer, Heard):
                heard(answer)
            step = loop.send(answer)
    except StopIteration as end:
        result: T = end.value
        return result
    except SafetyStop as stop:
        return end_as_stopped(loop, str(stop))
    except LeaseLost:
        # A bench that took over to protect its hardware has ended our lease with that.
        state = bench.state()
        if state.control != "safe":
            raise
        return end_as_stopped(loop, f"The bench took over to protect the hardware: {state.why}.")
    finally:
        loop.close()
        bench.release()


def end_as_stopped(loop: Steps[T], why: str) -> T:
    """Let a procedure end as a run that was stopped.

    Parameters
    ----------
    loop : generator of Step
        The procedure, begun.
    why : str
        The reason in one plain sentence.

    Returns
    -------
    T
        What it ends with.

    Raises
    ------
    AssertionError
        If it does not end.
    """
    try:
        loop.throw(RunStopped(why))
    except StopIteration as end:
        result: T = end.value
        return result
    raise AssertionError("A stopped run asked for another step.")


def _carry_out(
    step: Step, bench: BenchConnection, listener: LevelListener, tell: Callable[[str], None]
) -> Observation:
    """Do one step and return its answer."""
    match step:
        case SetDuty(duties):
            state = bench.set_duty(duties)
            listener.forget_sound()
            return state
        case Listen(seconds):
            taken = listener.take(seconds)
            return Heard(taken.levels_db, taken.valid, bench.state(), taken.bands_db)
        case Remark(text):
            tell(text)
            return None
