"""The loop's hands and ears: set speeds, wait for them, listen; every answer checked for safety.

All methods that touch the bench are sub-generators of steps, so that the procedure that uses them
reads like work at the bench.
"""

from collections.abc import Generator, Sequence
from typing import Final, TypeVar

import numpy as np

from acoustic.errors import InputError
from calibration.bench_state import BenchDescription, BenchState
from calibration.results import MatchedActuator, MatchRequest
from calibration.safety import OBEYED_AFTER_S, duty_not_kept, reason_to_stop
from calibration.settling import SpeedHistory
from calibration.steps import Heard, Listen, Observation, SetDuty, Step
from calibration.unrest import AT_REST

__all__ = ["MOST_DETUNED_PERCENT", "BenchHands", "RunStopped", "Steps"]

T = TypeVar("T")
Steps = Generator[Step, Observation, T]
"""A procedure that yields steps, is sent their answers and returns a T."""

MOST_DETUNED_PERCENT: Final = 5.0
"""How far the duties of fans may be set apart: enough for a beat too quick to be heard as one."""
_SETTLING_STEP_S: Final = 0.5
"""How often the tachometer is read while a speed settles."""
_PUMP_CHANGE: Final = 0.02
"""Relative change of a pump's speed over 2 s that counts as rest: its part of the level is small,
and its tachometer coarse."""
_AUTOMATIC_PUMP_PERCENT: Final = 80.0
"""Where a pump is tried first when nobody asked for a duty: cool, and rarely its loudest."""


class RunStopped(Exception):
    """The run must end now; the text says why."""


