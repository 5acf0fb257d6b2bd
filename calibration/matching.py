"""The closed loop: turn a cooler's speeds until it alone makes the target level.

`match` is a generator of steps without clock, sound or connection. Each round it believes a level
over speed (`fan_noise`), goes to the speed most likely to hit (`next_setting`), waits for the
tachometer (`settling`), and listens just long enough (`listening`) to either move on or be sure.
"""

from dataclasses import replace
from typing import Final, Literal

import numpy as np

from acoustic.decibels import energy_sum_db
from calibration.bench_hands import BenchHands, RunStopped, Steps
from calibration.bench_state import BenchDescription
from calibration.fan_noise import Estimate, NoisePosterior, NoisePriors, SettingLevel, fit_noise
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.next_setting import most_probable_speed, probability_within
from calibration.results import (
    HeardSetting,
    LevelCurve,
    MatchOutcome,
    MatchRequest,
    MatchResult,
)
from calibration.settling import SETTLED_CHANGE
from calibration.speed_map import SpeedMap
from calibration.steps import Remark

__all__ = ["MARGIN_REFUSED_DB", "MARGIN_WARNED_DB", "match"]

MARGIN_REFUSED_DB: Final = 4.0
"""Closer to the floor, half a decibel of floor moves the cooler's level by the whole tolerance."""
MARGIN_WARNED_DB: Final = 10.0
"""Below this the floor takes more than half a decibel of the reading."""
_MARGIN_RECHECKED_DB: Final = 8.0
"""Below this the floor is listened to again afterwards."""
_SURE: Final = 0.95
"""Probability within the tolerance at which a setting counts as matched."""
_ONE_SIDED_SPREADS: Final = 1.645
"""Standard deviations of a one-sided 95 % statement."""
_START_PERCENT: Final = 68.0
"""First duty: most coolers are louder than usual targets at full speed and quieter at half."""
_MAX_SETTINGS: Final = 16
"""A cooler that is not matched by then does not hold still."""
_FIRST_LISTEN_S: Final = 3.0
"""Shortest listening that tells hunting from level."""
_SHORTEST_MATCH_S: Final = 6.0
"""No setting is called matched on less sound than this."""
_LONGEST_LISTEN_S: Final = 60.0
"""Beyond a minute hunting averages out too slowly to be worth the wait."""
_FLOOR_LISTEN_S: Final = 6.0
"""Listening for the floor; its wander over minutes is larger than what is left."""
_FLOOR_WANDER_DB: Final = 0.3
"""Standard deviation of a room's floor between now and the end of a match."""
_EXPLORING_CHANGE: Final = 0.015
"""Change of speed over 2 s that is good enough for a setting that will not be the last."""
_PUMP_PRIOR: Final = Estimate(33.0, 6.5)
"""Level of a pump at a usual duty."""
_STALL_RESOLUTION_PERCENT: Final = 1.0
"""How closely the lowest running duty is searched."""

_DOUBTED_SPREADS: Final = 3.0
"""A setting this far above what all others say was drowned by something else."""
_DOUBTED_SD_DB: Final = 20.0
"""What a doubted reading is worth: next to nothing."""

_Verdict = Literal["matched", "move", "quiet", "loud", "unsteady", "stopped-fan"]


