"""Ways to bring a cooler on a level bench to a target: the product's loop, and what it is held to.

Each strategy takes a fresh bench and what is asked, works the bench to its end, and returns an
`Attempt`. `halving` and `straight_lines` are what a patient person does by hand; they are given
the floor for nothing. `knowing` is a bound: nothing that has to listen can be quicker.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from closed_loop.level_bench import LOWEST_PUMP_PERCENT, LevelBench
from scipy.optimize import brentq

from acoustic.intrusions import find_intrusions
from calibration.matching import match
from calibration.results import FloorReading, MatchRequest
from calibration.steps import Heard, Listen, SetDuty

BLOCK_INTERVALS = 10
LISTEN_S = 10.0
FIXED_SETTLE_S = 3.0
MOST_SETTINGS = 16
USUAL_PUMP_PERCENT = 80.0
SAME_PERCENT = 0.05
"""Duties closer than this are one setting, and a bracket this narrow is given up."""
FLOOR_U95_DB = 0.3
"""Half-width of a floor measured beforehand."""


@dataclass(frozen=True, slots=True)
class Task:
    """What is asked of a strategy."""

    target_db: float
    tolerance_db: float
    floor_known: bool = False
    """Whether the product's loop is told the floor, as after half a minute of listening to it."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """What came of one strategy on one cooler."""

    outcome: str
    settings: int
    bench_s: float
    true_db: float
    """True level of the cooler at the settings it ended with, once everything has settled."""
    stated_db: float
    stated_sd_db: float
    thinking_s: tuple[tuple[float, int], ...] = ()
    """Computing time after each stretch of sound, and how many readings that had."""


class Reading(NamedTuple):
    """Level of the cooler alone at one duty."""

    percent: float
    level_db: float
    sd_db: float


def first_floor(bench: LevelBench) -> FloorReading:
    """Measure the floor of a bench just before a match, with the error such a measurement has."""
    error_db = FLOOR_U95_DB / 1.96 * bench.rng.spawn(1)[0].standard_normal()
    swing_db = bench.traits.floor_wander_db * np.sin(bench.floor_phase)
    return FloorReading(bench.traits.floor_db + swing_db + error_db, FLOOR_U95_DB)


# The product


def product(bench: LevelBench, task: Task) -> Attempt:
    """Run the product's loop, and time what it does between one sound and the next step."""
    floor = first_floor(bench) if task.floor_known else None
    loop = match(MatchRequest(task.target_db, task.tolerance_db, floor=floor), bench.description())
    answer, thinking = None, []
    while True:
        begun = time.process_time()
        try:
            step = loop.send(answer)
        except StopIteration as end:
            result = end.value
            break
        finally:
            if isinstance(answer, Heard):
                thinking.append((time.process_time() - begun, answer.levels_db.size))
        answer = bench.answer(step)
    level = result.level
    return Attempt(
        outcome=result.outcome,
        settings=result.settings_visited,
        bench_s=bench.time_s,
        true_db=bench.true_level_db() if bench.running else -np.inf,
        stated_db=np.nan if level is None else level.mean_db,
        stated_sd_db=np.nan if level is None else level.sd_db,
        thinking_s=tuple(thinking),
    )


# By hand


