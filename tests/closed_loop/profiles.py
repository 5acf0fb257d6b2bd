"""Matches that start from the profile of an earlier day, beside those that start from nothing."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from closed_loop.level_bench import LevelBench, random_traits, run
from closed_loop.population_report import Reach, reach_of
from closed_loop.strategies import Task, first_floor

from calibration.learned import NOTHING_LEARNED, OTHER_DAY_SD_DB, Learned
from calibration.matching import match
from calibration.results import MatchRequest
from calibration.sweep_results import SweepRequest
from calibration.sweeping import sweep

MATCH_DAY = 1
"""Part of the seed of the noise on the day of the match."""


@dataclass(frozen=True, slots=True)
class DayMatch:
    """One match on the later day."""

    outcome: str
    settings: int
    bench_s: float
    miss_db: float
    """True level less the target."""
    covered: bool
    """Whether the stated 95 % interval holds the true level."""


@dataclass(frozen=True, slots=True)
class ProfileTrial:
    """One cooler: swept on one day, matched on another with and without its profile."""

    reach: Reach
    sweep_s: float
    with_profile: DayMatch
    without: DayMatch


def profile_trial(number: int, seed: int, task: Task) -> ProfileTrial:
    """Sweep one cooler; match it on another day, with other noise and a floor measured anew."""
    rng = np.random.default_rng([seed, number])
    traits = random_traits(rng)
    bench = LevelBench(traits, rng)
    swept = run(sweep(SweepRequest(floor=first_floor(bench)), bench.description()), bench)
    learned = replace(swept.learned, offset_sd_db=OTHER_DAY_SD_DB)

    def on_another_day(known: Learned) -> DayMatch:
        """Match it; both ways meet the same noise as far as they do the same."""
        later = LevelBench(traits, np.random.default_rng([seed, number, MATCH_DAY]))
        request = MatchRequest(task.target_db, task.tolerance_db, floor=first_floor(later))
        result = run(match(request, later.description(), known), later)
        true_db = later.true_level_db() if later.running else -np.inf
        level = result.level
        covered = level is not None and abs(true_db - level.mean_db) <= 1.96 * level.sd_db
        return DayMatch(
            result.outcome,
            result.settings_visited,
            later.time_s,
            true_db - task.target_db,
            bool(covered),
        )

    return ProfileTrial(
        reach_of(bench, task.target_db),
        swept.bench_s,
        on_another_day(learned),
        on_another_day(NOTHING_LEARNED),
    )


def profile_table(trials: Sequence[ProfileTrial], task: Task) -> Iterator[str]:
    """Print what a profile saves, over the coolers that can make the target."""
    reachable = [one for one in trials if one.reach == "reachable"]
    yield f"{len(reachable)} of {len(trials)} coolers can make the target"
    sweep_s = np.percentile([one.sweep_s for one in trials], [50, 95])
    yield f"a sweep takes {sweep_s[0]:.0f} s, p95 {sweep_s[1]:.0f} s"
    yield (
        f"{'':18}{'settings, median/p95/mean':>27}{'bench s, median/p95':>21}{'matched':>9}"
        f"{'0.3 dB':>8}{'0.5 dB':>8}{'holds':>8}"
    )
    for label, some in (
        ("from the profile", [one.with_profile for one in reachable]),
        ("from nothing", [one.without for one in reachable]),
    ):
        matched = [one for one in some if one.outcome == "matched"]
        settings = [one.settings for one in some]
        median, most = np.percentile(settings, [50, 95])
        taken = np.percentile([one.bench_s for one in some], [50, 95])
        misses = np.abs([one.miss_db for one in matched])
        yield (
            f"{label:18}{f'{median:.1f}/{most:.1f}/{np.mean(settings):.2f}':>27}"
            f"{f'{taken[0]:.0f}/{taken[1]:.0f}':>21}{len(matched) / len(some):>9.3f}"
            f"{np.mean(misses <= task.tolerance_db):>8.3f}{np.mean(misses <= 0.5):>8.3f}"
            f"{np.mean([one.covered for one in matched]):>8.3f}"
        )
