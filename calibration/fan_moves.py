"""Getting the fans from one duty to another: quickly, through their play, and without a stall."""

from typing import Final

from calibration.bench_hands import BenchHands, RunStopped, Steps
from calibration.learned import NOTHING_LEARNED, Learned
from calibration.rotor_pace import HURRY_S, RotorPace
from calibration.running_range import RunningRange
from calibration.settling import SETTLED_CHANGE
from calibration.speed_map import SpeedMap
from calibration.steps import Remark

__all__ = ["EXPLORING_CHANGE", "STANDING_AT_FULL_DUTY", "FanMoves"]

STANDING_AT_FULL_DUTY: Final = "The fans stand still at full duty; check their cables."
"""Why a run ends whose fans nothing sets turning."""

EXPLORING_CHANGE: Final = 0.02
"""Change of speed over 2 s that is good enough for a setting that will not be the last."""
_WORTH_HURRYING: Final = 0.01
"""A smaller change of speed settles by itself within the two seconds that are waited anyway."""
_CLEARLY_PAST_PERCENT: Final = 0.5
"""A duty less far past the goal does not drive the fans past it for sure: play and rounding."""
_SURELY_TURNING_PERCENT: Final = 40.0
"""Fans that take a duty at all turn at this one: their lowest is 30 % at most."""
_SMALLEST_STEP_PERCENT: Final = 0.15
"""A smaller step changes nothing that could be heard."""
_START_STEP_PERCENT: Final = 10.0
"""How far above a duty that holds them standing fans start for sure."""
_PLAY_STEP_PERCENT: Final = 3.0
"""A step that takes up any play."""


