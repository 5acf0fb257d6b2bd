"""The closed loop: turn a cooler's speeds until it alone makes the target level.

`match` is a generator of steps without clock, sound or connection. Each round it believes a level
over speed (`evidence`, `fan_noise`), goes to the speed most likely to hit (`next_setting`,
`speed_map`), waits for the tachometer (`settling`), and listens just long enough (`listening`,
`verdict`) to either move on or be sure.
"""

from dataclasses import replace
from typing import Final, Literal

import numpy as np

from acoustic.signals import Samples
from calibration.bench_hands import BenchHands, RunStopped, Steps
from calibration.bench_state import BenchDescription
from calibration.evidence import Evidence
from calibration.fan_moves import EXPLORING_CHANGE, FanMoves
from calibration.fan_noise import Estimate, NoisePriors
from calibration.goal import CoolerLoudness, Goal, SoundColour
from calibration.learned import NOTHING_LEARNED, Learned, LearnedSetting
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.next_setting import most_probable_speed, probability_within
from calibration.results import (
    FLOOR_WANDER_DB,
    HeardSetting,
    LevelCurve,
    MatchOutcome,
    MatchRequest,
    MatchResult,
)
from calibration.settling import SETTLED_CHANGE
from calibration.steps import Remark
from calibration.verdict import (
    LONGEST_LISTEN_S,
    ONE_SIDED_SPREADS,
    SURE,
    HeardSoFar,
    Verdict,
    judge,
)
from calibration.words import beat_words, progress_words, reason_words

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
_FIRST_GLANCE_S: Final = 0.5
"""Time after which the tachometer is read once more, to see whether the fans rest."""
_AS_IT_IS_S: Final = 2.5
"""Listening to the cooler under the bench's own control, which tells the way to go."""
_FIRST_LISTEN_S: Final = 2.0
"""First stretch of listening at a setting; after it every second is judged."""
_FLOOR_LISTEN_S: Final = 6.0
"""Listening for the floor; its wander over minutes is larger than what is left."""
_FLOOR_LISTEN_AGAIN_S: Final = 15.0
"""Listening for a floor that reads suspiciously high: an intrusion has passed by then."""
_EXPLORING_STEP_PERCENT: Final = 6.0
"""A first step larger than this is rarely the last one."""
_SAME_SETTING_PERCENT: Final = 0.05
"""Duties closer than this are the same setting."""
_CAME_BACK_CHANGE: Final = 0.01
"""Relative difference of speed on coming back to a setting that is told: a quarter decibel."""
_LIKELY: Final = 0.5
"""Probability within the tolerance below which later evidence takes a match back."""
_PUMP_PRIOR: Final = Estimate(33.0, 6.5)
"""Level of a pump at 80 % duty."""


