"""Counting what came of a population, and the program that prints it."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from closed_loop.level_bench import LevelBench, random_traits, without
from closed_loop.population_report import Trial, by_disturbance, overview, reach_of, trial
from closed_loop.strategies import Attempt, Task

PROGRAM = Path(__file__).parents[1] / "benchmarks" / "closed_loop_population.py"


def made_up(number, *, reach="reachable", outcome="matched", true_db=40.0, sd_db=0.1, **traits):
    """Make up a trial of one strategy that states 40 dB after 10 s, and its bound of 5 s."""
    drawn = random_traits(np.random.default_rng([57, number]), pump=False)
    attempt = Attempt(outcome, 3, 10.0, true_db, 40.0, sd_db)
    bound = replace(attempt, settings=1, bench_s=5.0)
    drawn = without(drawn, drift_db=0.0, weak_intrusions=False)
    return Trial(
        number=number,
        traits=without(drawn, **traits),
        reach=reach,
        humped=False,
        attempts={"product": attempt, "bound": bound},
    )


def row(lines, label):
    """Pick the first figure of a line."""
    line = next(line for line in lines if line.startswith(label))
    return line.removeprefix(label).split()[0]


def test_shares_are_of_true_levels():
    """What counts as right, covered, named and refused follows from the truth alone."""
    trials = [
        *(made_up(n) for n in range(6)),
        made_up(6, true_db=40.4),
        made_up(7, true_db=40.4, sd_db=0.3),
        made_up(8, outcome="unsteady"),
        made_up(9, outcome="quieter-at-full-speed"),
        made_up(10, reach="too quiet", outcome="quieter-at-full-speed"),
        made_up(11, reach="too quiet", outcome="matched", true_db=39.0),
    ]
    lines = list(overview(trials, ["product", "bound"], 40.0))

    assert lines[0] == "12 coolers: 10 reachable, 2 too quiet"
    assert row(lines, "within 0.3 dB, of the matched") == f"{6 / 9:.3f}"
    assert row(lines, "within 0.5 dB, of the matched") == f"{8 / 9:.3f}"
    assert row(lines, "within 0.3 dB, of the reachable") == "0.600"
    assert row(lines, "stated intervals hold") == f"{7 / 9:.3f}"
    assert row(lines, "unreachable named so") == "0.5000"
    assert row(lines, "reachable refused") == "0.1000"
    assert row(lines, "reachable left unsteady") == "0.1000"
    assert row(lines, "mean s against the bound") == "2.00"


def test_classes_hold_those_who_have_the_trait():
    """A class of coolers is counted by itself, and those that beat apart from all others."""
    trials = [made_up(n) for n in range(8)]
    trials += [made_up(8, drift_db=0.5, true_db=39.6), made_up(9, drift_db=-0.5)]
    beating = [made_up(10, true_db=41.0)]
    lines = list(by_disturbance(trials, {"beating": beating}, "product", 40.0))
    figures = {line[:27].strip(): line[27:].split() for line in lines}

    assert figures["all"][:2] == ["10", "0.900"]
    assert figures["drift"][:2] == ["2", "0.500"]
    assert figures["drift, the other"][:2] == ["1", "0.000"]
    assert figures["drift, the other"][4] == "+0.400"
    assert figures["beating (apart)"][:2] == ["1", "0.000"]


@pytest.mark.parametrize(
    ("changes", "reach"),
    [
        ({"full_level_db": 39.0}, "too quiet"),
        ({"full_level_db": 40.2}, "at an edge"),
        ({"full_level_db": 45.0}, "reachable"),
        ({"full_level_db": 54.0, "stall_percent": 90.0}, "too loud"),
        # At full speed it is too quiet, but a resonance below lifts it over the target.
        ({"full_level_db": 39.0, "bumps": ((0.95, 4.0, 0.03),)}, "at an edge"),
    ],
)
def test_reach_is_judged_over_all_speeds(changes, reach):
    """A cooler is out of reach only where no speed makes the target."""
    usual = {"bumps": (), "exponent_db": 55.0, "stall_percent": 20.0, "min_duty_percent": 0.0}
    rng = np.random.default_rng(58)
    traits = without(random_traits(rng, pump=False), **{**usual, **changes})

    assert reach_of(LevelBench(traits, rng), 40.0) == reach


def test_a_cooler_comes_out_the_same_each_time():
    """A trial depends on its seed and number alone, whatever else is tried beside it."""
    task = Task(40.0, 0.3, floor_known=True)
    both = trial(3, 59, task, ("product", "bound"))
    alone = trial(3, 59, task, ("product",))
    untimed = [replace(one.attempts["product"], thinking_s=()) for one in (both, alone)]

    assert both.traits == alone.traits
    assert untimed[0] == untimed[1]


def test_the_program_prints_the_same_with_any_number_of_jobs():
    """One process or two: the tables are equal, computing times apart."""
    printed = []
    for jobs in ("1", "2"):
        ran = subprocess.run(
            [
                sys.executable,
                PROGRAM,
                *["--coolers", "24", "--seed", "60", "--only", "bisection", "--jobs"],
                jobs,
            ],
            capture_output=True,
            text=True,
            check=True,
        )
        lines = ran.stdout.splitlines()
        printed.append([line for line in lines if " computes " not in line])

    assert printed[0] == printed[1]
    assert any(line.startswith("24 coolers: ") for line in printed[0])