class _Hands:
    """A person at the bench who knows the floor."""

    def __init__(self, bench: LevelBench, task: Task, *, gated: bool, settled: bool) -> None:
        self.bench = bench
        self.task = task
        self.gated = gated
        self.settled = settled
        self.pump_percent = USUAL_PUMP_PERCENT
        self.visited: list[Reading] = []

    def go(self, percent: float) -> bool:
        """Set a fan duty and wait; tell whether the fan turns."""
        duties = {"fan": percent}
        if "pump" in self.bench.duty:
            duties["pump"] = self.pump_percent
        self.bench.answer(SetDuty(duties))
        if not self.settled:
            self.bench.answer(Listen(FIXED_SETTLE_S))
        else:
            seen: list[float] = []
            while len(seen) < 4 or np.ptp(seen[-5:]) > 0.004 * max(seen[-5:]):
                seen.append(self.bench.answer(Listen(0.5)).state.actuators["fan"].rpm)
                if len(seen) == 30:
                    break
        return self.bench.state().actuators["fan"].rpm > 0

    def listen(self, percent: float) -> Reading:
        """Listen for ten seconds, take the floor out, and trust the scatter of the seconds."""
        levels = self.bench.answer(Listen(LISTEN_S)).levels_db
        usable = np.ones(levels.size, dtype=bool)
        if self.gated:
            usable = ~find_intrusions(levels)
            usable = usable if usable.any() else ~usable
        energy = 10.0 ** (levels / 10.0)
        rows, good = energy.reshape(-1, BLOCK_INTERVALS), usable.reshape(-1, BLOCK_INTERVALS)
        whole = good.sum(1) >= BLOCK_INTERVALS // 2
        blocks_db = 10.0 * np.log10((rows * good).sum(1)[whole] / good.sum(1)[whole])
        read = energy[usable].mean()
        floor = 10.0 ** (self.bench.traits.floor_db / 10.0)
        alone = max(read - floor, 0.1 * floor)
        sd = blocks_db.std(ddof=1) / np.sqrt(blocks_db.size) if blocks_db.size > 1 else 1.0
        self.visited.append(Reading(percent, 10.0 * np.log10(alone), sd * read / alone))
        return self.visited[-1]

    def end(self, outcome: str) -> Attempt:
        """Leave the bench as it is."""
        last = self.visited[-1]
        return Attempt(
            outcome=outcome,
            settings=len(self.visited),
            bench_s=self.bench.time_s,
            true_db=self.bench.true_level_db() if self.bench.running else -np.inf,
            stated_db=last.level_db,
            stated_sd_db=last.sd_db,
        )

    def move_pump(self, percent: float) -> bool:
        """Move the pump where the fan alone cannot do it; tell whether there was one to move."""
        moved = "pump" in self.bench.duty and self.pump_percent == USUAL_PUMP_PERCENT
        self.pump_percent = percent if moved else self.pump_percent
        return moved


class _Bracket:
    """Duties between which the target lies, as far as was heard; the ends are the bench's."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high
        self.below: Reading | None = None
        self.above: Reading | None = None

    @property
    def spent(self) -> bool:
        """Whether nothing is left between its ends."""
        return self.high - self.low <= SAME_PERCENT

    @property
    def middle(self) -> float:
        """Duty halfway."""
        return 0.5 * (self.low + self.high)

    def note(self, reading: Reading, target_db: float) -> None:
        """Narrow it down by what was heard."""
        if reading.level_db < target_db:
            self.low, self.below = reading.percent, reading
        else:
            self.high, self.above = reading.percent, reading


def _search(hands: _Hands, first: float, choose: Callable[[_Bracket, Reading], float]) -> Attempt:
    """Narrow a bracket down to the target, one duty after the other."""
    target_db, tolerance_db = hands.task.target_db, hands.task.tolerance_db
    limits = hands.bench.description().actuators["fan"]
    bracket = _Bracket(limits.min_duty_percent, limits.max_duty_percent)
    percent = first
    for _ in range(2 * MOST_SETTINGS):
        if not hands.go(percent):
            # A standing fan is not a quiet one: the way on is up, with a push to start it.
            bracket.low, bracket.below = percent, None
            hands.go(limits.max_duty_percent)
            percent = bracket.high if bracket.spent else bracket.middle
            continue
        heard = hands.listen(percent)
        if abs(heard.level_db - target_db) <= tolerance_db:
            return hands.end("matched")
        bracket.note(heard, target_db)
        if bracket.spent or len(hands.visited) >= MOST_SETTINGS:
            if bracket.above is None:
                outcome, pump_percent = "quieter-at-full-speed", 100.0
            elif bracket.below is None:
                outcome, pump_percent = "louder-at-minimum", LOWEST_PUMP_PERCENT
            else:
                return hands.end("matched")
            if len(hands.visited) >= MOST_SETTINGS or not hands.move_pump(pump_percent):
                return hands.end(outcome)
            bracket = _Bracket(limits.min_duty_percent, limits.max_duty_percent)
            percent = first
            continue
        percent = choose(bracket, heard)
    return hands.end("unsteady")


def halving(bench: LevelBench, task: Task, *, settled: bool) -> Attempt:
    """Halve the range of duties: ten seconds at each, whatever intrudes."""
    hands = _Hands(bench, task, gated=False, settled=settled)
    return _search(hands, 50.0, lambda bracket, _: bracket.middle)


def straight_lines(bench: LevelBench, task: Task) -> Attempt:
    """Draw the line through the nearest settings on both sides: ten seconds each, gated.

    Until both sides are known it assumes 55 dB per decade of duty.
    """

    def choose(bracket: _Bracket, heard: Reading) -> float:
        """Return the duty where the line crosses the target."""
        below, above = bracket.below, bracket.above
        if below is None or above is None or above.level_db - below.level_db < 0.1:
            percent = heard.percent * 10.0 ** ((task.target_db - heard.level_db) / 55.0)
        else:
            share = (task.target_db - below.level_db) / (above.level_db - below.level_db)
            percent = below.percent + share * (above.percent - below.percent)
        # An end that was not heard yet may be the answer; one that was heard is not.
        low = bracket.low if below is None else bracket.low + 0.5 * SAME_PERCENT
        high = bracket.high if above is None else bracket.high - 0.5 * SAME_PERCENT
        return float(np.clip(percent, low, high))

    return _search(_Hands(bench, task, gated=True, settled=True), 68.0, choose)


# The bound


def _mean_variance_db2(bench: LevelBench, seconds: float, target_db: float) -> float:
    """Variance of the cooler's mean level over a listening without intrusions."""
    t = bench.traits
    ratio = seconds / t.hunting_tau_s
    hunting = 2.0 * t.hunting_sd_db**2 / ratio * (1.0 - (1.0 - np.exp(-ratio)) / ratio)
    magnified = 1.0 + 10.0 ** ((t.floor_db - target_db) / 10.0)
    return hunting + 0.1 * (t.white_sd_db * magnified) ** 2 / seconds