class _Match:
    """One match in progress."""

    def __init__(self, request: MatchRequest, bench: BenchDescription, learned: Learned) -> None:
        self.request = request
        self.hands = BenchHands(bench, request)
        self.moves = FanMoves(self.hands, learned)
        self.goal = Goal(request.target_db, request.loudness)
        self.floor_bands_db: Samples | None = None
        floor = NoisePriors().floor
        if request.floor is not None:
            floor = request.floor.estimate
            if request.floor.bands_db is not None:
                self.floor_bands_db = np.array(request.floor.bands_db)
        pump = _PUMP_PRIOR if self.hands.pump_is_separate else None
        priors = NoisePriors(floor=floor, pump_at_80_percent=pump)
        self.evidence = Evidence(priors, request.applies_to, learned)
        self.earlier = learned
        self._came_again = False
        self.known = learned.listening or ListeningKnowledge()
        self.warnings: list[str] = []

    # Setting and listening

    def _close(
        self, listener: SettingListener, reading: Estimate, *, as_found: bool = False
    ) -> None:
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
                beat=listener.beat,
                colour=self._colours(listener)[0],
                as_found=as_found,
            )
        )

    def _colours(self, listener: SettingListener) -> tuple[SoundColour | None, list[SoundColour]]:
        """Colour of what the target applies to, as far as it is heard."""
        floor_bands_db = self.floor_bands_db if self._floor_counts else None
        return listener.colours(floor_bands_db, self.evidence.floor.mean_db)

    def _listen_as_it_is(self) -> Steps[None]:
        """Hear the cooler as the bench runs it by itself: a first setting without a wait.

        Nothing is learned from fans that stand, whose speed nobody reads or that are on their way.
        """
        hands = self.hands
        listener = SettingListener(self.known)
        listener.add((yield from hands.take(_FIRST_GLANCE_S)), hands.fan_rpm())
        rpm, percent = hands.fan_rpm(), hands.duty_now(hands.fans)
        pump_percent = hands.duty_now(hands.pumps) if hands.pumps else 0.0
        if not rpm or percent is None or pump_percent is None or self.request.pump == "follows":
            return
        listener.add((yield from hands.take(_AS_IT_IS_S)), hands.fan_rpm())
        reading, now_rpm = listener.estimate(), hands.fan_rpm()
        if reading is None or not now_rpm or abs(now_rpm - rpm) > EXPLORING_CHANGE * rpm:
            return
        self.moves.begin_at(percent, listener.rpm or rpm)
        self.evidence.enter(self.moves.heard_axis(listener.rpm), pump_percent, reading)
        self._close(listener, reading, as_found=True)

    def _listen_for_floor(self) -> Steps[None]:
        """Turn everything down as far as it goes and hear what is left."""
        hands = self.hands
        usual_pump_percent = hands.pump_percent
        if self.request.pump == "automatic" and hands.pumps:
            hands.pump_percent = hands.pump_limits[0]
        lowest = self.moves.range.lowest_percent
        yield Remark(f"listening for the room floor with the fans at {lowest:g} % duty")
        yield from self.moves.go(lowest, EXPLORING_CHANGE)
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
            reading = Estimate(reading.mean_db, float(np.hypot(reading.sd_db, FLOOR_WANDER_DB)))
            self.evidence.enter(self.moves.axis(listener.rpm), hands.pump_percent, reading)
            self.floor_bands_db = listener.bands_db()
            self._close(listener, reading)
        hands.pump_percent = usual_pump_percent

    def _visit(self, percent: float, tolerated_change: float) -> Steps[Verdict | None]:
        """Go to a fan duty and listen until there is something to decide.

        Returns None when the fans stand still there.
        """
        hands = self.hands
        rpm = yield from self.moves.go(percent, tolerated_change)
        if self.moves.axis(rpm) == 0:
            return None
        expected = self.evidence.expected_reading(self.moves.axis(rpm), hands.pump_percent)
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
            put(self.moves.heard_axis(listener.rpm), hands.pump_percent, estimate)
            reading = estimate
            whole, parts = self._colours(listener)
            if whole is not None:
                self.goal.hear(whole, parts)
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
            missed_by=self.goal.missed_by(level),
            reading=reading,
            expected=expected,
            heard_s=listener.heard_s,
            rejected_s=listener.rejected_s,
            at_highest=self.moves.range.at_highest(self.moves.percent),
            at_lowest=self.moves.range.at_lowest(self.moves.percent),
            again=self._came_again,
        )
        verdict = judge(heard, self.request.tolerance_db)
        if verdict == "matched" and listener.heard_s >= LONGEST_LISTEN_S:
            self.warnings.append(
                f"The level hunts: after {listener.heard_s:.0f} s it is known to "
                f"+-{1.96 * level.sd_db:.2f} dB only."
            )
        return verdict

    # Moving on

    def _wanted_percent(self) -> float:
        """Fan duty most likely to hit the target."""
        moves, target_db = self.moves, self.goal.level.mean_db
        slowest, fastest = moves.slowest_rpm, moves.fastest_rpm
        speeds = np.geomspace(slowest, fastest, 240)
        goal = self.evidence.goal_over_speed(speeds, self.hands.pump_percent)
        wanted_rpm = most_probable_speed(
            speeds, goal.cooler_db, goal.sd_db, target_db, self.request.tolerance_db
        )
        # An end of the range is meant as such, wherever the play would put it.
        if wanted_rpm == fastest:
            return moves.range.highest_percent
        if wanted_rpm == slowest:
            return moves.range.lowest_percent
        upwards = target_db > self.evidence.last_level.mean_db
        return moves.duty_towards(wanted_rpm, upwards=upwards)

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
        if floor is not None and self._too_near(Estimate(floor.level_db, 0.0)):
            return self._finish("floor-too-high")
        try:
            outcome, why = yield from self._procedure()
        except RunStopped as stop:
            outcome, why = "stopped", str(stop)
        return self._finish(outcome, why)

    @property
    def _floor_counts(self) -> bool:
        return self.request.applies_to == "cooler"

    def _too_near(self, floor: Estimate) -> bool:
        """Whether a floor certainly stands too close to the target."""
        over = self.goal.missed_by(floor)
        surely_over_db = over.mean_db - ONE_SIDED_SPREADS * over.sd_db
        return self._floor_counts and surely_over_db > -MARGIN_REFUSED_DB

    @property
    def _floor_is_known(self) -> bool:
        """Whether the room was heard well enough for what is asked."""
        colour_is_known = self.request.loudness is None or self.floor_bands_db is not None
        return self.request.floor is not None and (colour_is_known or not self._floor_counts)

    def _prepare(self) -> Steps[float]:
        """Learn what can be learned before the first move; return the duty to begin with."""
        if not self.earlier.settings:
            yield from self._listen_as_it_is()
        if not self._floor_is_known:
            yield from self._listen_for_floor()
        if not self.evidence.axes or not self.moves.speeds.settled_count:
            return self.moves.range.clip(_START_PERCENT)
        return (yield from self.moves.clear_of_standing(self._wanted_percent()))

    def _procedure(self) -> Steps[tuple[MatchOutcome, str | None]]:
        """Visit settings until one is sure, or none can be."""
        percent = yield from self._prepare()
        tolerated_change = EXPLORING_CHANGE
        for _ in range(_MAX_SETTINGS):
            verdict = yield from self._visit(percent, tolerated_change)
            if self._too_near(self.evidence.floor):
                return "floor-too-high", None
            if verdict is None:
                if self.moves.range.at_highest(percent):
                    return "stopped", "The fans stand still at full duty; check their cables."
                percent = yield from self.moves.clear_of_standing(percent)
            elif verdict == "move":
                before = self.moves.percent
                percent = yield from self.moves.clear_of_standing(self._wanted_percent())
                self._came_again = abs(percent - before) < _SAME_SETTING_PERCENT
                far = abs(percent - before) > _EXPLORING_STEP_PERCENT
                early = self.moves.speeds.settled_count < 3
                tolerated_change = EXPLORING_CHANGE if far and early else SETTLED_CHANGE
                yield Remark(self._progress(percent))
            elif verdict in ("quiet", "loud") and self._move_pump(verdict):
                pump_percent = self.hands.pump_percent
                yield Remark(f"the fans alone cannot do it, the pump goes to {pump_percent:g} %")
            else:
                outcome = yield from self._conclude(verdict)
                if outcome is not None:
                    return outcome, None
                percent = yield from self.moves.clear_of_standing(self._wanted_percent())
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
        missed_by = self.goal.missed_by(self.evidence.last_level)
        return probability_within(missed_by, self.request.tolerance_db)

    def _margin_db(self) -> float:
        return self.evidence.last_level.mean_db - self.evidence.floor.mean_db

    def _check_floor_again(self) -> Steps[None]:
        """Hear the floor once more when it weighs much in the result."""
        if not self._floor_counts or self._margin_db() >= _MARGIN_RECHECKED_DB:
            return
        matched = len(self.evidence.visited) - 1
        matched_percent = self.moves.percent
        from_below = self.moves.came_from_below
        yield from self._listen_for_floor()
        self.evidence.make_last(matched)
        yield from self._come_back(matched_percent, from_below=from_below)

    def _come_back(self, percent: float, *, from_below: bool) -> Steps[None]:
        """Return to a heard setting from the side it was reached from, through start and play."""
        rpm = yield from self.moves.come_back(percent, from_below=from_below)
        heard_rpm = self.evidence.last_axis
        if rpm is not None and abs(rpm - heard_rpm) > _CAME_BACK_CHANGE * heard_rpm:
            self.warnings.append(
                f"Back at {percent:.1f} % duty the fans turn at {rpm:.0f} rpm, not at the "
                f"{heard_rpm:.0f} rpm that were listened to; set the speed rather than the duty."
            )

    def _progress(self, next_percent: float) -> str:
        """One sentence on what was heard and where it goes next."""
        level = self.evidence.last_level
        return progress_words(
            level,
            self.goal.missed_by(level),
            rpm=None if self.hands.fan_rpm() is None else self.evidence.last_axis,
            percent=self.moves.percent,
            next_percent=next_percent,
        )

    def _curve(self) -> LevelCurve | None:
        """Level over speed around what was heard."""
        axes = self.evidence.axes
        if not axes:
            return None
        span = np.geomspace(0.75 * min(axes), 1.2 * max(axes), 120)
        return self.evidence.cooler_over_speed(span, self.hands.pump_percent)

    def _learned(self) -> Learned:
        """What a later run can start from."""
        evidence, moves = self.evidence, self.moves
        heard = []
        # A setting that was still being listened to when the run stopped is no visit.
        visits = zip(evidence.visited, evidence.settings_visited, evidence.levels, strict=False)
        for index, (visit, setting, level) in enumerate(visits):
            if setting.rpm > 0 and not evidence.doubts(index):
                percent = float(
                    np.mean([visit.actuators[name].duty_percent for name in self.hands.fans])
                )
                heard.append(LearnedSetting(percent, setting.rpm, setting.pump_percent, level))
        return replace(
            self.earlier,
            settings=(*self.earlier.settings, *heard),
            running_percent=moves.range.running_percent,
            standing_percent=moves.range.standing_percent,
            time_constants_s=moves.pace.seen_s,
            listening=self.known,
        )

    def _loudness(self) -> CoolerLoudness | None:
        """Loudness at the last setting, where one was asked for."""
        wanted, colour = self.request.loudness, self.evidence.visited[-1].colour
        if wanted is None or colour is None:
            return None
        return colour.loudness(self.evidence.last_level, wanted.field)

    def _finish(self, outcome: MatchOutcome, why: str | None = None) -> MatchResult:
        """Put the result together."""
        evidence = self.evidence
        sure = outcome != "matched" or self._probability() >= SURE
        reason = reason_words(
            outcome,
            goal=self.goal.words(self.request.tolerance_db),
            floor_db=evidence.floor.mean_db,
            target_db=self.goal.level.mean_db,
            probability=self._probability() if evidence.visited else 0.0,
            sure=sure,
        )
        # Standing fans are heard for the floor only, and never given as a setting.
        heard = bool(evidence.visited) and evidence.last_axis > 0
        given = heard and outcome not in ("floor-too-high", "stopped")
        beat = evidence.visited[-1].beat if given else None
        if beat is not None:
            self.warnings.append(beat_words(beat))
        if given and self._floor_counts and self._margin_db() < MARGIN_WARNED_DB:
            self.warnings.append(
                f"The cooler stands only {self._margin_db():.1f} dB over the floor; a quieter "
                "room makes the result surer."
            )
        return MatchResult(
            outcome=outcome,
            why=why or reason,
            actuators=evidence.visited[-1].actuators if given else None,
            target_db=self.goal.level.mean_db,
            level=evidence.last_level if given else None,
            loudness=self._loudness() if given else None,
            as_read=evidence.last_reading if given else None,
            floor=evidence.floor,
            visited=tuple(evidence.visited),
            curve=self._curve(),
            posterior=evidence.posterior,
            learned=self._learned(),
            listened_s=round(self.hands.listened_s, 1),
            bench_s=round(self.hands.bench_s, 1),
            warnings=tuple(self.warnings),
        )


def match(
    request: MatchRequest, bench: BenchDescription, learned: Learned = NOTHING_LEARNED
) -> Steps[MatchResult]:
    """Match one cooler to a target level.

    Parameters
    ----------
    request : MatchRequest
        Target, tolerance, floor and what to do with a pump.
    bench : BenchDescription
        What can be set, and its limits.
    learned : Learned, optional
        What is known of this cooler on this bench from earlier.

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
    return (yield from _Match(request, bench, learned).run())
