"""Holding a cooler's speeds on a bench while a thermal run goes on."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, Protocol

import numpy as np

from acoustic.decibels import energy_mean_db
from acoustic.errors import EvenhushError
from calibration.bench_hands import RunStopped
from calibration.bench_state import BenchDescription
from calibration.holding import HoldRequest, SpeedHold
from service.clock import utc_text
from service.documents.held_run import HoldOutcome
from service.errors import CaptureError, LeaseLost, SafetyStop
from service.jobs.listening import LevelListener
from service.ports import BenchConnection
from service.records.held import HeldSecond

__all__ = ["HeldSpan", "Seconds", "hold_speeds"]

_HOLDER: Final = "evenhush hold"
_START_ANYWAY_S: Final = 120
"""What waits for the speeds goes on after so long."""


class Seconds(Protocol):
    """What makes a second pass: the sound that is heard in it, or a clock."""

    def pass_one(self) -> float | None:
        """Let a second pass; return the level in it, None where nothing was fit to use.

        Raises
        ------
        CaptureError
            If the sound fails.
        """
        ...

    def now(self) -> datetime:
        """Return the time."""
        ...

    def without_sound(self) -> "Seconds":
        """Return what goes on when the sound has failed."""
        ...


@dataclass(slots=True)
class HeldSpan:
    """How a run was held, as far as it came."""

    hold: SpeedHold
    """The speeds with their record."""
    start: datetime
    """When the speeds were set."""
    end: datetime
    """When the bench was given back."""
    outcome: HoldOutcome = "held"
    """How it ended."""
    why: str = ""
    """The reason, in one sentence."""
    warnings: list[str] = field(default_factory=list)
    """What was said on the way, each with its time."""
    levels_db: list[float] = field(default_factory=list)
    """Middle level of each minute."""

    @property
    def level_db(self) -> float | None:
        """Middle level over the run."""
        return float(np.median(self.levels_db)) if self.levels_db else None


def level_of_second(listener: LevelListener) -> float | None:
    """Take a second of sound and return its level.

    Parameters
    ----------
    listener : LevelListener
        What is heard.

    Returns
    -------
    float or None
        LAeq in dB; None where less than half of it was fit to use.

    Raises
    ------
    CaptureError
        If the sound fails.
    """
    taken = listener.take(1.0)
    good = taken.levels_db[taken.valid & np.isfinite(taken.levels_db)]
    if good.size < 5:
        return None
    return energy_mean_db(good)


def hold_speeds(
    request: HoldRequest,
    bench: BenchConnection,
    description: BenchDescription,
    seconds: Seconds,
    *,
    until: Callable[[float], str | None],
    keep: Callable[[HeldSecond], None],
    tell: Callable[[str], None],
    arrived: Callable[[], None] = lambda: None,
) -> HeldSpan:
    """Hold speeds until somebody says that it is enough, or something fails.

    The bench is given back on every way out.

    Parameters
    ----------
    request : HoldRequest
        What is to be held.
    bench : BenchConnection
        The bench.
    description : BenchDescription
        What it said that it is.
    seconds : Seconds
        What makes time pass.
    until : callable
        Given the seconds held so far; why it is enough in one sentence, or None.
    keep : callable
        Given every second; must not raise.
    tell : callable
        Given each remark for the person at the bench.
    arrived : callable, optional
        Called once all speeds have come to where they belong.

    Returns
    -------
    HeldSpan
        How it went; a bench that takes over or fails ends it with the reason.

    Raises
    ------
    InputError
        If the settings do not fit the bench.
    LeaseHeld
        If somebody else holds the bench.
    """
    hold = SpeedHold(request, description)
    bench.acquire(_HOLDER)
    span = HeldSpan(hold, seconds.now(), seconds.now())
    driver = _Holding(bench, hold, span, seconds, tell)
    try:
        bench.set_duty(hold.first_duties)
        waiting = True
        while (enough := until(hold.held_s)) is None:
            driver.one_second(keep)
            if waiting and (hold.arrived or hold.held_s >= _START_ANYWAY_S):
                waiting = False
                arrived()
        span.why = enough
    except KeyboardInterrupt:
        span.why = "It was ended by hand."
    except (RunStopped, SafetyStop) as stop:
        span.outcome, span.why = "stopped", str(stop)
    except LeaseLost as lost:
        driver.lease_lost(lost)
    except EvenhushError as error:
        span.outcome, span.why = "failed", str(error)
    finally:
        bench.release()
        span.end = driver.now()
    if span.outcome == "held" and (reason := _not_held(hold)) is not None:
        span.outcome = "not-held"
        span.why = f"{span.why} {reason}"
    return span


class _Holding:
    """The work of one second."""

    def __init__(
        self,
        bench: BenchConnection,
        hold: SpeedHold,
        span: HeldSpan,
        seconds: Seconds,
        tell: Callable[[str], None],
    ) -> None:
        self._bench = bench
        self._hold = hold
        self._span = span
        self._seconds = seconds
        self._tell = tell

    def now(self) -> datetime:
        """Return the time."""
        return self._seconds.now()

    def one_second(self, keep: Callable[[HeldSecond], None]) -> None:
        """Let a second pass, keep it, and do what it asks for."""
        level_db = self._level_db()
        state = self._bench.state()
        keep(HeldSecond(self._seconds.now(), state, level_db))
        step = self._hold.take(state, level_db)
        for text in step.remarks:
            self._warn(text)
        if step.duties:
            self._bench.set_duty(step.duties)
        now_db = self._hold.level_db
        if now_db is not None and self._hold.held_s % 60 == 0:
            self._span.levels_db.append(now_db)

    def _level_db(self) -> float | None:
        """Let a second pass; a microphone that fails does not end the run."""
        try:
            return self._seconds.pass_one()
        except CaptureError as error:
            self._seconds = self._seconds.without_sound()
            self._warn(f"the microphone failed, so the level is no longer watched: {error}")
            return self._seconds.pass_one()

    def _warn(self, text: str) -> None:
        """Say something, and keep it."""
        self._span.warnings.append(f"{utc_text(self._seconds.now())}: {text}")
        self._tell(text)

    def lease_lost(self, lost: LeaseLost) -> None:
        """Tell a bench that protected its hardware from one that somebody else took."""
        self._span.outcome, self._span.why = "failed", str(lost)
        try:
            state = self._bench.state()
        except SafetyStop as stop:
            self._span.outcome, self._span.why = "stopped", str(stop)
        except EvenhushError:
            return
        else:
            if state.control == "safe":
                self._span.outcome = "stopped"
                self._span.why = f"The bench took over to protect the hardware: {state.why}."


def _not_held(hold: SpeedHold) -> str | None:
    """Say what was outside its tolerance; None where nothing was."""
    parts = [
        f"the {speed.name} was outside its tolerance for {timedelta(seconds=speed.outside_s)}"
        for speed in hold.speeds.values()
        if speed.outside_s
    ]
    late = [speed.name for speed in hold.speeds.values() if not speed.arrived]
    if late:
        parts.append(f"{' and '.join(late)} never came to the matched speed")
    if hold.level_outside_s:
        parts.append(
            f"the level was outside its tolerance for {timedelta(seconds=hold.level_outside_s)}"
        )
    return "But " + ", and ".join(parts) + "." if parts else None