def least_listening_s(bench: LevelBench, task: Task) -> float:
    """Seconds until a mean level is known to the tolerance with 95 % probability."""
    wanted = (task.tolerance_db / 1.96) ** 2

    def excess(log_seconds: float) -> float:
        """Tell how far a listening is from enough."""
        return _mean_variance_db2(bench, np.exp(log_seconds), task.target_db) - wanted

    return float(np.exp(brentq(excess, np.log(1e-3), np.log(1e5))))


def right_percent(bench: LevelBench, target_db: float) -> float | None:
    """Fan duty that makes the target with the pump as usual, else at an end; None without one."""
    pumps = (USUAL_PUMP_PERCENT, 100.0, LOWEST_PUMP_PERCENT) if "pump" in bench.duty else (0.0,)
    duties = np.linspace(bench.slowest_percent, 100.0, 200)
    for pump in pumps:
        offsets = np.array([bench.level_at_db(duty, pump) - target_db for duty in duties])
        crossings = np.flatnonzero(offsets[:-1] * offsets[1:] <= 0)
        if crossings.size:
            here = crossings[0]
            step = duties[here + 1] - duties[here]
            return float(duties[here] + step * offsets[here] / (offsets[here] - offsets[here + 1]))
    return None


def knowing(bench: LevelBench, task: Task) -> Attempt:
    """Go straight to the right speed, let the rotor come to it, and listen as long as it takes."""
    percent = right_percent(bench, task.target_db)
    own_percent = bench.duty["fan"]
    if percent is None:
        return Attempt("unreachable", 0, 0.0, np.nan, np.nan, np.nan)
    goal, start = bench.rpm_at(percent), bench.rpm_at(own_percent)
    settle_s = bench.traits.tau_s * np.log(max(abs(goal - start) / (0.004 * goal), 1.0))
    return Attempt(
        outcome="matched",
        settings=1,
        bench_s=float(settle_s + least_listening_s(bench, task)),
        true_db=task.target_db,
        stated_db=task.target_db,
        stated_sd_db=task.tolerance_db / 1.96,
    )


STRATEGIES: dict[str, Callable[[LevelBench, Task], Attempt]] = {
    "product": product,
    "bisection": partial(halving, settled=False),
    "bisection-settled": partial(halving, settled=True),
    "regula-falsi": straight_lines,
    "bound": knowing,
}
"""By the name they are asked for and printed with; the first is what all this is about."""
