"""The closed loop: turn a cooler's speeds until it alone makes the target level.

`match` is a generator of steps without clock, sound or connection. Each round it believes a level
over speed (`evidence`, `fan_noise`), goes to the speed most likely to hit (`next_setting`,
`speed_map`), waits for the tachometer (`settling`), and listens just long enough (`listening`,
`verdict`) to either move on or be sure.
"""

from typing import Final, Literal

import numpy as np

from calibration.bench_hands import BenchHands, RunStopped, Steps
from calibration.bench_state import BenchDescription
from calibration.evidence import Evidence
from calibration.fan_noise import Estimate, NoisePriors
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.next_setting import most_probable_speed, probability_within
from calibration.results import (
    HeardSetting,
    LevelCurve,
    MatchOutcome,
    MatchRequest,
    MatchResult,
)
from calibration.rotor_pace import HURRY_S, RotorPace
from calibration.running_range import RunningRange
from calibration.settling import SETTLED_CHANGE
from calibration.speed_map import SpeedMap
from calibration.steps import Remark
from calibration.verdict import (
    LONGEST_LISTEN_S,
    ONE_SIDED_SPREADS,
    SURE,
    HeardSoFar,
    Verdict,
    judge,
)

__all__ = ["MARGIN_REFUSED_DB", "MARGIN_WARNED_DB", "match"]

MARGIN_REFUSED_DB: Final = 4.0
"""Closer to the floor, half a decibel of floor moves the cooler's level by the whole tolerance."""
MARGIN_WARNED_DB: Final = 10.0
"""Below this the floor takes more than half a decibel of the reading."""
_MARGIN_RECHECKED_DB: Final = 8.0
"""Below this the floor is listened to again afterwards."""
_START_PERCENT: Final = 68.0
"""First duty: most coolers are louder than usual targets at full speed and quieter at half."""
_MAX_SETTINGS: Final = 16
"""A cooler that is not matched by then does not hold still."""
_FIRST_LISTEN_S: Final = 3.0
"""First stretch of listening at a setting; after it every second is judged."""
_FLOOR_LISTEN_S: Final = 6.0
"""Listening for the floor; its wander over minutes is larger than what is left."""
_FLOOR_LISTEN_AGAIN_S: Final = 15.0
"""Listening for a floor that reads suspiciously high: an intrusion has passed by then."""
_FLOOR_WANDER_DB: Final = 0.3
"""Standard deviation of a room's floor between now and the end of a match."""
_EXPLORING_CHANGE: Final = 0.015
"""Change of speed over 2 s that is good enough for a setting that will not be the last."""
_EXPLORING_STEP_PERCENT: Final = 6.0
"""A first step larger than this is rarely the last one."""
_WORTH_HURRYING: Final = 0.01
"""A smaller change of speed settles by itself within the two seconds that are waited anyway."""
_SURELY_TURNING_PERCENT: Final = 40.0
"""Fans that take a duty at all turn at this one: their lowest is 30 % at most."""
_SMALLEST_STEP_PERCENT: Final = 0.15
"""A smaller step changes nothing that could be heard."""
_START_STEP_PERCENT: Final = 10.0
"""How far above a duty that holds them standing fans start for sure."""
_PLAY_STEP_PERCENT: Final = 3.0
"""A step that takes up any play."""
_CAME_BACK_CHANGE: Final = 0.01
"""Relative difference of speed on coming back to a setting that is told: a quarter decibel."""
_LIKELY: Final = 0.5
"""Probability within the tolerance below which later evidence takes a match back."""
_PUMP_PRIOR: Final = Estimate(33.0, 6.5)
"""Level of a pump at 80 % duty."""

_SENTENCES: Final[dict[MatchOutcome, str]] = {
    "matched": "The level is within {goal} with {probability} probability.",
    "quieter-at-full-speed": "Even at full speed the cooler stays below {goal}.",
    "louder-at-minimum": "Even at the lowest speeds the cooler stays above {goal}.",
    "floor-too-high": (
        "The room reads {floor:.1f} dB(A), so close below the target of {target:g} dB(A) that the "
        "cooler's own level cannot be told; make the room quieter or raise the target."
    ),
    "unsteady": "The level did not hold still long enough to be within {goal} for sure.",
    "stopped": "The run was stopped.",
}