class FanMoves:
    """The fans' duty, and everything learned from moving it."""

    def __init__(self, hands: BenchHands, learned: Learned = NOTHING_LEARNED) -> None:
        self.hands = hands
        self.range = RunningRange(
            hands.lowest_percent,
            hands.highest_percent,
            standing_percent=learned.standing_percent,
            running_percent=learned.running_percent,
        )
        """Between which duties they turn."""
        self.speeds = SpeedMap(
            tuple((setting.fan_percent, setting.speed) for setting in learned.settings)
        )
        """Speed over duty."""
        self.percent = 0.0
        """The duty that is set."""
        self.pace = RotorPace(learned.time_constants_s)
        """How fast they follow."""
        self._goal_rpm: float | None = None

    @property
    def slowest_rpm(self) -> float:
        """Speed at the lowest duty, as far as it can be foretold from here."""
        return max(self.speeds.rpm_at(self.range.lowest_percent), 0.2 * self.speeds.last_rpm)

    @property
    def fastest_rpm(self) -> float:
        """Speed at the highest duty, as far as it can be foretold from here."""
        return max(self.speeds.rpm_at(self.range.highest_percent), 1.02 * self.slowest_rpm)

    def begin_at(self, percent: float, rpm: float) -> None:
        """Take over fans that turn already.

        Parameters
        ----------
        percent : float
            Duty that the bench gives them.
        rpm : float
            Speed at which they rest with it.
        """
        self.percent = percent
        self.range.note(percent, turning=True)
        self.speeds = self.speeds.add(percent, rpm)

    def go(self, percent: float, tolerated_change: float) -> Steps[float | None]:
        """Set a fan duty, wait until the speed rests, and learn what it says."""
        start_rpm = self.hands.fan_rpm()
        goal_rpm, self._goal_rpm = self._goal_rpm, None
        hurried = goal_rpm is not None and (yield from self._hurry(percent, goal_rpm))
        self.percent = percent
        yield from self.hands.set_fans(percent)
        history = yield from self.hands.settle(tolerated_change)
        rpm = history.last_rpm
        if start_rpm is not None and not hurried:
            self.pace = self.pace.learn(start_rpm, *history.readings())
        axis = self.axis(rpm)
        # Standing fans that stay so tell what would start them, not what would keep them turning.
        if axis != 0 or start_rpm != 0 or self.range.running_percent is None:
            self.range.note(percent, turning=axis != 0)
        self.speeds = self.speeds.add(percent, axis or None)
        return rpm

    def _hurry(self, percent: float, goal_rpm: float) -> Steps[bool]:
        """Drive the fans past a goal for a moment; tell whether it was worth it."""
        now_rpm = self.hands.fan_rpm()
        if now_rpm is None or not self._worth_hurrying(goal_rpm):
            return False
        beyond = self._beyond(percent, now_rpm, goal_rpm)
        if not self._is_beyond(beyond, percent, goal_rpm - now_rpm):
            return False
        yield from self.hands.set_fans(beyond)
        yield from self.hands.take(HURRY_S)
        self.speeds = self.speeds.add(beyond, None)
        return True

    def _beyond(self, percent: float, now_rpm: float, goal_rpm: float) -> float:
        """Duty that drives the fans past a goal, within what is safe for them."""
        beyond = self.speeds.duty_for(self.pace.overdrive(now_rpm, goal_rpm))
        # Never below where fans are sure to turn: one that stalls there may not start again.
        surely_turning = max(_SURELY_TURNING_PERCENT, self.range.standing_percent or 0.0)
        return self.range.clip(max(beyond, min(percent, surely_turning)))

    @staticmethod
    def _is_beyond(beyond: float, percent: float, way_rpm: float) -> bool:
        """Whether a duty lies clearly past another on the way, so that it takes up the play."""
        past = beyond - percent if way_rpm > 0.0 else percent - beyond
        return past >= _CLEARLY_PAST_PERCENT

    def _worth_hurrying(self, goal_rpm: float) -> bool:
        """Whether a change of speed is too large to settle while it is waited for anyway."""
        now_rpm = self.hands.fan_rpm()
        return bool(now_rpm) and abs(goal_rpm - (now_rpm or 0.0)) >= _WORTH_HURRYING * goal_rpm

    def axis(self, rpm: float | None) -> float:
        """Fan speed, or the duty in its place where no tachometer tells."""
        return self.percent if rpm is None else rpm

    def heard_axis(self, rpm: float | None) -> float:
        """Fan speed at the present setting after listening to it, as well as all settings tell it.

        Parameters
        ----------
        rpm : float or None
            Mean speed over the listening; None without a tachometer.

        Returns
        -------
        float
            Speed in rpm, or the duty in its place.
        """
        if not rpm:
            return self.axis(rpm)
        self.speeds = self.speeds.correct(rpm).with_step(self.hands.tachometer_step_rpm)
        return self.speeds.refined_rpm

    def duty_towards(self, wanted_rpm: float, *, upwards: bool) -> float:
        """Duty that leads to a speed, which the next `go` will approach.

        Parameters
        ----------
        wanted_rpm : float
            The speed.
        upwards : bool
            Whether the level asks for more speed than now: a small step has to go that way.

        Returns
        -------
        float
            Duty in per cent, inside the bench's limits.
        """
        self._goal_rpm = wanted_rpm
        now_rpm = self.hands.fan_rpm()
        if now_rpm is not None and self._worth_hurrying(wanted_rpm):
            percent = self.range.clip(self.speeds.duty_for(wanted_rpm, from_beyond=True))
            beyond = self._beyond(percent, now_rpm, wanted_rpm)
            if self._is_beyond(beyond, percent, wanted_rpm - now_rpm):
                return percent
        percent = self.speeds.duty_for(wanted_rpm)
        if self.percent == 0.0:
            # Nothing was set yet: everything known is from earlier, and there is no step to take.
            return self.range.clip(percent)
        return self.range.clip(self._step_out_of_play(percent, 1.0 if upwards else -1.0))

    @property
    def came_from_below(self) -> bool:
        """Whether the duty before the present one was lower."""
        return any(percent < self.percent for percent, _ in self.speeds.moves[-2:-1])

    def come_back(self, percent: float, *, from_below: bool) -> Steps[float | None]:
        """Return to an earlier duty from the side it was reached from, through start and play."""
        yield from self._start_above(percent)
        below = self.range.clip(percent - _PLAY_STEP_PERCENT)
        if from_below and not self.range.forbids(below):
            yield from self.go(below, 0.05)
        return (yield from self.go(percent, SETTLED_CHANGE))

    def _step_out_of_play(self, percent: float, direction: float) -> float:
        """Make a small step go the right way, and further when the last one changed nothing."""
        step = max((percent - self.percent) * direction, _SMALLEST_STEP_PERCENT)
        step = max(step, self.speeds.step_that_was_lost(direction))
        return self.percent + direction * step

    def clear_of_standing(self, percent: float) -> Steps[float]:
        """Keep a wanted duty away from where the fans stand still."""
        if self.range.running_percent is None:
            return self.range.highest_percent
        if self.range.forbids(percent):
            while self.range.undecided():
                middle = self.range.middle()
                yield Remark(f"looking for the slowest speed the fans hold, at {middle:g} % duty")
                yield from self._start_above(self.range.running_percent)
                yield from self.go(middle, EXPLORING_CHANGE)
            percent = self.range.running_percent
        if self.hands.fan_rpm() == 0:
            yield from self._start_above(percent)
        return percent

    def _start_above(self, percent: float) -> Steps[None]:
        """Give standing fans a push: a duty that keeps them turning may not start them."""
        yield from self.go(self.range.clip(percent + _START_STEP_PERCENT), 0.05)
        if self.hands.fan_rpm() == 0:
            yield from self.go(self.range.highest_percent, 0.05)
        if self.hands.fan_rpm() == 0:
            raise RunStopped(STANDING_AT_FULL_DUTY)
