"""How the product fares on coolers that nobody of it has seen.

Run as ``python tests/benchmarks/held_out_population.py --coolers 60``: each cooler stands on a
bench of its own, written from the contract alone, and is matched through the command line. Printed
are each run, and the shares that are truly right.
"""

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from held_out.population import held_out
from held_out.product_runs import Run, match


def run(seed: int) -> Run:
    """Match the cooler of one seed and print its line."""
    with tempfile.TemporaryDirectory() as folder:
        judged = match(held_out(seed), Path(folder))
    sys.stdout.write(judged.line() + "\n")
    sys.stdout.flush()
    return judged


def summary(runs: list[Run]) -> Iterable[str]:
    """Return the shares in words."""
    reachable = [r for r in runs if r.cooler.outcome == "matched"]
    others = [r for r in runs if r.cooler.outcome != "matched"]
    yield f"{len(runs)} coolers, {len(reachable)} of them reachable"
    matched = [r for r in reachable if r.outcome == "matched" and r.error_db is not None]
    if reachable:
        for within_db in (0.3, 0.5):
            right = sum(abs(r.error_db or 0.0) <= within_db for r in matched)
            share = right / len(reachable)
            yield f"truly within {within_db} dB: {right} of {len(reachable)} ({share:.0%})"
        yield f"what reachable coolers were called: {dict(Counter(r.outcome for r in reachable))}"
    if matched:
        errors_db = np.array([r.error_db for r in matched])
        yield f"true error: mean {errors_db.mean():+.3f} dB, sd {errors_db.std():.3f} dB"
    if others:
        right = sum(r.outcome == r.cooler.outcome for r in others)
        yield f"unreachable and named so: {right} of {len(others)}"
    covered = [r.covered for r in runs if r.covered is not None]
    if covered:
        yield f"stated interval holds the true level: {np.mean(covered):.0%} of {len(covered)}"
    for field, unit in (("settings_visited", ""), ("listened_s", " s"), ("bench_s", " s")):
        values = [r.entry[field] for r in matched if field in r.entry]
        if values:
            median, most = np.percentile(values, [50, 95])
            yield f"{field}: median {median:.0f}{unit}, 95 % of runs within {most:.0f}{unit}"
    wall = [r.said.seconds for r in runs]
    yield f"wall time of one match: median {np.median(wall):.1f} s, longest {max(wall):.1f} s"
    for r in runs:
        if r.problems:
            yield f"seed {r.cooler.seed}: {'; '.join(r.problems)}"


def main() -> None:
    """Run the population, two at a time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--coolers", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=1000)
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.coolers)
    with ThreadPoolExecutor(max_workers=2) as pool:
        runs = list(pool.map(run, seeds))
    sys.stdout.write("\n".join(["", *summary(runs)]) + "\n")


if __name__ == "__main__":
    main()
