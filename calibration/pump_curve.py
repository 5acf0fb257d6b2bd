"""The pairs of fan and pump speed at which a liquid cooler makes one level.

The same noise can be had with a slow pump and quick fans or the other way round, and only a thermal
run tells which pair is coldest. `match_curve` finds the fans' speed at each of some pump duties,
one match after the other on the same bench, and each is listened to until it is sure. What was
heard of the fans, the pump, the room and the rotors serves all that follow, so that a further pair
costs little more than one listening.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from acoustic.errors import InputError
from calibration.bench_hands import BenchHands, Steps
from calibration.bench_state import BenchDescription
from calibration.fan_noise import Estimate
from calibration.learned import NOTHING_LEARNED, Learned, LearnedSetting
from calibration.matching import CoolerMatch
from calibration.results import (
    FLOOR_WANDER_DB,
    FloorReading,
    MatchOutcome,
    MatchRequest,
    MatchResult,
)
from calibration.steps import Remark
from calibration.verdict import ONE_SIDED_SPREADS

__all__ = ["USUAL_PUMP_PERCENT", "CurvePoint", "CurveResult", "curve_duties", "match_curve"]

USUAL_PUMP_PERCENT: Final = 80.0
"""The pair nearest to this pump duty stands for the cooler where one is wanted."""
_UNKNOWN_SD_DB: Final = 100.0
"""Of a level that nobody listened to."""
_NEAR_RATIO: Final = 1.05
"""Ratio of speeds over which the rise of the level is taken."""
_HARDLY_TURNING: Final = 1.0
"""Speed of a fan that adds nothing to its pump."""


@dataclass(frozen=True, slots=True, eq=False)
class CurvePoint:
    """One pair of speeds."""

    request: MatchRequest
    """What was asked of its match; its pump is fixed."""
    result: MatchResult
    """How that ended: its time and its settings are those of this pair alone."""

    @property
    def pump_percent(self) -> float:
        """Duty that the pump was held at."""
        return self.request.pump_duty_percent or 0.0

    def speed_U95(self, speed: float) -> float | None:
        """Half-width of the 95 % interval of the fan speed that makes this level.

        Parameters
        ----------
        speed : float
            Fan speed in rpm, or the duty in its place, at which the level was heard.

        Returns
        -------
        float or None
            In the same unit: the level's interval over its rise with speed there. None where there
            is no level, or it does not rise.
        """
        level, curve = self.result.level, self.result.curve
        if level is None or curve is None:
            return None
        around = speed * np.array([1.0 / _NEAR_RATIO, _NEAR_RATIO])
        below_db, above_db = np.interp(around, curve.rpm, curve.cooler_db)
        rise = float(above_db - below_db) / float(around[1] - around[0])
        return 1.96 * level.sd_db / rise if rise > 0.0 else None


@dataclass(frozen=True, slots=True, eq=False)
class CurveResult:
    """Every pair that was tried: one at least."""

    points: tuple[CurvePoint, ...]
    """In rising order of the pump's duty."""
    learned: Learned
    """What a later run on the same cooler can start from."""

    @property
    def given(self) -> CurvePoint:
        """The pair that stands for the cooler.

        The matched one nearest to the usual pump duty; without a matched one, the nearest. What
        ended the run before all pairs were tried stands before any.
        """
        matched = [point for point in self.points if point.result.outcome == "matched"]
        last_word = [point for point in self.points if _ends_run(point.result)]
        return min(
            last_word or matched or self.points,
            key=lambda point: abs(point.pump_percent - USUAL_PUMP_PERCENT),
        )

    @property
    def as_match(self) -> MatchResult:
        """The pair that is given, with everything that was learned."""
        return replace(self.given.result, learned=self.learned)


def _ends_run(result: MatchResult) -> bool:
    """Whether what ended one pair stands in the way of all others."""
    return result.outcome in ("stopped", "floor-too-high")


def curve_duties(bench: BenchDescription, count: int) -> tuple[float, ...]:
    """Spread pump duties evenly over what the bench's pumps take.

    Parameters
    ----------
    bench : BenchDescription
        What can be set, and its limits.
    count : int
        How many, at least two.

    Returns
    -------
    tuple of float
        Duties in per cent, rising, both limits among them.

    Raises
    ------
    InputError
        If the bench has no pump, or less than two are asked for.
    """
    if count < 2:
        raise InputError(f"A curve has at least two pairs of speeds, not {count}.")
    low, high = _pump_limits(bench)
    return (low, *(round(float(p), 1) for p in np.linspace(low, high, count)[1:-1]), high)


def _pump_limits(bench: BenchDescription) -> tuple[float, float]:
    """Lowest and highest duty of the pumps."""
    if not any(actuator.role == "pump" for actuator in bench.actuators.values()):
        raise InputError(
            f"The bench {bench.bench} has no pump, so there are no pairs of fan and pump speed to "
            "find; match it without a curve."
        )
    return BenchHands(bench, MatchRequest(target_db=0.0, tolerance_db=1.0)).pump_limits


