"""How right and how quick the closed loop is, beside plainer ways and a bound, without sound.

Run as ``python tests/benchmarks/closed_loop_population.py [--coolers 3000] [--jobs 2]``: random
coolers whose true level is known answer in 100 ms readings, and each strategy tries every one of
them. The same seed gives the same tables whatever the number of jobs, computing times apart. With
``--curve`` liquid coolers are matched at five pump duties instead, as a curve and one by one.
Nothing is asserted.
"""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TypeVar

# One core a process, before NumPy is loaded: the processes are the parallel part.
os.environ.update(
    dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from closed_loop.curves import curve_table, curve_trial
from closed_loop.population_report import (
    APART,
    Apart,
    Trial,
    by_disturbance,
    computing,
    overview,
    trial,
)
from closed_loop.profiles import profile_table, profile_trial
from closed_loop.strategies import STRATEGIES, Task

# Nothing may be tuned on this seed: look at other coolers while working on the loop, and at these
# only to say how it fares.
HELD_OUT_SEED = 6_180_453_917
T = TypeVar("T")
APART_SHARE = 20
"""So many times fewer coolers of each other kind are tried beside the population."""


def tried(
    count: int, asked: argparse.Namespace, names: Sequence[str], apart: Apart | None = None
) -> list[Trial]:
    """Try coolers in several processes, in their order."""
    work = partial(
        trial,
        seed=asked.seed,
        task=Task(asked.target_db, asked.tolerance_db, floor_known=asked.floor_known),
        names=names,
        apart=apart,
        surprises=asked.surprising,
    )
    return _spread(work, count, asked.jobs)


def _spread(work: Callable[[int], T], count: int, jobs: int) -> list[T]:
    """Do numbered work in several processes, and return it in order."""
    if jobs == 1:
        return [work(number) for number in range(count)]
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        return list(pool.map(work, range(count), chunksize=8))


def _heading(asked: argparse.Namespace) -> str:
    """Say what the tables are about."""
    floor = "known" if asked.floor_known or asked.from_profile else "not known to the loop"
    return (
        f"target {asked.target_db:g} +-{asked.tolerance_db:g} dB, seed {asked.seed}, floor {floor}"
    )


def main() -> None:
    """Try the population and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--coolers", type=int, default=3000, help="how many to draw")
    parser.add_argument("--seed", type=int, default=HELD_OUT_SEED)
    parser.add_argument("--target-db", type=float, default=40.0)
    parser.add_argument("--tolerance-db", type=float, default=0.3)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--only", choices=STRATEGIES, help="try one strategy, and the bound")
    parser.add_argument("--floor-known", action="store_true", help="tell the loop the floor")
    parser.add_argument(
        "--surprising",
        action="store_true",
        help="coolers unlike any expected: 70 dB per decade, floor 34 dB, twice the noise",
    )
    parser.add_argument(
        "--curve", action="store_true", help="pairs of fan and pump speed of liquid coolers"
    )
    parser.add_argument(
        "--from-profile",
        action="store_true",
        help="sweep each cooler, and match it on another day with and without its profile",
    )
    asked = parser.parse_args()
    if asked.from_profile:
        task = Task(asked.target_db, asked.tolerance_db, floor_known=True)
        profiles = _spread(
            partial(profile_trial, seed=asked.seed, task=task), asked.coolers, asked.jobs
        )
        sys.stdout.write("\n".join([_heading(asked), *profile_table(profiles, task)]) + "\n")
        return
    if asked.curve:
        task = Task(asked.target_db, asked.tolerance_db, floor_known=asked.floor_known)
        curves = _spread(
            partial(curve_trial, seed=asked.seed, task=task), asked.coolers, asked.jobs
        )
        sys.stdout.write("\n".join([_heading(asked), *curve_table(curves, task)]) + "\n")
        return
    names = [name for name in STRATEGIES if asked.only in (None, name) or name == "bound"]
    trials = tried(asked.coolers, asked, names)
    others = {kind: tried(asked.coolers // APART_SHARE, asked, names, kind) for kind in APART}
    lines = [_heading(asked), *overview(trials, names, asked.target_db)]
    lines += ["", *by_disturbance(trials, others, names[0], asked.target_db)]
    lines += ["", *computing(trials, names[0])]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