class BenchHands:
    """Fans moved together, pumps led by the request, and the count of sound taken.

    Raises
    ------
    InputError
        If the bench has no fan, fans or pumps share no duty, the asked pump duty is outside its
        limits, or fans cannot be set apart as asked.
    """

    def __init__(self, bench: BenchDescription, request: MatchRequest) -> None:
        self.bench = bench
        self.request = request
        roles = {name: actuator.role for name, actuator in bench.actuators.items()}
        self.fans = [name for name, role in roles.items() if role == "fan"]
        self.pumps = [name for name, role in roles.items() if role == "pump"]
        if not self.fans:
            raise InputError(f"The bench {bench.bench} has no fan whose speed could be matched.")
        self.lowest_percent, self.highest_percent = self._limits_percent(self.fans)
        self._check_detuning()
        self.pump_percent = self._first_pump_percent()
        self.bench_s = 0.0
        self.listened_s = 0.0
        self.arrival: list[Heard] = []
        """What was heard while the present speed settled."""
        self.tachometer_step_rpm = 0.0
        """Step in which the fans' mean speed is told, as far as it showed; 0 where none did."""
        self.unrest = AT_REST
        """How far the fans are from rest after changes of speed."""
        self._pumps_seen_turning: set[str] = set()
        self._state: BenchState | None = None
        self._asked: dict[str, float] = {}
        self._asked_s_ago = 0.0

    def _check_detuning(self) -> None:
        """Refuse fans to be set apart by too much, or a single one at all."""
        detune_percent = self.request.detune_percent
        if not 0.0 <= detune_percent <= MOST_DETUNED_PERCENT:
            raise InputError(
                f"Fans are set apart by at most {MOST_DETUNED_PERCENT:g} % of duty, "
                f"not {detune_percent:g} %."
            )
        if detune_percent > 0.0 and len(self.fans) < 2:
            raise InputError(
                f"The bench {self.bench.bench} has one fan only, so there is nothing to set apart; "
                "match it without detuning."
            )

    def _first_pump_percent(self) -> float:
        """Duty of the pumps at the start; 0 without a pump."""
        if not self.pumps:
            return 0.0
        low, high = self.pump_limits
        asked = self.request.pump_duty_percent
        if self.request.pump == "fixed" and asked is not None:
            if not low <= asked <= high:
                raise InputError(
                    f"The pump on bench {self.bench.bench} takes {low:g} to {high:g} %, "
                    f"not {asked:g} %; choose a duty in that range."
                )
            return asked
        return min(max(_AUTOMATIC_PUMP_PERCENT, low), high)

    def _limits_percent(self, names: list[str]) -> tuple[float, float]:
        """Lowest and highest duty that all of some actuators take."""
        limits = [self.bench.actuators[name] for name in names]
        low = max(actuator.min_duty_percent for actuator in limits)
        high = min(actuator.max_duty_percent for actuator in limits)
        if low > high:
            raise InputError(
                f"The {limits[0].role}s {', '.join(names)} on bench {self.bench.bench} share no "
                "duty, so they cannot be moved together; leave one of them to the bench."
            )
        return low, high

    @property
    def pump_limits(self) -> tuple[float, float]:
        """Lowest and highest duty that all pumps take."""
        return self._limits_percent(self.pumps)

    @property
    def pump_is_separate(self) -> bool:
        """Whether the pump's speed is its own, rather than led along with the fans."""
        return bool(self.pumps) and self.request.pump != "follows"

    def _duties(self, fan_percent: float) -> dict[str, float]:
        """Duties of all actuators for a fan duty."""
        duties = self._fan_duties(fan_percent)
        if not self.pumps:
            return duties
        low, high = self.pump_limits
        pump_percent = self.pump_percent
        if self.request.pump == "follows":
            span = max(self.highest_percent - self.lowest_percent, 1e-9)
            pump_percent = low + (high - low) * (fan_percent - self.lowest_percent) / span
        # Rounded first: a limit that is no hundredth of a per cent must not be rounded across.
        pump_percent = min(max(round(pump_percent, 2), low), high)
        return {**duties, **dict.fromkeys(self.pumps, pump_percent)}

    def _fan_duties(self, fan_percent: float) -> dict[str, float]:
        """Duties of the fans, which are `fan_percent` in the mean."""
        wanted = 0.5 * self.request.detune_percent
        if wanted == 0.0:
            return dict.fromkeys(self.fans, fan_percent)
        # Near a limit they are less apart, so that full speed stays full speed.
        room = min(self.highest_percent - fan_percent, fan_percent - self.lowest_percent)
        reach = np.floor(100.0 * max(min(wanted, room), 0.0) + 1e-6) / 100.0
        apart = np.linspace(reach, -reach, len(self.fans))
        low, high = self.lowest_percent, self.highest_percent
        return {
            name: min(max(round(fan_percent + float(offset), 3), low), high)
            for name, offset in zip(self.fans, apart, strict=True)
        }

    def _check(self, state: BenchState) -> BenchState:
        """Remember the state, or stop the run."""
        missing = set(self.bench.actuators) - set(state.actuators)
        if missing:
            raise RunStopped(f"The bench no longer reports {', '.join(sorted(missing))}.")
        reason = reason_to_stop(self.bench, state, pumps_seen_turning=self._pumps_seen_turning)
        if reason is not None:
            raise RunStopped(reason)
        self._pumps_seen_turning |= {name for name in self.pumps if state.actuators[name].rpm}
        self._note_step(state)
        self._state = state
        return state

    def _note_step(self, state: BenchState) -> None:
        """Learn the step of the tachometers from the smallest change they show."""
        if self._state is None:
            return
        for name in self.fans:
            before, now = self._state.actuators[name].rpm, state.actuators[name].rpm
            if before and now and before != now:
                step_rpm = abs(now - before) / len(self.fans)
                known_rpm = self.tachometer_step_rpm
                self.tachometer_step_rpm = min(step_rpm, known_rpm) if known_rpm else step_rpm

    def fan_rpm(self) -> float | None:
        """Mean of the fans' tachometers at the last reading; None if none has one.

        Fans that are set apart may stand one by one: as one of them stands, so do all.
        """
        mean_rpm = self._mean_rpm(self.fans)
        if self.request.detune_percent > 0.0 and self._state is not None:
            speeds = [self._state.actuators[name].rpm for name in self.fans]
            return 0.0 if 0.0 in speeds else mean_rpm
        return mean_rpm

    def _mean_rpm(self, names: Sequence[str]) -> float | None:
        """Mean of some tachometers at the last reading; None if none of them tells."""
        if self._state is None:
            return None
        speeds = [self._state.actuators[name].rpm for name in names]
        known = [rpm for rpm in speeds if rpm is not None]
        return float(np.mean(known)) if known else None

    def actuators_now(self, fan_rpm: float | None) -> dict[str, MatchedActuator]:
        """Duties and speeds of all actuators.

        Parameters
        ----------
        fan_rpm : float or None
            Mean fan speed over a listening, which says more than one reading where there is one
            fan.

        Returns
        -------
        dict of str to MatchedActuator
            By actuator name; empty before the bench was first read.
        """
        if self._state is None:
            return {}
        given = {}
        for name, reported in self._state.actuators.items():
            single = len(self.fans) == 1 and name in self.fans
            rpm = fan_rpm if single else reported.rpm
            given[name] = MatchedActuator(reported.duty_percent, rpm)
        return given

    def duty_now(self, names: Sequence[str]) -> float | None:
        """Duty that some actuators share at the last reading; None where they differ.

        Parameters
        ----------
        names : sequence of str
            The actuators.

        Returns
        -------
        float or None
            Duty in per cent.
        """
        if self._state is None:
            return None
        duties = {self._state.actuators[name].duty_percent for name in names}
        return duties.pop() if len(duties) == 1 else None

    def set_fans(self, percent: float) -> Steps[None]:
        """Set the fans' duty, and the pumps' with it."""
        self._asked = self._duties(percent)
        self._asked_s_ago = 0.0
        answer = yield SetDuty(self._asked)
        assert isinstance(answer, BenchState)  # noqa: S101 - the driver's contract
        self._check(answer)

    def take(self, seconds: float) -> Steps[Heard]:
        """Take sound and the bench's state after it."""
        answer = yield Listen(seconds)
        assert isinstance(answer, Heard)  # noqa: S101 - the driver's contract
        self.bench_s += seconds
        before_rpm = self.fan_rpm()
        self._check(answer.state)
        self.unrest = self.unrest.after(seconds, before_rpm, self.fan_rpm())
        self._asked_s_ago += seconds
        if self._asked_s_ago >= OBEYED_AFTER_S:
            reason = duty_not_kept(self._asked, answer.state)
            if reason is not None:
                raise RunStopped(reason)
        return answer

    def settle(self, tolerated_change: float) -> Steps[SpeedHistory]:
        """Wait until the speeds of fans and pumps have come to rest.

        Parameters
        ----------
        tolerated_change : float
            Relative change over 2 s that counts as rest.

        Returns
        -------
        SpeedHistory
            The fans' speeds on the way; the last is the one they came to.
        """
        fans, pumps = SpeedHistory(), SpeedHistory()
        self.arrival = []
        while not (fans.settled(tolerated_change) and self._pumps_rest(pumps, tolerated_change)):
            self.arrival.append((yield from self.take(_SETTLING_STEP_S)))
            fans.add(_SETTLING_STEP_S, self.fan_rpm())
            pumps.add(_SETTLING_STEP_S, self._mean_rpm(self.pumps))
        return fans

    def _pumps_rest(self, history: SpeedHistory, tolerated_change: float) -> bool:
        """Whether the pumps' speed rests; without their tachometers the fans decide."""
        if history.last_rpm is None:
            return True
        return history.settled(max(tolerated_change, _PUMP_CHANGE))
