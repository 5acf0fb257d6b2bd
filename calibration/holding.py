"""Keeping the matched speeds of a cooler for hours, and saying when they or the level leave.

`SpeedHold` has no clock and no bench: it is told what a second came to, and answers with what to
do.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.errors import InputError
from calibration.bench_hands import RunStopped
from calibration.bench_state import BenchDescription, BenchState
from calibration.held_speed import HeldSpeed
from calibration.results import MatchedActuator
from calibration.safety import OBEYED_AFTER_S, duty_not_kept, reason_to_stop

__all__ = ["HoldRequest", "HoldStep", "SpeedHold"]

_SETTLING_LIMIT_S: Final = 90
"""Seconds after which speeds that are not where they belong are said not to come there."""
_LEVEL_WINDOW_S: Final = 60
"""Seconds of which the middle level counts, so that a vehicle does not."""


@dataclass(frozen=True, slots=True)
class HoldRequest:
    """What is to be held."""

    actuators: Mapping[str, MatchedActuator]
    """Matched duty and speed by actuator; those without a speed are held by duty."""
    speed_tolerance_percent: float = 1.0
    """How far a speed may be off before it is said."""
    level_db: float | None = None
    """Level that the microphone read when it was matched; None where that is not known."""
    level_tolerance_db: float = 0.5
    """How far the level may be off before it is said."""


@dataclass(frozen=True, slots=True)
class HoldStep:
    """What a second comes to."""

    duties: Mapping[str, float]
    """Duties to set now; empty where all may stay."""
    remarks: tuple[str, ...]
    """What a person should be told."""


class SpeedHold:
    """The speeds of a cooler while they are held.

    Parameters
    ----------
    request : HoldRequest
        What is to be held.
    bench : BenchDescription
        What can be set, and its limits.

    Raises
    ------
    InputError
        If the settings do not fit the bench.
    """

    def __init__(self, request: HoldRequest, bench: BenchDescription) -> None:
        if set(request.actuators) != set(bench.actuators):
            raise InputError(
                f"The settings are for {', '.join(sorted(request.actuators))}, but bench "
                f"{bench.bench} has {', '.join(sorted(bench.actuators))}; plug in what was matched."
            )
        self.request = request
        self.bench = bench
        self.speeds: dict[str, HeldSpeed] = {}
        """The actuators by name."""
        self.held_s = 0
        """Seconds so far."""
        self.level_outside_s = 0
        """Seconds in which the level was outside its tolerance."""
        self._levels: deque[float] = deque(maxlen=_LEVEL_WINDOW_S)
        self._level_outside = False
        self._turning: set[str] = set()
        self._asked_s_ago = 0
        for name, wanted in request.actuators.items():
            limits = bench.actuators[name]
            low, high = limits.min_duty_percent, limits.max_duty_percent
            if not low <= wanted.duty_percent <= high:
                raise InputError(
                    f"The {name} on bench {bench.bench} takes {low:g} to {high:g} %, not the "
                    f"{wanted.duty_percent:g} % of the settings; match this cooler again."
                )
            self.speeds[name] = HeldSpeed(name, wanted, (low, high), wanted.duty_percent)

    @property
    def first_duties(self) -> dict[str, float]:
        """Duties to begin with."""
        return {name: speed.duty_percent for name, speed in self.speeds.items()}

    @property
    def arrived(self) -> bool:
        """Whether all speeds have come to where they belong."""
        return self.held_s > OBEYED_AFTER_S and all(each.arrived for each in self.speeds.values())

    @property
    def level_db(self) -> float | None:
        """Middle level of the last minute; None where too little was heard."""
        return float(np.median(self._levels)) if len(self._levels) >= _LEVEL_WINDOW_S else None

    def take(self, state: BenchState, level_db: float | None) -> HoldStep:
        """Take what a second came to.

        Parameters
        ----------
        state : BenchState
            What the bench says at its end.
        level_db : float or None
            What the microphone read in it; None where nothing fit to use was heard.

        Returns
        -------
        HoldStep
            What to do and to say.

        Raises
        ------
        RunStopped
            If it must end now.
        """
        self.held_s += 1
        self._check(state)
        duties: dict[str, float] = {}
        remarks: list[str] = []
        tolerance = self.request.speed_tolerance_percent / 100.0
        for name, speed in self.speeds.items():
            duty = speed.take(state.actuators[name].rpm, tolerance)
            if duty is not None:
                duties[name] = duty
            remarks += self._about_speed(speed, tolerance)
        self._asked_s_ago = 0 if duties else self._asked_s_ago + 1
        remarks += self._about_level(level_db)
        if self.held_s == _SETTLING_LIMIT_S and not self.arrived:
            late = [speed.name for speed in self.speeds.values() if not speed.arrived]
            remarks.append(
                f"{' and '.join(late)} did not come to the matched speed in {_SETTLING_LIMIT_S} s; "
                "look for dust, wear and cables"
            )
        return HoldStep(duties, tuple(remarks))

    def _check(self, state: BenchState) -> None:
        """Stop where going on would be wrong."""
        missing = set(self.speeds) - set(state.actuators)
        if missing:
            raise RunStopped(f"The bench no longer reports {', '.join(sorted(missing))}.")
        reason = reason_to_stop(self.bench, state, pumps_seen_turning=self._turning)
        if reason is None and self._asked_s_ago >= OBEYED_AFTER_S:
            asked = {
                name: speed.duty_percent
                for name, speed in self.speeds.items()
                if not speed.pushed_s
            }
            reason = duty_not_kept(asked, state)
        if reason is not None:
            raise RunStopped(reason)
        self._turning |= {name for name in self.speeds if state.actuators[name].rpm}

    @staticmethod
    def _about_speed(speed: HeldSpeed, tolerance: float) -> list[str]:
        """Say that a speed leaves its tolerance, or is back."""
        outside, mean = speed.is_outside(tolerance), speed.mean_now_rpm
        if outside == speed.outside_said or mean is None or not speed.wanted.rpm:
            return []
        speed.outside_said = outside
        off = 100.0 * (mean / speed.wanted.rpm - 1.0)
        if outside:
            return [
                f"the {speed.name} turns at {mean:.0f} rpm, {off:+.1f} % off the "
                f"{speed.wanted.rpm:.0f} rpm that were matched"
            ]
        return [f"the {speed.name} is back at {mean:.0f} rpm"]

    def _about_level(self, level_db: float | None) -> list[str]:
        """Say that the level leaves its tolerance, or is back."""
        if level_db is not None and self.arrived:
            self._levels.append(level_db)
        now, wanted = self.level_db, self.request.level_db
        if now is None or wanted is None:
            return []
        outside = abs(now - wanted) > self.request.level_tolerance_db
        self.level_outside_s += outside
        if outside == self._level_outside:
            return []
        self._level_outside = outside
        if outside:
            return [
                f"the microphone reads {now:.1f} dB(A), {now - wanted:+.1f} dB off the "
                f"{wanted:.1f} dB(A) that were matched"
            ]
        return [f"the microphone reads {now:.1f} dB(A) again"]
