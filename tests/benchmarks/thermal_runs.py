"""How right the rises of simulated thermal runs are, and how honest their intervals.

Run as ``python tests/benchmarks/thermal_runs.py [--runs 400] [--seed 7]``; ``--week`` reads a log
of a week at 10 Hz instead, and ``--hold HOURS`` holds speeds on a bench with faults. Runs are
steady or cycle, in air that drifts by up to 2 K, with gaps, spikes, coarse sensors, logs of 1 to
10 Hz, and a clock for the air that is off by up to a minute. Nothing is asserted: the tests do
that.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from held_bench import HeldBench, hours_of_trouble
from thermal_truth import RunPlan, any_plan, simulated_log, true_rise_k

from calibration.common_power import PoweredRun, at_common_power, fit_leakage
from calibration.holding import HoldRequest
from calibration.results import MatchedActuator
from calibration.rise_comparison import ComparedRun, differences_of, slopes_of
from calibration.temperature_rise import ThermalRun, evaluate_run
from service.jobs.holding import hold_speeds
from service.simulation.catalogue import find_cooler

_DB_PER_DECADE = 55.0
"""How the level of a fan rises with its speed."""
_LEVEL_U95_DB = 0.25


def evaluated(plan: RunPlan, rng: np.random.Generator, *, power: bool = True) -> ThermalRun:
    """Draw a run and evaluate it, its air logged by a clock that is off by up to a minute."""
    log = simulated_log(plan, rng)
    off_s = rng.uniform(-60.0, 60.0)
    assert log.ambient_c is not None
    air_c = np.interp(log.time_s + off_s, log.time_s, log.ambient_c)
    return evaluate_run(replace(log, ambient_c=air_c, power_w=log.power_w if power else None))


def rises(rng: np.random.Generator, runs: int) -> Iterable[str]:
    """Errors and intervals of single runs."""
    rows = []
    for number in range(runs):
        plan, power = any_plan(rng), number % 4 != 0
        result = evaluated(plan, rng, power=power)
        kind = "cycling" if plan.period_s else "steady"
        off_k = result.rise.mean - true_rise_k(plan)
        rows.append((kind, power, off_k, result.rise.U95, result.phases.cycling))
    yield "runs | number, within 0.3 K, median and 95 % error, median U95, U95 holds"
    for name, some in (
        ("all", rows),
        ("steady", [row for row in rows if row[0] == "steady"]),
        ("cycling", [row for row in rows if row[0] == "cycling"]),
        ("no power", [row for row in rows if not row[1]]),
    ):
        off = np.abs([row[2] for row in some])
        U95 = np.array([row[3] for row in some])
        yield (
            f"  {name:8s} | {off.size:4d} {np.mean(off < 0.3):.1%} {np.median(off):.3f} "
            f"{np.quantile(off, 0.95):.3f} K {np.median(U95):.3f} K {np.mean(off < U95):.1%}"
        )
    wrong = sum((row[0] == "cycling") != row[4] for row in rows)
    yield f"  steady taken for cycling, or the other way round: {wrong}"


def at_level(
    plan: RunPlan, rng: np.random.Generator, target_db: float, usual_db: float
) -> ComparedRun:
    """A run of a cooler matched to a target, a little off it as matches are."""
    off_db = _LEVEL_U95_DB / 1.96 * rng.standard_normal()
    share = plan.speed_share * 10.0 ** ((target_db + off_db - usual_db) / _DB_PER_DECADE)
    result = evaluated(replace(plan, speed_share=float(share)), rng)
    return ComparedRun("", result.rise.mean, result.rise.U95, target_db + 0.0, _LEVEL_U95_DB)


def pairs(rng: np.random.Generator, count: int) -> Iterable[str]:
    """Pairs of equal coolers called different, and of unequal ones told apart."""
    equal, unequal = [], []
    for _ in range(count):
        plan = replace(any_plan(rng), speed_share=float(rng.uniform(0.5, 0.8)), seconds=1800.0)
        runs = [
            replace(at_level(each, rng, level_db, 40.0), cooler=name)
            for name, each in (
                ("A", plan),
                ("B", plan),
                ("C", replace(plan, load_w=1.05 * plan.load_w)),
            )
            for level_db in (40.0, 35.0)
        ]
        slopes = slopes_of(runs)
        at_40 = differences_of(runs[::2], slopes[::2], target_db=40.0)
        equal.append(at_40[0].outside_error)
        unequal += [at_40[1].outside_error, at_40[2].outside_error]
    yield (
        f"equal coolers at equal noise called different: {np.mean(equal):.1%} of {len(equal)}; "
        f"5 % hotter ones told apart: {np.mean(unequal):.1%}"
    )


def curves(rng: np.random.Generator, count: int) -> Iterable[str]:
    """The coldest of five pairs of fan and pump speed."""
    found, costs = 0, []
    for _ in range(count):
        base = replace(
            any_plan(rng), cooler=find_cooler("Lagoon 240"), seconds=1800.0, load_w=140.0
        )
        # A louder pump leaves less of the level to the fans.
        pump_db = rng.uniform(26.0, 34.5)
        plans = []
        for pump in (0.4, 0.55, 0.7, 0.85, 1.0):
            of_pump = pump_db + 50.0 * np.log10(pump / 0.8)
            fans_db = 10.0 * np.log10(10.0**4.0 - 10.0 ** (of_pump / 10.0))
            share = 0.75 * 10.0 ** ((fans_db - 40.0) / _DB_PER_DECADE)
            plans.append(replace(base, pump_share=pump, speed_share=float(share)))
        truth = [true_rise_k(plan) for plan in plans]
        measured = [evaluated(plan, rng).rise.mean for plan in plans]
        chosen = int(np.argmin(measured))
        found += chosen == int(np.argmin(truth))
        costs.append(truth[chosen] - min(truth))
    yield (
        f"coldest of five pairs of fan and pump found: {found} of {count}; the one named is "
        f"{np.mean(costs):.2f} K, at most {max(costs):.2f} K, over the coldest"
    )


def powers(rng: np.random.Generator, count: int) -> Iterable[str]:
    """Four coolers, one run at a fifth more power, brought to one power."""
    errors, leaks = [], []
    for _ in range(count):
        plans = [
            replace(
                any_plan(rng),
                speed_share=share,
                load_w=110.0 * (1.2 if number == 2 else 1.0),
                leakage_per_k=0.004,
                wander_w=0.5,
                seconds=2400.0,
            )
            for number, share in enumerate((1.0, 0.7, 0.5, 0.4))
        ]
        runs = [powered(evaluated(plan, rng)) for plan in plans]
        leakage = fit_leakage(runs)
        leaks.append(leakage.per_k)
        power_w = leakage.referred_w(runs[0])
        for plan, run in zip(plans, runs, strict=True):
            # Truth: the same work as the first, at its reference temperature.
            work_w = power_w / (1.0 + 0.004 * (leakage.reference_c - 60.0))
            still = replace(plan, load_w=work_w, ambient_c=23.0)
            brought = at_common_power(run, leakage, power_w=power_w, ambient_c=23.0)
            off_k = brought.rise_k - true_rise_k(still)
            errors.append(abs(off_k))
    yield (
        f"brought to one power, leakage 0.4 %/K found as {100 * np.median(leaks):.2f} %/K: "
        f"median error {np.median(errors):.2f} K, 95 % below {np.quantile(errors, 0.95):.2f} K"
    )


def powered(result: ThermalRun) -> PoweredRun:
    """What of a run enters the common power."""
    assert result.power is not None
    assert result.resistance is not None
    return PoweredRun(
        result.power.mean,
        result.processor_c,
        result.ambient_c,
        result.resistance.mean,
        result.resistance.U95,
    )


def held(seed: int, hours: float) -> Iterable[str]:
    """Hold speeds for hours while the fan wears, the load cycles and the tachometer drops out."""
    bench = HeldBench(seed=seed)
    hours_of_trouble(bench, hours, np.random.default_rng(seed))
    matched = {"fan": MatchedActuator(55.0, 1200.0), "pump": MatchedActuator(70.0, 2060.0)}
    kept: list[str] = []
    began = time.perf_counter()
    span = hold_speeds(
        HoldRequest(matched),
        bench,
        bench.describe(),
        bench,
        until=lambda held_s: "It was enough." if held_s >= 3600.0 * hours else None,
        keep=lambda second: kept.append(second.state.control),
        tell=lambda text: sys.stdout.write(f"{text}\n"),
    )
    took_s = time.perf_counter() - began
    yield f"held for {hours:g} h in {took_s:.0f} s: {span.outcome}, {len(kept)} seconds logged"
    for name, wanted in matched.items():
        goals = np.array([goal[name] for goal in bench.goals[90:]])
        off = np.convolve(goals, np.ones(30) / 30.0, "valid") / wanted.rpm - 1.0
        yield f"  {name}: mean of half a minute within {100 * np.abs(off).max():.2f} %"
    yield (
        f"  seconds without the lease: {sum(control != 'leased' for control in kept)}, "
        f"highest temperature {max(bench.temperatures_c):.1f} C of 90 C"
    )


def week() -> Iterable[str]:
    """Read and evaluate a log of a week at 10 Hz."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "week.csv"
        rng = np.random.default_rng(1)
        rows = 7 * 86_400 * 10
        with path.open("w", encoding="utf-8") as file:
            file.write("time s,CPU [C],Room [C],CPU power [W],fan [rpm]\n")
            for begin in range(0, rows, 100_000):
                place = np.arange(begin, min(begin + 100_000, rows))
                high = (place // 400) % 3 != 2
                noise = rng.standard_normal((3, place.size))
                air = 22.0 + 2.0 * np.sin(place / 4e5)
                watts = np.where(high, 120.0, 30.0) + noise[0]
                hot = air + 0.25 * np.where(high, 120.0, 30.0) + 0.3 * noise[1]
                fan = 1000.0 + 3.0 * noise[2]
                table = np.column_stack([place / 10.0, hot, air, watts, fan])
                np.savetxt(file, table, "%.1f,%.1f,%.1f,%.1f,%.0f")
        size_mb = path.stat().st_size / 1e6
        began = time.perf_counter()
        done = subprocess.run(
            [str(Path(sys.executable).with_name("evenhush")), "compare", str(path)],
            check=True,
            capture_output=True,
            text=True,
        )
        took_s = time.perf_counter() - began
        yield done.stdout
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3
    yield f"{rows} rows, {size_mb:.0f} MB: {took_s:.1f} s, {peak_mb:.0f} MB of memory"


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--week", action="store_true")
    parser.add_argument("--hold", type=float, metavar="HOURS")
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    parts: Sequence[Iterable[str]] = (
        [week()]
        if asked.week
        else [held(asked.seed, asked.hold)]
        if asked.hold
        else [
            rises(rng, asked.runs),
            pairs(rng, asked.runs // 2),
            curves(rng, asked.runs // 10),
            powers(rng, asked.runs // 10),
        ]
    )
    for part in parts:
        for line in part:
            sys.stdout.write(f"{line}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
