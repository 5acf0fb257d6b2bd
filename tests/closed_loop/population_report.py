"""A population of coolers tried by several strategies, and what came of it as tables in words.

`trial` is one cooler and every attempt at it; all else here is counting. Shares are of true levels,
which the plant knows; nothing a strategy says of itself is believed.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from closed_loop.level_bench import (
    LOWEST_PUMP_PERCENT,
    CoolerTraits,
    LevelBench,
    beating,
    drifting_anew,
    random_traits,
    surprising,
)
from closed_loop.strategies import STRATEGIES, Attempt, Task, right_percent

CLEARLY_DB = 0.5
"""How far beyond the target a cooler has to reach, or to stay away, to be judged by it."""

Apart = Literal["beating", "drifting anew"]
"""Kinds of coolers that come beside the population, not in it."""
APART: Sequence[Apart] = get_args(Apart)

Reach = Literal["reachable", "too quiet", "too loud", "at an edge"]


@dataclass(frozen=True, slots=True)
class Trial:
    """One cooler, and what each strategy made of it."""

    number: int
    traits: CoolerTraits
    reach: Reach
    humped: bool
    """Whether a resonance stands where the target is met."""
    attempts: dict[str, Attempt]


def reach_of(bench: LevelBench, target_db: float) -> Reach:
    """Tell whether a cooler can make a target, from all its speeds."""
    duties = np.linspace(bench.slowest_percent, 100.0, 200)
    if max(bench.level_at_db(duty, 100.0) for duty in duties) < target_db - CLEARLY_DB:
        return "too quiet"
    if (
        min(bench.level_at_db(duty, LOWEST_PUMP_PERCENT) for duty in duties)
        > target_db + CLEARLY_DB
    ):
        return "too loud"
    spans = bench.quietest_db() <= target_db - CLEARLY_DB
    spans = spans and bench.loudest_db() >= target_db + CLEARLY_DB
    return "reachable" if spans else "at an edge"


def _humped(bench: LevelBench, target_db: float) -> bool:
    """Tell whether the target is met within the width of a resonance."""
    percent = right_percent(bench, target_db)
    if percent is None:
        return False
    ratio = bench.rpm_at(percent) / bench.traits.full_rpm
    return any(abs(np.log(ratio / centre)) < width for centre, _, width in bench.traits.bumps)


def trial(
    number: int,
    seed: int,
    task: Task,
    names: Sequence[str] = tuple(STRATEGIES),
    *,
    apart: Apart | None = None,
    surprises: bool = False,
) -> Trial:
    """Draw one cooler and let each strategy try it on a bench of its own.

    All strategies meet the same cooler; what the noise does depends on what they do.
    """

    def drawn() -> LevelBench:
        """Draw the same cooler again, with fresh noise that is the same each time."""
        kind = 0 if apart is None else 1 + APART.index(apart)
        rng = np.random.default_rng([seed, kind, number])
        traits = random_traits(rng)
        if apart == "beating":
            traits = beating(traits, rng)
        elif apart == "drifting anew":
            traits = drifting_anew(traits, rng)
        return LevelBench(surprising(traits) if surprises else traits, rng)

    bench = drawn()
    return Trial(
        number=number,
        traits=bench.traits,
        reach=reach_of(bench, task.target_db),
        humped=_humped(bench, task.target_db),
        attempts={name: STRATEGIES[name](drawn(), task) for name in names},
    )


# Counting


def figures(values: Sequence[float], digits: int = 0) -> str:
    """Median, 95th percentile and mean."""
    if not len(values):
        return "–"
    median, most = np.percentile(values, [50, 95])
    return f"{median:.{digits}f}/{most:.{digits}f}/{np.mean(values):.{digits}f}"


def share(hits: Sequence[bool], digits: int = 3) -> str:
    """Share of hits, and of how many."""
    return f"{np.mean(hits):.{digits}f} of {len(hits)}" if len(hits) else "–"


@dataclass(frozen=True, slots=True)
class Outcome:
    """One strategy's attempt at one cooler."""

    trial: Trial
    attempt: Attempt
    target_db: float

    @property
    def matched(self) -> bool:
        """Whether it says that it made the target."""
        return self.attempt.outcome == "matched"

    def within(self, tolerance_db: float) -> bool:
        """Whether it says so and is truly within a tolerance."""
        return self.matched and abs(self.attempt.true_db - self.target_db) <= tolerance_db

    @property
    def bias_db(self) -> float:
        """By how much the stated level is too high."""
        return self.attempt.stated_db - self.attempt.true_db

    @property
    def covered(self) -> bool:
        """Whether the stated 95 % interval holds the true level."""
        return abs(self.bias_db) <= 1.96 * self.attempt.stated_sd_db

    @property
    def named(self) -> Literal["too quiet", "too loud"] | None:
        """Which way it calls the target out of reach."""
        if self.attempt.outcome == "quieter-at-full-speed":
            return "too quiet"
        return "too loud" if self.attempt.outcome == "louder-at-minimum" else None


