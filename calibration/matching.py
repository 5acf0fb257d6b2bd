"""The closed loop: turn a cooler's speeds until it alone makes the target level.

`match` is a generator of steps without clock, sound or connection. Each round it believes a level
over speed (`evidence`, `fan_noise`), goes to the speed most likely to hit (`next_setting`,
`speed_map`), waits for the tachometer (`settling`), and listens just long enough (`listening`,
`verdict`) to either move on or be sure.
"""

from dataclasses import replace
from typing import Final, Literal

import numpy as np

from calibration.bench_hands import RunStopped, Steps
from calibration.bench_state import BenchDescription
from calibration.fan_moves import EXPLORING_CHANGE, STANDING_AT_FULL_DUTY
from calibration.fan_noise import Estimate
from calibration.goal import CoolerLoudness
from calibration.learned import NOTHING_LEARNED, Learned, LearnedSetting
from calibration.next_setting import most_probable_speed, probability_within
from calibration.results import (
    LevelCurve,
    MatchOutcome,
    MatchRequest,
    MatchResult,
)
from calibration.running_range import SAME_PERCENT
from calibration.settling import SETTLED_CHANGE
from calibration.steps import Remark
from calibration.verdict import (
    ONE_SIDED_SPREADS,
    SURE,
    Verdict,
)
from calibration.visits import SettingVisits
from calibration.words import beat_words, progress_words, reason_words

__all__ = ["MARGIN_REFUSED_DB", "MARGIN_WARNED_DB", "CoolerMatch", "match"]

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
_EXPLORING_STEP_PERCENT: Final = 6.0
"""A first step larger than this is rarely the last one."""
_CAME_BACK_CHANGE: Final = 0.01
"""Relative difference of speed on coming back to a setting that is told: a quarter decibel."""
_LIKELY: Final = 0.5
"""Probability within the tolerance below which later evidence takes a match back."""


class CoolerMatch(SettingVisits):
    """One match in progress."""

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
                    return "stopped", STANDING_AT_FULL_DUTY
                percent = yield from self.moves.clear_of_standing(percent)
            elif verdict == "move":
                before = self.moves.percent
                percent = yield from self.moves.clear_of_standing(self._wanted_percent())
                self._came_again = abs(percent - before) < SAME_PERCENT
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
        probability = self._probability() if evidence.visited else 0.0
        evidence.count_unrest()
        sure = outcome != "matched" or probability >= SURE
        reason = reason_words(
            outcome,
            goal=self.goal.words(self.request.tolerance_db),
            floor_db=evidence.floor.mean_db,
            target_db=self.goal.level.mean_db,
            probability=probability,
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
    return (yield from CoolerMatch(request, bench, learned).run())