class _Match:
    """One match in progress."""

    def __init__(self, request: MatchRequest, bench: BenchDescription) -> None:
        self.request = request
        self.hands = BenchHands(bench, request)
        self.range = RunningRange(self.hands.lowest_percent, self.hands.highest_percent)
        floor = NoisePriors().floor
        if request.floor is not None:
            known_sd = request.floor.U95_db / 1.96
            floor = Estimate(request.floor.level_db, float(np.hypot(known_sd, _FLOOR_WANDER_DB)))
        pump = _PUMP_PRIOR if self.hands.pump_is_separate else None
        priors = NoisePriors(floor=floor, pump_at_80_percent=pump)
        self.evidence = Evidence(priors, request.applies_to)
        self.known = ListeningKnowledge()
        self.speeds = SpeedMap()
        self.pace = RotorPace()
        self.goal_rpm: float | None = None
        self.fan_percent = 0.0
        self.warnings: list[str] = []

    # Setting and listening

    def _go(self, percent: float, tolerated_change: float) -> Steps[float | None]:
        """Set a fan duty, wait until the speed rests, and learn what it says."""
        start_rpm = self.hands.fan_rpm()
        goal_rpm, self.goal_rpm = self.goal_rpm, None
        hurried = goal_rpm is not None and (yield from self._hurry(percent, goal_rpm))
        self.fan_percent = percent
        yield from self.hands.set_fans(percent)
        history = yield from self.hands.settle(tolerated_change)
        rpm = history.last_rpm
        if start_rpm is not None and not hurried:
            self.pace = self.pace.learn(start_rpm, *history.readings())
        axis = self._axis(rpm)
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
        beyond = self.speeds.duty_for(self.pace.overdrive(now_rpm, goal_rpm))
        # Never below where fans are sure to turn: one that stalls there may not start again.
        surely_turning = max(_SURELY_TURNING_PERCENT, self.range.standing_percent or 0.0)
        beyond = self.range.clip(max(beyond, min(percent, surely_turning)))
        yield from self.hands.set_fans(beyond)
        yield from self.hands.take(HURRY_S)
        self.speeds = self.speeds.add(beyond, None)
        return True

    def _worth_hurrying(self, goal_rpm: float) -> bool:
        """Whether a change of speed is too large to settle while it is waited for anyway."""
        now_rpm = self.hands.fan_rpm()
        return bool(now_rpm) and abs(goal_rpm - (now_rpm or 0.0)) >= _WORTH_HURRYING * goal_rpm

    def _axis(self, rpm: float | None) -> float:
        """Fan speed, or the duty in its place where no tachometer tells."""
        return self.fan_percent if rpm is None else rpm

    def _close(self, listener: SettingListener, reading: Estimate) -> None:
        """Keep the evidence of the present setting."""
        self.known = listener.knowledge()
        self.hands.listened_s += listener.heard_s
        self.evidence.keep(
            HeardSetting(
                actuators=self.hands.actuators_now(listener.rpm),
                reading=reading,
                level=self.evidence.last_level,
                listened_s=listener.heard_s,
                rejected_s=listener.rejected_s,
                left_out_s=listener.left_out_s,
            )
        )

    def _listen_for_floor(self) -> Steps[None]:
        """Turn everything down as far as it goes and hear what is left."""
        hands = self.hands
        usual_pump_percent = hands.pump_percent
        if self.request.pump == "automatic" and hands.pumps:
            hands.pump_percent = hands.pump_limits[0]
        lowest = self.range.lowest_percent
        yield Remark(f"listening for the room floor with the fans at {lowest:g} % duty")
        yield from self._go(lowest, _EXPLORING_CHANGE)
        listener = SettingListener(self.known, hands.arrival)
        usual = self.evidence.priors.floor
        suspicious_db = usual.mean_db + 2.5 * usual.sd_db
        reading: Estimate | None = None
        while (
            reading is None
            or listener.heard_s < _FLOOR_LISTEN_S
            or (reading.mean_db > suspicious_db and listener.heard_s < _FLOOR_LISTEN_AGAIN_S)
        ):
            listener.add((yield from hands.take(1.0)), hands.fan_rpm())
            reading = listener.estimate()
            if listener.heard_s >= LONGEST_LISTEN_S:
                break
        if reading is not None:
            yield Remark(f"the microphone reads {reading.mean_db:.1f} dB at the lowest speeds")
            reading = Estimate(reading.mean_db, float(np.hypot(reading.sd_db, _FLOOR_WANDER_DB)))
            self.evidence.enter(self._axis(listener.rpm), hands.pump_percent, reading)
            self._close(listener, reading)
        hands.pump_percent = usual_pump_percent

    def _visit(self, percent: float, tolerated_change: float) -> Steps[Verdict | None]:
        """Go to a fan duty and listen until there is something to decide.

        Returns None when the fans stand still there.
        """
        hands = self.hands
        rpm = yield from self._go(percent, tolerated_change)
        if self._axis(rpm) == 0:
            return None
        expected = self.evidence.expected_reading(self._axis(rpm), hands.pump_percent)
        listener = SettingListener(self.known, hands.arrival)
        reading: Estimate | None = None
        verdict: Verdict | None = None
        while verdict is None and listener.heard_s < LONGEST_LISTEN_S + 1.0:
            seconds = _FIRST_LISTEN_S if listener.heard_s == 0 else 1.0
            listener.add((yield from hands.take(seconds)), hands.fan_rpm())
            estimate = listener.estimate()
            if estimate is None:
                continue
            put = self.evidence.enter if reading is None else self.evidence.correct
            put(self._axis(listener.rpm), hands.pump_percent, estimate)
            reading = estimate
            verdict = self._judge(listener, reading, expected)
        if reading is None:
            self.warnings.append(
                f"At {percent:.1f} % duty not one second in {listener.heard_s:.0f} was fit to "
                "use; make the room quieter and check the input."
            )
            return "unsteady"
        self._close(listener, reading)
        # A level that was lost again among intrusions never came to a verdict.
        return verdict or "unsteady"

    def _judge(
        self, listener: SettingListener, reading: Estimate, expected: Estimate | None
    ) -> Verdict | None:
        """Decide whether enough was heard at the present setting."""
        level = self.evidence.last_level
        heard = HeardSoFar(
            level=level,
            reading=reading,
            expected=expected,
            heard_s=listener.heard_s,
            rejected_s=listener.rejected_s,
            at_highest=self.range.at_highest(self.fan_percent),
            at_lowest=self.range.at_lowest(self.fan_percent),
        )
        verdict = judge(heard, self.request.target_db, self.request.tolerance_db)
        if verdict == "matched" and listener.heard_s >= LONGEST_LISTEN_S:
            self.warnings.append(
                f"The level hunts: after {listener.heard_s:.0f} s it is known to "
                f"+-{1.96 * level.sd_db:.2f} dB only."
            )
        return verdict

    # Moving on

    def _wanted_percent(self) -> float:
        """Fan duty most likely to hit the target."""
        target_db = self.request.target_db
        slowest = max(self.speeds.rpm_at(self.range.lowest_percent), 0.2 * self.speeds.last_rpm)
        fastest = max(self.speeds.rpm_at(self.range.highest_percent), 1.02 * slowest)
        speeds = np.geomspace(slowest, fastest, 240)
        goal = self.evidence.goal_over_speed(speeds, self.hands.pump_percent)
        wanted_rpm = most_probable_speed(
            speeds, goal.cooler_db, goal.sd_db, target_db, self.request.tolerance_db
        )
        self.goal_rpm = wanted_rpm
        # An end of the range is meant as such, wherever the play would put it.
        if wanted_rpm == fastest:
            return self.range.highest_percent
        if wanted_rpm == self.speeds.rpm_at(self.range.lowest_percent):
            return self.range.lowest_percent
        hurried = self._worth_hurrying(wanted_rpm)
        percent = self.speeds.duty_for(wanted_rpm, from_beyond=hurried)
        if not hurried:
            percent = self._step_out_of_play(percent)
        return self.range.clip(percent)

    def _step_out_of_play(self, percent: float) -> float:
        """Make a small step go the right way, and further when the last one changed nothing."""
        direction = float(np.sign(self.request.target_db - self.evidence.last_level.mean_db))
        step = max((percent - self.fan_percent) * direction, _SMALLEST_STEP_PERCENT)
        step = max(step, self.speeds.step_that_was_lost(direction))
        return self.fan_percent + direction * step

    def _clear_of_standing(self, percent: float) -> Steps[float]:
        """Keep a wanted duty away from where the fans stand still."""
        if self.range.running_percent is None:
            return self.range.highest_percent
        if self.range.forbids(percent):
            while self.range.undecided():
                middle = self.range.middle()
                yield Remark(f"looking for the slowest speed the fans hold, at {middle:g} % duty")
                yield from self._start_above(self.range.running_percent)
                yield from self._go(middle, _EXPLORING_CHANGE)
            percent = self.range.running_percent
        if self.hands.fan_rpm() == 0:
            yield from self._start_above(percent)
        return percent

    def _start_above(self, percent: float) -> Steps[None]:
        """Give standing fans a push: a duty that keeps them turning may not start them."""
        yield from self._go(self.range.clip(percent + _START_STEP_PERCENT), 0.05)
        if self.hands.fan_rpm() == 0:
            yield from self._go(self.range.highest_percent, 0.05)

    def _move_pump(self, verdict: Verdict) -> bool:
        """Move the pump when the fans are at their limit; tell whether there was room."""
        hands = self.hands
        if not hands.pumps or self.request.pump != "automatic":
            return False
        low, high = hands.pump_limits
        wanted = high if verdict == "quiet" else low
        moved = abs(hands.pump_percent - wanted) >= 0.05
        hands.pump_percent = wanted
        return moved

    # The procedure

    def run(self) -> Steps[MatchResult]:
        """Run the whole match."""
        floor = self.request.floor
        limit_db = self.request.target_db - MARGIN_REFUSED_DB
        if floor is not None and floor.level_db > limit_db and self._floor_counts:
            return self._finish("floor-too-high")
        try:
            outcome, why = yield from self._procedure()
        except RunStopped as stop:
            outcome, why = "stopped", str(stop)
        return self._finish(outcome, why)

    @property
    def _floor_counts(self) -> bool:
        return self.request.applies_to == "cooler"

    def _floor_too_high(self) -> bool:
        """Whether the room certainly stands too close to the target."""
        floor = self.evidence.floor
        surely_above_db = floor.mean_db - ONE_SIDED_SPREADS * floor.sd_db
        return self._floor_counts and (surely_above_db > self.request.target_db - MARGIN_REFUSED_DB)

    def _procedure(self) -> Steps[tuple[MatchOutcome, str | None]]:
        """Visit settings until one is sure, or none can be."""
        if self.request.floor is None:
            yield from self._listen_for_floor()
        percent = self.range.clip(_START_PERCENT)
        tolerated_change = _EXPLORING_CHANGE
        for _ in range(_MAX_SETTINGS):
            verdict = yield from self._visit(percent, tolerated_change)
            if self._floor_too_high():
                return "floor-too-high", None
            if verdict is None:
                if self.range.at_highest(percent):
                    return "stopped", "The fans stand still at full duty; check their cables."
                percent = yield from self._clear_of_standing(percent)
            elif verdict == "move":
                before = self.fan_percent
                percent = yield from self._clear_of_standing(self._wanted_percent())
                far = abs(percent - before) > _EXPLORING_STEP_PERCENT
                early = self.speeds.settled_count < 3
                tolerated_change = _EXPLORING_CHANGE if far and early else SETTLED_CHANGE
                yield Remark(self._progress(percent))
            elif verdict in ("quiet", "loud") and self._move_pump(verdict):
                pump_percent = self.hands.pump_percent
                yield Remark(f"the fans alone cannot do it, the pump goes to {pump_percent:g} %")
            else:
                outcome = yield from self._conclude(verdict)
                if outcome is not None:
                    return outcome, None
                percent = yield from self._clear_of_standing(self._wanted_percent())
        return "unsteady", None

    def _conclude(self, verdict: Verdict) -> Steps[MatchOutcome | None]:
        """Turn the last verdict into an outcome; None where later evidence takes it back."""
        outcome: dict[Verdict, Literal["quieter-at-full-speed", "louder-at-minimum"]] = {
            "quiet": "quieter-at-full-speed",
            "loud": "louder-at-minimum",
        }
        if verdict in outcome:
            return outcome[verdict]
        if verdict != "matched":
            return "unsteady"
        yield from self._check_floor_again()
        if self._floor_counts and self._margin_db() < MARGIN_REFUSED_DB:
            return "floor-too-high"
        return "matched" if self._probability() >= _LIKELY else None

    def _probability(self) -> float:
        """How probable it is that the last setting is within the tolerance."""
        request = self.request
        return probability_within(self.evidence.last_level, request.target_db, request.tolerance_db)

    def _margin_db(self) -> float:
        return self.evidence.last_level.mean_db - self.evidence.floor.mean_db

    def _check_floor_again(self) -> Steps[None]:
        """Hear the floor once more when it weighs much in the result."""
        if not self._floor_counts or self._margin_db() >= _MARGIN_RECHECKED_DB:
            return
        matched = len(self.evidence.visited) - 1
        matched_percent = self.fan_percent
        from_below = [percent < matched_percent for percent, _ in self.speeds.moves[-2:-1]]
        yield from self._listen_for_floor()
        self.evidence.make_last(matched)
        yield from self._come_back(matched_percent, from_below=any(from_below))

    def _come_back(self, percent: float, *, from_below: bool) -> Steps[None]:
        """Return to a heard setting from the side it was reached from, through start and play."""
        yield from self._start_above(percent)
        below = self.range.clip(percent - _PLAY_STEP_PERCENT)
        if from_below and not self.range.forbids(below):
            yield from self._go(below, 0.05)
        rpm = yield from self._go(percent, SETTLED_CHANGE)
        heard_rpm = self.evidence.last_axis
        if rpm is not None and abs(rpm - heard_rpm) > _CAME_BACK_CHANGE * heard_rpm:
            self.warnings.append(
                f"Back at {percent:.1f} % duty the fans turn at {rpm:.0f} rpm, not at the "
                f"{heard_rpm:.0f} rpm that were listened to; set the speed rather than the duty."
            )

    def _progress(self, next_percent: float) -> str:
        """One sentence on what was heard and where it goes next."""
        level = self.evidence.last_level
        offset = level.mean_db - self.request.target_db
        here = f"{self.evidence.last_axis:.0f} rpm"
        if self.hands.fan_rpm() is None:
            here = f"{self.fan_percent:.1f} % duty"
        return (
            f"at {here}: {level.mean_db:.1f} +-{1.96 * level.sd_db:.1f} dB, {abs(offset):.1f} dB "
            f"{'over' if offset > 0 else 'short'}, going to {next_percent:.1f} % duty"
        )

    def _curve(self) -> LevelCurve | None:
        """Level over speed around what was heard."""
        axes = self.evidence.axes
        if not axes:
            return None
        span = np.geomspace(0.75 * min(axes), 1.2 * max(axes), 120)
        return self.evidence.cooler_over_speed(span, self.hands.pump_percent)

    def _finish(self, outcome: MatchOutcome, why: str | None = None) -> MatchResult:
        """Put the result together."""
        evidence, request = self.evidence, self.request
        goal = f"{request.target_db:g} +-{request.tolerance_db:g} dB(A)"
        floor = evidence.floor
        sure = outcome != "matched" or self._probability() >= SURE
        reason = _SENTENCES[outcome].format(
            goal=goal,
            floor=floor.mean_db,
            target=request.target_db,
            probability="at least 95 %" if sure else f"{100 * self._probability():.0f} %",
        )
        given = bool(evidence.visited) and outcome not in ("floor-too-high", "stopped")
        if given and self._floor_counts and self._margin_db() < MARGIN_WARNED_DB:
            self.warnings.append(
                f"The cooler stands only {self._margin_db():.1f} dB over the floor; a quieter "
                "room makes the result surer."
            )
        return MatchResult(
            outcome=outcome,
            why=why or reason,
            actuators=evidence.visited[-1].actuators if given else None,
            level=evidence.last_level if given else None,
            as_read=evidence.last_reading if given else None,
            floor=floor,
            visited=tuple(evidence.visited),
            curve=self._curve(),
            listened_s=round(self.hands.listened_s, 1),
            bench_s=round(self.hands.bench_s, 1),
            warnings=tuple(self.warnings),
        )


def match(request: MatchRequest, bench: BenchDescription) -> Steps[MatchResult]:
    """Match one cooler to a target level.

    Parameters
    ----------
    request : MatchRequest
        Target, tolerance, floor and what to do with a pump.
    bench : BenchDescription
        What can be set, and its limits.

    Returns
    -------
    generator of Step, returning MatchResult
        Send each step's answer; the value of its end is the result. The same answers give the
        same steps and the same result.

    Raises
    ------
    InputError
        At the first step, if the bench has no fan or the pump duty is outside its limits.
    """
    return (yield from _Match(request, bench).run())