def outcomes(trials: Sequence[Trial], name: str, target_db: float) -> list[Outcome]:
    """Return one strategy's outcomes."""
    return [Outcome(one, one.attempts[name], target_db) for one in trials]


def _upper_third(
    all_of_them: Sequence[Outcome], of: Callable[[CoolerTraits], float]
) -> Callable[[Outcome], bool]:
    """Pick the coolers with the largest values of a trait."""
    limit = np.quantile([of(one.trial.traits) for one in all_of_them], 2 / 3)
    return lambda one: of(one.trial.traits) > limit


def classes(everyone: Sequence[Outcome]) -> dict[str, Callable[[Outcome], bool]]:
    """Return who stands in each class: the upper third of a trait, or those that have it."""

    def third(of: Callable[[CoolerTraits], float]) -> Callable[[Outcome], bool]:
        """Pick an upper third."""
        return _upper_third(everyone, of)

    return {
        "hunting, size": third(lambda t: t.hunting_sd_db),
        "hunting, slowness": third(lambda t: t.hunting_tau_s),
        "band noise": third(lambda t: t.white_sd_db),
        "weak intrusions": lambda one: one.trial.traits.weak_intrusions,
        "drift": lambda one: one.trial.traits.drift_db != 0.0,
        "no drift": lambda one: one.trial.traits.drift_db == 0.0,
        "drift, one way": lambda one: one.trial.traits.drift_db < 0.0,
        "drift, the other": lambda one: one.trial.traits.drift_db > 0.0,
        "play of 0.5 %": lambda one: one.trial.traits.play_percent == 0.5,
        "resonance at the target": lambda one: one.trial.humped,
        "highest resonance": third(lambda t: max((bump[1] for bump in t.bumps), default=0.0)),
        "slow rotor": third(lambda t: t.tau_s),
        "coarse tachometer": third(lambda t: t.tacho_quantum_rpm / t.full_rpm),
        "long tachometer window": third(lambda t: t.tacho_window_s + t.tacho_lag_s),
        "stall at high duty": third(lambda t: t.stall_percent),
        "curvature": third(lambda t: abs(t.curvature)),
        "exponent": third(lambda t: t.exponent_db),
        "floor": third(lambda t: t.floor_db),
        "loud at full speed": third(lambda t: t.full_level_db),
        "pump": lambda one: one.trial.traits.pump_full_db is not None,
        "none of drift, weak, pump": lambda one: (
            one.trial.traits.drift_db == 0.0
            and not one.trial.traits.weak_intrusions
            and one.trial.traits.pump_full_db is None
        ),
    }


def _summary(everyone: Sequence[Outcome], bound: Sequence[Outcome]) -> dict[str, str]:
    """Figures of one strategy over the base population."""
    picks = classes(everyone)
    reachable = [one for one in everyone if one.trial.reach == "reachable"]
    matched = [one for one in everyone if one.matched]
    ended = [one for one in everyone if one.named and one.named == one.trial.reach]
    unreachable = [one for one in everyone if one.trial.reach in ("too quiet", "too loud")]
    least_s = [one.attempt.bench_s for one in bound if one.trial.reach == "reachable"]
    rows = {
        "settings visited, median/p95/mean": figures([o.attempt.settings for o in reachable], 1),
        "bench s, median/p95/mean": figures([o.attempt.bench_s for o in reachable]),
        "mean s against the bound": (
            f"{np.mean([o.attempt.bench_s for o in reachable]) / np.mean(least_s):.2f}"
            if least_s
            else "–"
        ),
        "within 0.3 dB, of the matched": share([o.within(0.3) for o in matched]),
        "within 0.5 dB, of the matched": share([o.within(0.5) for o in matched]),
        "within 0.3 dB, of the reachable": share([o.within(0.3) for o in reachable]),
        "within 0.5 dB, of the reachable": share([o.within(0.5) for o in reachable]),
        "stated intervals hold": share([o.covered for o in matched]),
    }
    for name, label in (
        ("hunting, size", "... noisiest third"),
        ("drift", "... drifting fifth"),
        ("weak intrusions", "... weak intrusions"),
        ("pump", "... with a pump"),
        ("no drift", "... without drift"),
    ):
        rows[label] = share([o.covered for o in matched if picks[name](o)])
    half_widths = [1.96 * o.attempt.stated_sd_db for o in matched]
    return rows | {
        "... unreachable ones": share([o.covered for o in ended]),
        "median stated half-width, dB": f"{np.median(half_widths):.2f}" if half_widths else "–",
        "unreachable named so": share([o.named == o.trial.reach for o in unreachable], 4),
        "reachable refused": share([o.named is not None for o in reachable], 4),
        "reachable left unsteady": share([o.attempt.outcome == "unsteady" for o in reachable], 4),
    }


