"""How often stated intervals hold the truth, and how often beats are seen, as tables.

Run as ``python tests/benchmarks/statistics_coverage.py [--runs 400] [--table hunting]``. Levels of
100 ms are drawn with known hunting, beats and drift; nothing is asserted: the tests do that.
"""

import argparse
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_levels import TRUE_DB, all_of, any_hunting_db, coverage, drawn_levels_db

from acoustic.beats import find_beat
from acoustic.intrusions import find_intrusions, white_spread_db
from acoustic.signals import Samples
from acoustic.steadiness import (
    find_intrusions_beside_beat,
    find_trend,
    mean_over_whole_beats,
    whole_beats_s,
)
from acoustic.uncertainty import CorrelatedMean, HuntingKnowledge, LevelBlocks


def plain_mean(levels_db: Samples) -> CorrelatedMean:
    """Mean as if nothing beat."""
    blocks = LevelBlocks.from_intervals(levels_db, all_of(levels_db), white_spread_db(levels_db))
    return HuntingKnowledge().mean(blocks)


def found_mean(levels_db: Samples) -> CorrelatedMean:
    """Mean over whole beats where a beat is found in the same listening."""
    beat = find_beat(levels_db, all_of(levels_db))
    if beat is None or beat.period_s > 0.1 * levels_db.size:
        return plain_mean(levels_db)
    return mean_over_whole_beats(levels_db, all_of(levels_db), beat.period_s)


def held(
    estimate: Callable[[Samples], CorrelatedMean], draw: Callable[[], Samples], runs: int
) -> str:
    """Share of intervals that hold the truth, mean error, and median standard error."""
    means = [estimate(draw()) for _ in range(runs)]
    errors_db = np.array([mean.mean_db - TRUE_DB for mean in means])
    stated_db = np.array([mean.standard_error_db for mean in means])
    share = 100 * coverage(errors_db, stated_db)
    return f"{share:5.1f} % {errors_db.mean():+6.2f} dB {np.median(stated_db):5.2f} dB"


def hunting(rng: np.random.Generator, runs: int) -> Iterable[str]:
    """Mean of a level that only hunts."""
    yield "hunting: sd dB, tau s, listening s | held, bias, stated standard error"
    for seconds in (6, 10, 20, 60):
        yield f"  any    {seconds:3d} | " + held(
            plain_mean, lambda s=seconds: drawn_levels_db(rng, s), runs
        )
    for sd_db in (0.1, 0.2, 0.4, 0.6):
        for tau_s in (1.0, 3.0, 6.0):

            def draw(sd: float = sd_db, tau: float = tau_s) -> Samples:
                return drawn_levels_db(rng, 10, sd_db=sd, tau_s=tau)

            yield f"  {sd_db} {tau_s}  10 | " + held(plain_mean, draw, runs)


def beating(rng: np.random.Generator, runs: int) -> Iterable[str]:
    """Mean of a level that beats: plain, over whole beats, and with the beat found on the way."""
    yield "beating, whole beats in at least 10 s: depth dB, period s, listening s"
    yield "  | plain: held, bias, stated | whole beats, period known | period found or plain"
    for depth_db in (1.0, 3.0, 6.0, 12.0):
        for period_s in (0.15, 0.3, 0.7, 2.0, 4.0, 8.0, 20.0):
            seconds = whole_beats_s(period_s, 10.0)

            def draw(s=seconds, d=depth_db, p=period_s) -> Samples:
                return drawn_levels_db(rng, s, depth_db=d, period_s=p)

            def whole(levels_db: Samples, p: float = period_s) -> CorrelatedMean:
                return mean_over_whole_beats(levels_db, all_of(levels_db), p)

            columns = [held(estimate, draw, runs) for estimate in (plain_mean, whole, found_mean)]
            yield f"  {depth_db:4.0f} {period_s:5.2f} {seconds:5.1f} | " + " | ".join(columns)


def detection(rng: np.random.Generator, runs: int) -> Iterable[str]:
    """False alarms and beats found."""
    yield "beats found, per cent: listening s, depth dB | none, then each period in s"
    periods = (0.3, 0.7, 2.0, 4.0, 8.0, 20.0)
    yield "  " + " " * 10 + "|  none " + " ".join(f"{period:5.1f}" for period in periods)
    for seconds in (10, 20, 60, 120):
        false = sum(
            find_beat(levels, all_of(levels)) is not None
            for levels in (any_hunting_db(rng, seconds) for _ in range(5 * runs))
        )
        for depth_db in (0.5, 1.0, 2.0, 3.0, 6.0):
            shares = []
            for period_s in periods:
                hits = 0
                for _ in range(max(runs // 8, 1)):
                    levels = drawn_levels_db(rng, seconds, depth_db=depth_db, period_s=period_s)
                    beat = find_beat(levels, all_of(levels))
                    hits += beat is not None and abs(period_s / beat.period_s - 1) < 0.1
                shares.append(100 * hits / max(runs // 8, 1))
            yield (
                f"  {seconds:4d} {depth_db:4.1f} | {20 * false / runs:5.2f} "
                + " ".join(f"{share:5.0f}" for share in shares)
            )


def drift(rng: np.random.Generator, runs: int) -> Iterable[str]:
    """Trend of a level that hunts and drifts."""
    yield "drift over the listening: dB, listening s | held, called sure, stated standard error"
    for seconds in (10, 20, 60, 120):
        for drift_db in (0.0, 0.5, 1.0, 2.0):
            trends = []
            for _ in range(runs):
                levels = drawn_levels_db(rng, seconds, drift_db=drift_db)
                trends.append(find_trend(levels, all_of(levels)))
            errors_db = [trend.change_db - drift_db for trend in trends]
            stated_db = [trend.standard_error_db for trend in trends]
            yield (
                f"  {drift_db:3.1f} {seconds:4d} | {100 * coverage(errors_db, stated_db):5.1f} % "
                f"{100 * np.mean([trend.sure for trend in trends]):5.1f} % "
                f"{np.median(stated_db):5.2f} dB"
            )


def gate(rng: np.random.Generator, runs: int) -> Iterable[str]:
    """What the gate for intrusions leaves of a level that beats."""
    yield "gate on 20 s of beating: depth dB, period s | left out and bias, alone | beside the beat"
    for depth_db in (1.0, 2.0, 3.0, 6.0):
        for period_s in (0.7, 2.0, 5.0, 20.0):
            columns = []
            for beside in (False, True):
                shares, errors_db = [], []
                for _ in range(max(runs // 4, 1)):
                    levels = drawn_levels_db(rng, 20, depth_db=depth_db, period_s=period_s)
                    marked = (
                        find_intrusions_beside_beat(levels, all_of(levels), period_s)
                        if beside
                        else find_intrusions(levels)
                    )
                    shares.append(100 * marked.mean())
                    energy = np.mean(10 ** (levels[~marked] / 10))
                    errors_db.append(10 * np.log10(energy) - TRUE_DB)
                columns.append(f"{np.mean(shares):3.0f} % {np.mean(errors_db):+5.2f} dB")
            yield f"  {depth_db:3.0f} {period_s:5.1f} | " + " | ".join(columns)


TABLES = {
    "hunting": hunting,
    "beating": beating,
    "detection": detection,
    "drift": drift,
    "gate": gate,
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400, help="draws for each line")
    parser.add_argument("--table", choices=TABLES, help="only this one")
    asked = parser.parse_args()
    for name, table in TABLES.items():
        if asked.table in {None, name}:
            for line in table(np.random.default_rng(1), asked.runs):
                sys.stdout.write(line + "\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