def _in_order(pump_percents: Sequence[float], bench: BenchDescription) -> list[float]:
    """Check the duties and bring them into the order that teaches most."""
    low, high = _pump_limits(bench)
    rising = sorted(set(pump_percents))
    if len(rising) < 2:
        raise InputError("A curve needs at least two different pump duties.")
    outside = [percent for percent in rising if not low <= percent <= high]
    if outside:
        raise InputError(
            f"The pump on bench {bench.bench} takes {low:g} to {high:g} %, "
            f"not {outside[0]:g} %; choose duties in that range."
        )
    # At the slowest pump the room is heard best, and at the quickest one the pump. What lies
    # between follows from both, downwards, so that the fans always come from the same side.
    return [rising[0], *reversed(rising[1:])]


class _PairMatch(CoolerMatch):
    """The match of one pair, which goes on where the one before it left the bench."""

    def __init__(
        self,
        request: MatchRequest,
        bench: BenchDescription,
        learned: Learned,
        before: "_PairMatch | None",
    ) -> None:
        super().__init__(request, bench, learned)
        if before is not None:
            # The play of the fans, the steps of their tachometer and the duty that is set would
            # otherwise have to be found out again.
            pump_percent = self.hands.pump_percent
            self.hands, self.moves = before.hands, before.moves
            self.hands.pump_percent = pump_percent
            self.hands.bench_s = self.hands.listened_s = 0.0

    def _procedure(self) -> Steps[tuple[MatchOutcome, str | None]]:
        """Say which pair it is about, and match it."""
        yield Remark(f"the pump is held at {self.hands.pump_percent:g} %")
        return (yield from super()._procedure())

    def floor_reading(self) -> FloorReading:
        """The room as it is believed to be now, for the next pair."""
        floor = self.evidence.floor
        sd_db = np.sqrt(max(floor.sd_db**2 - FLOOR_WANDER_DB**2, 0.0))
        bands_db = self.floor_bands_db
        return FloorReading(
            level_db=floor.mean_db,
            U95_db=1.96 * float(sd_db),
            bands_db=None if bands_db is None else tuple(float(level) for level in bands_db),
        )


def match_curve(
    request: MatchRequest,
    bench: BenchDescription,
    pump_percents: Sequence[float],
    learned: Learned = NOTHING_LEARNED,
    *,
    pair_done: Callable[[CurvePoint], None] = lambda _: None,
) -> Steps[CurveResult]:
    """Find the fan speed that makes the target at each of some pump duties.

    Parameters
    ----------
    request : MatchRequest
        Target, tolerance and floor; what it says of the pump is not asked.
    bench : BenchDescription
        What can be set, and its limits.
    pump_percents : sequence of float
        Pump duties in any order, at least two different ones.
    learned : Learned, optional
        What is known of this cooler on this bench from earlier.
    pair_done : callable, optional
        Given each pair when it is done, while the bench still runs so.

    Returns
    -------
    generator of Step, returning CurveResult
        Send each step's answer, as for a single match. A pair that cannot be had, as where the
        pump alone is too loud, says so and the others go on; a stop for safety or a room that is
        too loud ends the run.

    Raises
    ------
    InputError
        At the first step, if the bench has no fan or no pump, or the duties do not fit it.
    """
    points: list[CurvePoint] = []
    # What was heard on another day leads to the first pair; then today's own says it better.
    heard = learned.settings if learned.offset_sd_db == 0.0 else ()
    before: _PairMatch | None = None
    for pump_percent in _in_order(pump_percents, bench):
        asked = replace(request, pump="fixed", pump_duty_percent=pump_percent)
        known = learned
        if before is not None:
            known = replace(learned, settings=_with_this_pump(heard, pump_percent))
        pair = _PairMatch(asked, bench, known, before)
        result = yield from pair.run()
        heard += result.learned.settings[len(known.settings) :]
        learned = replace(result.learned, settings=heard, offset_sd_db=0.0)
        points.append(CurvePoint(asked, _named(replace(result, learned=learned), pump_percent)))
        pair_done(points[-1])
        if _ends_run(result):
            break
        if request.floor is None:
            request = replace(request, floor=pair.floor_reading())
        before = pair
    points.sort(key=lambda point: point.pump_percent)
    return CurveResult(tuple(points), learned)


def _with_this_pump(
    heard: tuple[LearnedSetting, ...], pump_percent: float
) -> tuple[LearnedSetting, ...]:
    """Add the fans as they turn now with a pump that nobody listened to yet.

    The level there is left open as far as can be: so all that was heard of the pump at other
    duties says what it is, and with it which way the fans have to go.
    """
    if not heard or heard[-1].pump_percent == pump_percent:
        return heard
    last = heard[-1]
    unheard = Estimate(last.level.mean_db, _UNKNOWN_SD_DB)
    return (*heard, replace(last, pump_percent=pump_percent, level=unheard))


def _named(result: MatchResult, pump_percent: float) -> MatchResult:
    """Say of a pair that is too loud whether its pump is so alone."""
    if result.outcome != "louder-at-minimum" or result.posterior is None:
        return result
    level_db, sd_db = result.posterior.cooler_over_speed(np.array([_HARDLY_TURNING]), pump_percent)
    if level_db[0] - ONE_SIDED_SPREADS * sd_db[0] <= result.target_db:
        return result
    why = (
        f"At {pump_percent:g} % the pump alone makes {level_db[0]:.1f} dB(A), more than the target "
        f"of {result.target_db:.4g} dB(A)."
    )
    return replace(result, why=why)