def overview(
    trials: Sequence[Trial], names: Sequence[str], target_db: float, *, columns: int = 22
) -> Iterator[str]:
    """Print the strategies beside one another."""
    bound = outcomes(trials, "bound", target_db) if "bound" in names else []
    tables = [_summary(outcomes(trials, name, target_db), bound) for name in names]
    kinds = Counter(one.reach for one in trials)
    yield f"{len(trials)} coolers: " + ", ".join(f"{n} {kind}" for kind, n in kinds.most_common())
    yield ""
    yield " " * 35 + "".join(f"{name:>{columns}}" for name in names)
    for row in tables[0]:
        yield f"{row:35}" + "".join(f"{table[row]:>{columns}}" for table in tables)
    yield ""
    for name in names:
        counts = Counter(one.attempts[name].outcome for one in trials)
        yield f"{name} ends: " + ", ".join(f"{n} {outcome}" for outcome, n in counts.most_common())


def _class_line(label: str, some: Sequence[Outcome]) -> str:
    """One class of coolers: how many matched, how well, how quickly."""
    reachable = [one for one in some if one.trial.reach == "reachable"]
    matched = [one for one in some if one.matched]
    if not matched:
        return f"{label:27}{len(some):6}   none matched"
    bias = np.mean([one.bias_db for one in matched])
    half_width = np.median([1.96 * one.attempt.stated_sd_db for one in matched])
    unsteady = np.mean([one.attempt.outcome == "unsteady" for one in some])
    return (
        f"{label:27}{len(matched):6}"
        f"{np.mean([one.within(0.3) for one in matched]):8.3f}"
        f"{np.mean([one.within(0.5) for one in matched]):8.3f}"
        f"{np.mean([one.covered for one in matched]):8.3f}"
        f"{bias:+8.3f}{half_width:8.2f}"
        f"{figures([one.attempt.settings for one in reachable], 1):>16}"
        f"{figures([one.attempt.bench_s for one in reachable]):>14}{unsteady:9.4f}"
    )


def by_disturbance(
    trials: Sequence[Trial],
    apart: Mapping[Apart, Sequence[Trial]],
    name: str,
    target_db: float,
) -> Iterator[str]:
    """Print one strategy class by class; coolers of other kinds stand apart from the population."""
    everyone = outcomes(trials, name, target_db)
    yield (
        f"{name:27}{'n':>6}{'0.3 dB':>8}{'0.5 dB':>8}{'holds':>8}{'bias':>8}{'U95':>8}"
        f"{'settings':>16}{'bench s':>14}{'unsteady':>9}"
    )
    yield _class_line("all", everyone)
    for label, belongs in classes(everyone).items():
        yield _class_line(label, [one for one in everyone if belongs(one)])
    for kind, tried in apart.items():
        if tried:
            yield _class_line(f"{kind} (apart)", outcomes(tried, name, target_db))
    beating_outcomes = outcomes(apart.get("beating", ()), name, target_db)
    if beating_outcomes:
        deep = _upper_third(beating_outcomes, lambda t: t.beat_depth_db)
        slow = _upper_third(beating_outcomes, lambda t: t.beat_period_s)
        yield _class_line("... deepest third", [one for one in beating_outcomes if deep(one)])
        yield _class_line("... slowest third", [one for one in beating_outcomes if slow(one)])


def computing(trials: Sequence[Trial], name: str) -> Iterator[str]:
    """Print how long a strategy computes between a sound and its next step."""
    taken = [pair for one in trials for pair in one.attempts[name].thinking_s]
    if not taken:
        return
    step_ms = np.array([1e3 * seconds for seconds, _ in taken])
    reading_ms = np.array([1e3 * seconds / readings for seconds, readings in taken])
    for label, values in (("after each stretch of sound", step_ms), ("per 100 ms", reading_ms)):
        median, most, rarely = np.percentile(values, [50, 95, 99])
        yield (
            f"{name} computes {label}: median {median:.2f} ms, p95 {most:.2f} ms, "
            f"p99 {rarely:.2f} ms, longest {values.max():.1f} ms"
        )
