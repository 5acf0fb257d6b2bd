"""Curves of fan and pump speed over liquid coolers whose true levels are known.

`curve_trial` lets one random liquid cooler be matched at several pump duties, once as a curve and
once as so many separate matches, each on a bench of its own. All else here is counting.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from closed_loop.level_bench import LevelBench, random_traits
from closed_loop.population_report import CLEARLY_DB
from closed_loop.strategies import Task, first_floor

from calibration.matching import match
from calibration.pump_curve import curve_duties, match_curve
from calibration.results import MatchRequest, MatchResult
from calibration.steps import SetDuty

WAYS = ("curve", "separate")
"""All pairs in one go; a match of its own for each."""
POINTS = 5
KIND = 7
"""Tells these coolers from those of the population with the same seed and number."""


@dataclass(frozen=True, slots=True)
class Pair:
    """What came of one pump duty."""

    reachable: bool
    outcome: str
    true_db: float
    """True level at the speeds it ended with, once everything has settled."""
    stated_db: float
    stated_sd_db: float
    settings: int


@dataclass(frozen=True, slots=True)
class Curve:
    """What came of all pump duties of one cooler."""

    pairs: tuple[Pair, ...]
    bench_s: float

    @property
    def reachable(self) -> bool:
        """Whether the target can be made at every pump duty."""
        return all(pair.reachable for pair in self.pairs)


def run_noting_levels(loop, bench: LevelBench, true_db: dict[float, float]):
    """Drive a loop to its end, and note the true level that it leaves each pump duty with."""
    answer = None
    while True:
        try:
            step = loop.send(answer)
        except StopIteration as end:
            true_db[bench.duty["pump"]] = bench.true_level_db() if bench.running else -np.inf
            return end.value
        if isinstance(step, SetDuty):
            true_db[bench.duty["pump"]] = bench.true_level_db() if bench.running else -np.inf
        answer = bench.answer(step)


def reachable_at(bench: LevelBench, pump_percent: float, target_db: float) -> bool:
    """Tell whether the fans can make a target with the pump at a duty, and to spare."""
    return (
        bench.level_at_db(bench.slowest_percent, pump_percent) <= target_db - CLEARLY_DB
        and bench.level_at_db(100.0, pump_percent) >= target_db + CLEARLY_DB
    )


def _matched(way: str, bench: LevelBench, task: Task, true_db) -> list[tuple[float, MatchResult]]:
    """Match every pump duty one way."""
    request = MatchRequest(
        task.target_db, task.tolerance_db, floor=first_floor(bench) if task.floor_known else None
    )
    described = bench.description()
    duties = curve_duties(described, POINTS)
    if way == "curve":
        curve = run_noting_levels(match_curve(request, described, duties), bench, true_db)
        return [(point.pump_percent, point.result) for point in curve.points]
    found = []
    for duty in duties:
        asked = replace(request, pump="fixed", pump_duty_percent=duty)
        found.append((duty, run_noting_levels(match(asked, described), bench, true_db)))
    return found


def curve_trial(number: int, seed: int, task: Task) -> dict[str, Curve]:
    """Draw one liquid cooler and find its curve both ways."""
    curves = {}
    for way in WAYS:
        rng = np.random.default_rng([seed, KIND, number])
        bench = LevelBench(random_traits(rng, pump=True), rng)
        true_db: dict[float, float] = {}
        pairs = [
            Pair(
                reachable=reachable_at(bench, duty, task.target_db),
                outcome=result.outcome,
                true_db=true_db[duty],
                stated_db=np.nan if result.level is None else result.level.mean_db,
                stated_sd_db=np.nan if result.level is None else result.level.sd_db,
                settings=result.settings_visited,
            )
            for duty, result in _matched(way, bench, task, true_db)
        ]
        curves[way] = Curve(tuple(pairs), bench.time_s)
    return curves


def _rows(curves: Sequence[Curve], target_db: float, tolerance_db: float) -> dict[str, str]:
    """Figures of one way."""
    whole = [curve for curve in curves if curve.reachable]
    pairs = [pair for curve in curves for pair in curve.pairs]
    matched = [pair for pair in pairs if pair.outcome == "matched"]
    off = np.array([pair.true_db - target_db for pair in matched])
    misstated = np.array([pair.stated_db - pair.true_db for pair in matched])
    sd = np.array([pair.stated_sd_db for pair in matched])
    settings = [sum(pair.settings for pair in curve.pairs) for curve in whole]
    missed = [pair for pair in pairs if pair.reachable and pair.outcome != "matched"]

    def figures(values: Sequence[float]) -> str:
        """Median, 95th percentile and mean."""
        median, most = np.percentile(values, [50, 95])
        return f"{median:.0f}/{most:.0f}/{np.mean(values):.1f}"

    return {
        "settings a curve, median/p95/mean": figures(settings),
        "bench s a curve, median/p95/mean": figures([curve.bench_s for curve in whole]),
        "pairs matched": f"{len(matched)} of {len(pairs)}",
        "... truly within the tolerance": f"{np.mean(np.abs(off) <= tolerance_db):.3f}",
        "... and within 0.5 dB": f"{np.mean(np.abs(off) <= 0.5):.3f}",
        "stated intervals hold": f"{np.mean(np.abs(misstated) <= 1.96 * sd):.3f}",
        "reachable pairs not matched": str(len(missed)),
    }


def curve_table(trials: Sequence[dict[str, Curve]], task: Task) -> Iterator[str]:
    """Print both ways beside one another, and how the curve's pairs end."""
    tables = {
        way: _rows([one[way] for one in trials], task.target_db, task.tolerance_db) for way in WAYS
    }
    whole = sum(one["curve"].reachable for one in trials)
    yield f"{len(trials)} liquid coolers, {whole} of which can make the target at every pump duty"
    yield ""
    yield " " * 35 + "".join(f"{way:>22}" for way in WAYS)
    for row in tables["curve"]:
        yield f"{row:35}" + "".join(f"{tables[way][row]:>22}" for way in WAYS)
    ends = sorted((pair.outcome, pair.reachable) for one in trials for pair in one["curve"].pairs)
    yield ""
    yield "pairs end: " + ", ".join(
        f"{count} {outcome}{'' if reachable else ' (out of reach or nearly)'}"
        for (outcome, reachable), count in Counter(ends).items()
    )