class _Match:
    """One match in progress."""

    def __init__(self, request: MatchRequest, bench: BenchDescription) -> None:
        self.request = request
        self.hands = BenchHands(bench, request)
        floor = NoisePriors().floor
        if request.floor is not None:
            known = request.floor.U95_db / 1.96
            floor = Estimate(request.floor.level_db, float(np.hypot(known, _FLOOR_WANDER_DB)))
        pump = _PUMP_PRIOR if self.hands.pump_is_separate else None
        self.priors = NoisePriors(floor=floor, pump=pump)
        self.settings: list[SettingLevel] = []
        self.visited: list[HeardSetting] = []
        self.known = ListeningKnowledge()
        self.speeds = SpeedMap()
        self.standing_percent: float | None = None
        self.running_percent: float | None = None
        self.posterior: NoisePosterior | None = None
        self.fan_percent = 0.0
        self.doubted: set[int] = set()
        self.warnings: list[str] = []

    # What is believed

    def _level(self, index: int) -> Estimate:
        """Level of what the target applies to at a visited setting."""
        assert self.posterior is not None  # noqa: S101 - a setting was heard
        if self.request.applies_to == "reading":
            return self.settings[index].reading
        return self.posterior.cooler_at(index)

    def _over_speed(self, rpm: np.ndarray[tuple[int], np.dtype[np.float64]]) -> LevelCurve:
        """Level of the cooler alone over fan speed at the present pump setting."""
        assert self.posterior is not None  # noqa: S101 - a setting was heard
        mean, sd = self.posterior.cooler_over_speed(rpm, self.hands.pump_percent)
        return LevelCurve(rpm, mean, sd)

    def _axis(self, rpm: float | None, percent: float) -> float:
        """Fan speed, or the duty in its place where no tachometer tells."""
        return percent if rpm is None else rpm

    @property
    def _floor_limit_db(self) -> float:
        return self.request.target_db - MARGIN_REFUSED_DB

    def _floor_too_high(self) -> bool:
        """Whether the room certainly stands too close to the target."""
        if self.posterior is None or self.request.applies_to == "reading":
            return False
        floor = self.posterior.floor
        return floor.mean_db - _ONE_SIDED_SPREADS * floor.sd_db > self._floor_limit_db

    # Listening at one setting

    def _record(self, listener: SettingListener, reading: Estimate) -> None:
        """Enter the present setting into what is believed, in the place of its last estimate."""
        axis = self._axis(listener.rpm, self.fan_percent)
        self.settings[-1] = SettingLevel(axis, self.hands.pump_percent, reading)
        self.posterior = fit_noise(self.settings, self.priors)

    def _doubt_outliers(self) -> None:
        """Stop believing a setting that reads far above what all others say.

        A passing vehicle can drown a whole visit. Only readings that are too high are doubted:
        nothing that intrudes takes sound away. The present setting keeps its say.
        """
        for index in range(len(self.settings) - 1):
            if len(self.settings) < 4 or index in self.doubted:
                continue
            others = [
                setting
                for i, setting in enumerate(self.settings)
                if i != index and i not in self.doubted
            ]
            expected = self._reading_at(fit_noise(others, self.priors), self.settings[index])
            reading = self.settings[index].reading
            spread = float(np.hypot(expected.sd_db, reading.sd_db))
            if reading.mean_db - expected.mean_db > _DOUBTED_SPREADS * spread:
                self.doubted.add(index)
                self.settings[index] = replace(
                    self.settings[index],
                    reading=Estimate(reading.mean_db, _DOUBTED_SD_DB),
                )

    def _close(self, listener: SettingListener, reading: Estimate) -> None:
        """Keep the evidence of the present setting."""
        self.known = listener.knowledge()
        self.hands.listened_s += listener.heard_s
        self.visited.append(
            HeardSetting(
                actuators=self.hands.actuators_now(listener.rpm),
                reading=reading,
                listened_s=listener.heard_s,
                rejected_s=listener.rejected_s,
            )
        )

    def _listen_for_floor(self) -> Steps[None]:
        """Turn everything down as far as it goes and hear what is left."""
        hands = self.hands
        usual_pump = hands.pump_percent
        if self.request.pump == "automatic" and hands.pumps:
            hands.pump_percent = hands.pump_limits[0]
        yield Remark(
            f"listening for the room floor with the fans at {hands.lowest_percent:g} % duty"
        )
        self.fan_percent = hands.lowest_percent
        yield from hands.set_fans(self.fan_percent)
        rpm = yield from hands.settle(_EXPLORING_CHANGE)
        listener = SettingListener(self.known)
        while listener.heard_s < _FLOOR_LISTEN_S:
            listener.add((yield from hands.take(1.0)), hands.fan_rpm())
        while (read := listener.estimate()) is None and listener.heard_s < _LONGEST_LISTEN_S:
            listener.add((yield from hands.take(1.0)), hands.fan_rpm())
        if read is not None:
            reading = Estimate(read.mean_db, float(np.hypot(read.sd_db, _FLOOR_WANDER_DB)))
            self.settings.append(SettingLevel(0.0, hands.pump_percent, reading))
            self._record(listener, reading)
            self._close(listener, reading)
            self._note_speed(rpm)
            yield Remark(f"the microphone reads {read.mean_db:.1f} dB at the lowest speeds")
        hands.pump_percent = usual_pump

    def _note_speed(self, rpm: float | None) -> None:
        """Remember which duty gives which speed, and which leaves the fans standing."""
        percent = self.fan_percent
        if rpm == 0:
            self.standing_percent = max(percent, self.standing_percent or 0.0)
            self.speeds = self.speeds.add(percent, None)
            return
        self.speeds = self.speeds.add(percent, self._axis(rpm, percent))
        if self.running_percent is None or percent < self.running_percent:
            self.running_percent = percent

    def _at_highest(self) -> bool:
        return self.fan_percent >= self.hands.highest_percent - 0.05

    def _at_lowest(self) -> bool:
        """Whether the fans run as slowly as they can."""
        if self.fan_percent <= self.hands.lowest_percent + 0.05:
            return True
        standing, running = self.standing_percent, self.running_percent
        if standing is None or running is None:
            return False
        known = running - standing <= _STALL_RESOLUTION_PERCENT
        return known and self.fan_percent <= running + 0.05

    def _visit(self, percent: float, *, exploring: bool) -> Steps[_Verdict]:
        """Go to a fan duty, wait for it, and listen until there is something to decide."""
        hands = self.hands
        self.fan_percent = percent
        yield from hands.set_fans(percent)
        rpm = yield from hands.settle(_EXPLORING_CHANGE if exploring else SETTLED_CHANGE)
        self._note_speed(rpm)
        if rpm == 0:
            return "stopped-fan"
        predicted = self._predict(self._axis(rpm, percent))
        listener = SettingListener(self.known)
        self.settings.append(SettingLevel(1.0, hands.pump_percent, Estimate(0.0, 1.0)))
        reading: Estimate | None = None
        verdict: _Verdict | None = None
        while verdict is None:
            seconds = _FIRST_LISTEN_S if listener.heard_s == 0 else 1.0
            listener.add((yield from hands.take(seconds)), hands.fan_rpm())
            reading = listener.estimate()
            if reading is not None:
                self._record(listener, reading)
                verdict = self._judge(listener, predicted)
            elif listener.heard_s >= _LONGEST_LISTEN_S:
                verdict = "unsteady"
        if reading is None:
            self.settings.pop()
            self.warnings.append(
                f"At {percent:.1f} % not one usable second was heard in "
                f"{listener.heard_s:.0f} s; make the room quieter."
            )
            return verdict
        self._close(listener, reading)
        self._doubt_outliers()
        return verdict

    def _predict(self, axis: float) -> Estimate | None:
        """What should be read at a speed, from everything heard before."""
        if self.posterior is None or not self.settings:
            return None
        setting = SettingLevel(axis, self.hands.pump_percent, Estimate(0.0, 1.0))
        return self._reading_at(self.posterior, setting)

    @staticmethod
    def _reading_at(posterior: NoisePosterior, setting: SettingLevel) -> Estimate:
        """What should be read at a setting, floor included."""
        floor = posterior.floor
        if setting.rpm <= 0:
            return floor
        mean, sd = posterior.cooler_over_speed(np.array([setting.rpm]), setting.pump_key)
        read = energy_sum_db([mean[0], floor.mean_db])
        share = 10.0 ** ((mean[0] - read) / 10.0)
        return Estimate(read, float(np.hypot(share * sd[0], (1.0 - share) * floor.sd_db)))

    def _judge(self, listener: SettingListener, predicted: Estimate | None) -> _Verdict | None:
        """Decide whether enough was heard at this setting, and what follows."""
        target, tolerance = self.request.target_db, self.request.tolerance_db
        heard_s = listener.heard_s
        level = self._level(-1)
        offset = level.mean_db - target
        reading = self.settings[-1].reading
        crowded = listener.rejected_s > 0.4 * heard_s
        surprising = predicted is not None and (
            reading.mean_db - predicted.mean_db > 2.5 * np.hypot(predicted.sd_db, reading.sd_db)
        )
        wait_s = 12.0 if crowded else 9.0 if surprising else _FIRST_LISTEN_S
        sure = probability_within(level, target, tolerance) >= _SURE
        if sure and not crowded and heard_s >= max(_SHORTEST_MATCH_S, wait_s):
            return "matched"
        outside = abs(offset) - tolerance > _ONE_SIDED_SPREADS * level.sd_db
        if heard_s >= wait_s:
            if self._at_highest() and offset < 0:
                if outside and heard_s >= _SHORTEST_MATCH_S:
                    return "quiet"
            elif self._at_lowest() and offset > 0:
                if outside and heard_s >= _SHORTEST_MATCH_S:
                    return "loud"
            elif self._worth_moving(offset, level.sd_db, tolerance):
                return "move"
        if heard_s < _LONGEST_LISTEN_S:
            return None
        return self._last_word(level)

    @staticmethod
    def _worth_moving(offset_db: float, sd_db: float, tolerance_db: float) -> bool:
        """Whether another speed promises more than another second here."""
        far = abs(offset_db) > max(1.0, 3.0 * sd_db)
        clearly_off = abs(offset_db) > max(0.43 * tolerance_db, 1.3 * sd_db)
        return far or clearly_off

    def _last_word(self, level: Estimate) -> _Verdict:
        """Decide after a minute: the more probable side, with its wide interval."""
        target, tolerance = self.request.target_db, self.request.tolerance_db
        if probability_within(level, target, tolerance) >= 0.5:
            self.warnings.append(
                f"The level hunts: after {_LONGEST_LISTEN_S:.0f} s it is only known to "
                f"+-{1.96 * level.sd_db:.2f} dB."
            )
            return "matched"
        if self._at_highest() and level.mean_db < target:
            return "quiet"
        if self._at_lowest() and level.mean_db > target:
            return "loud"
        return "unsteady"

    # Moving on

    def _next_percent(self) -> float:
        """Fan duty most likely to hit the target."""
        hands, target = self.hands, self.request.target_db
        lowest, highest = hands.lowest_percent, hands.highest_percent
        slowest = max(self.speeds.rpm_at(lowest), 0.2 * self.speeds.last_rpm)
        fastest = max(self.speeds.rpm_at(highest), 1.02 * slowest)
        rpm = np.geomspace(slowest, fastest, 240)
        curve = self._over_speed(rpm)
        level = curve.cooler_db
        if self.request.applies_to == "reading":
            assert self.posterior is not None  # noqa: S101 - a setting was heard
            floor = 10.0 ** (self.posterior.floor.mean_db / 10.0)
            level = 10.0 * np.log10(10.0 ** (level / 10.0) + floor)
        wanted = most_probable_speed(rpm, level, curve.sd_db, target, self.request.tolerance_db)
        percent = self.speeds.duty_for(wanted)
        if abs(percent - self.fan_percent) < 0.15:
            percent = self.fan_percent + np.copysign(0.15, target - self._level(-1).mean_db)
        return round(float(min(max(percent, lowest), highest)), 2)

    def _find_lowest_running(self) -> Steps[None]:
        """Close in on the lowest duty at which the fans turn, by tachometer alone."""
        hands = self.hands
        while (
            self.standing_percent is not None
            and self.running_percent is not None
            and self.running_percent - self.standing_percent > _STALL_RESOLUTION_PERCENT
        ):
            middle = round(0.5 * (self.running_percent + self.standing_percent), 2)
            yield Remark(f"looking for the slowest speed the fans hold, trying {middle:g} % duty")
            # A stopped fan needs a push to start again: come from a duty where it runs.
            push = min(self.running_percent + 10.0, hands.highest_percent)
            yield from hands.set_fans(push)
            yield from hands.settle(_EXPLORING_CHANGE)
            self.speeds = self.speeds.add(push, None)
            self.fan_percent = middle
            yield from hands.set_fans(middle)
            self._note_speed((yield from hands.settle(_EXPLORING_CHANGE)))

    def _clear_of_standing(self, percent: float) -> Steps[float]:
        """Keep a wanted duty away from where the fans stand still."""
        standing, running = self.standing_percent, self.running_percent
        if standing is None or percent > standing:
            return percent
        if running is None:
            return self.hands.highest_percent
        if running - standing > _STALL_RESOLUTION_PERCENT:
            middle = 0.5 * (running + standing)
            if percent > standing - 5.0:
                return round(middle, 2)
            yield from self._find_lowest_running()
            running = self.running_percent
            assert running is not None  # noqa: S101 - it only ever falls
        return running

    def _pump_helps(self, verdict: _Verdict) -> bool:
        """Move the pump when the fans are at their limit; tell whether there was room."""
        hands = self.hands
        if not hands.pumps or self.request.pump != "automatic":
            return False
        low, high = hands.pump_limits
        wanted = high if verdict == "quiet" else low
        if abs(hands.pump_percent - wanted) < 0.05:
            return False
        hands.pump_percent = wanted
        return True

    # The procedure

    def run(self) -> Steps[MatchResult]:
        """Run the whole match."""
        floor = self.request.floor
        close = floor is not None and floor.level_db > self._floor_limit_db
        if close and self.request.applies_to == "cooler":
            return self._finish("floor-too-high")
        try:
            return (yield from self._procedure())
        except RunStopped as stop:
            return self._finish("stopped", str(stop))

    def _procedure(self) -> Steps[MatchResult]:
        """Visit settings until one is sure, or none can be."""
        hands = self.hands
        if self.request.floor is None:
            yield from self._listen_for_floor()
        percent = min(max(_START_PERCENT, hands.lowest_percent), hands.highest_percent)
        exploring = True
        for _ in range(_MAX_SETTINGS):
            verdict = yield from self._visit(percent, exploring=exploring)
            if self._floor_too_high():
                return self._finish("floor-too-high")
            if verdict == "stopped-fan":
                if self.running_percent is None and self._at_highest():
                    return self._finish(
                        "stopped", "The fans stand still at full duty; check their cables."
                    )
                percent = yield from self._clear_of_standing(percent)
                continue
            if verdict == "matched":
                yield from self._check_floor_again()
                too_close = self._level(-1).mean_db - self._floor().mean_db < MARGIN_REFUSED_DB
                if too_close and self.request.applies_to == "cooler":
                    return self._finish("floor-too-high")
                return self._finish("matched")
            if verdict in ("quiet", "loud") and self._pump_helps(verdict):
                yield Remark(
                    f"the fans alone cannot do it; the pump goes to {hands.pump_percent:g} %"
                )
                continue
            if verdict == "quiet":
                return self._finish("quieter-at-full-speed")
            if verdict == "loud":
                return self._finish("louder-at-minimum")
            if verdict == "unsteady":
                return self._finish("unsteady")
            before = self.fan_percent
            percent = yield from self._clear_of_standing(self._next_percent())
            exploring = abs(percent - before) > 6.0 and self.speeds.settled_count < 3
            yield Remark(self._progress(percent))
        return self._finish("unsteady")

    def _check_floor_again(self) -> Steps[None]:
        """Hear the floor once more when it weighs much in the result."""
        if self.request.applies_to == "reading":
            return
        level = self._level(-1)
        if level.mean_db - self._floor().mean_db >= _MARGIN_RECHECKED_DB:
            return
        matched_percent, settings, visited = (
            self.fan_percent,
            self.settings[-1],
            self.visited[-1],
        )
        yield from self._listen_for_floor()
        # The matched setting stays the last one: it is the one that is given.
        self.settings.append(settings)
        self.visited.append(visited)
        self.posterior = fit_noise(self.settings, self.priors)
        self.fan_percent = matched_percent
        yield from self.hands.set_fans(matched_percent)
        yield from self.hands.settle(SETTLED_CHANGE)

    def _floor(self) -> Estimate:
        return self.priors.floor if self.posterior is None else self.posterior.floor

    def _progress(self, next_percent: float) -> str:
        """One sentence on what was heard and where it goes next."""
        level = self._level(-1)
        offset = level.mean_db - self.request.target_db
        axis = self.settings[-1].rpm
        return (
            f"at {axis:.0f} rpm: {level.mean_db:.1f} +-{1.96 * level.sd_db:.1f} dB, "
            f"{abs(offset):.1f} dB {'over' if offset > 0 else 'short'}, "
            f"going to {next_percent:.1f} % duty"
        )

    def _finish(self, outcome: MatchOutcome, why: str | None = None) -> MatchResult:
        """Put the result together."""
        heard = bool(self.visited) and self.posterior is not None
        level = self._level(-1) if heard else None
        floor = self._floor()
        curve = None
        if heard:
            speeds = np.array([setting.rpm for setting in self.settings if setting.rpm > 0])
            if speeds.size:
                span = np.geomspace(0.75 * speeds.min(), 1.2 * speeds.max(), 120)
                curve = self._over_speed(span)
        if level is not None and level.mean_db - floor.mean_db < MARGIN_WARNED_DB:
            self.warnings.append(
                f"The cooler stands only {level.mean_db - floor.mean_db:.1f} dB over the floor; "
                "a quieter room makes the result surer."
            )
        given = outcome not in ("floor-too-high", "stopped") and bool(self.visited)
        return MatchResult(
            outcome=outcome,
            why=why or self._reason(outcome),
            actuators=self.visited[-1].actuators if given else None,
            level=level if given else None,
            as_read=self.visited[-1].reading if given else None,
            floor=floor,
            visited=tuple(self.visited),
            curve=curve,
            listened_s=round(self.hands.listened_s, 1),
            bench_s=round(self.hands.bench_s, 1),
            warnings=tuple(self.warnings),
        )

    def _reason(self, outcome: MatchOutcome) -> str:
        """Say in one sentence why a match ended as it did."""
        target, tolerance = self.request.target_db, self.request.tolerance_db
        goal = f"{target:g} +-{tolerance:g} dB(A)"
        floor = self._floor().mean_db
        sentences: dict[MatchOutcome, str] = {
            "matched": f"The level is within {goal} with at least {_SURE:.0%} probability.",
            "quieter-at-full-speed": f"Even at full speed the cooler stays below {goal}.",
            "louder-at-minimum": f"Even at the lowest speeds the cooler stays above {goal}.",
            "floor-too-high": (
                f"The room reads {floor:.1f} dB(A), less than {MARGIN_REFUSED_DB:g} dB below the "
                f"target of {target:g} dB(A); make the room quieter or raise the target."
            ),
            "unsteady": f"The level did not hold still long enough to be within {goal} for sure.",
            "stopped": "The run was stopped.",
        }
        return sentences[outcome]


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
