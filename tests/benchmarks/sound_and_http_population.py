"""How right and how quick a match is with everything in between: real samples and real HTTP.

Run as ``python tests/benchmarks/sound_and_http_population.py [--coolers 200] [--jobs 2]``: random
coolers of the service's own simulation stand in random rooms, each on a bench of its own behind
HTTP. For each the microphone is calibrated by a tone, the empty room is listened to, and the cooler
is matched on the samples that reach the microphone, as quickly as these can be computed. True
levels come from the closed forms of the simulation, which nothing that is tried knows. The same
seed gives the same table whatever the number of jobs, wall times apart. Nothing is asserted.
"""

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

# One core a process, before NumPy is loaded: the processes are the parallel part.
os.environ.update(
    dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from closed_loop.population_report import CLEARLY_DB, Reach, figures, share

from calibration.reference_tone import ReferenceTone
from calibration.results import FloorReading, MatchRequest
from calibration.steps import Heard
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.floor import FloorDocument
from service.jobs.calibrating import calibrate
from service.jobs.floor_checking import check_floor
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.cooler import Cooler
from service.simulation.plant import Plant
from service.simulation.population import random_cooler, random_room
from service.simulation.sound_source import SimulatedSource
from service.simulation.truth import cooler_level_db, settled_level_db
from service.wiring.matching import match_and_record

TONE = ReferenceTone(level_db=94.0, frequency_hz=1000.0)
TONE_S = 6.0
FLOOR_S = 30.0
NAMES = {"quieter-at-full-speed": "too quiet", "louder-at-minimum": "too loud"}


@dataclass(frozen=True, slots=True)
class SoundTrial:
    """One cooler that was calibrated, listened to and matched, and what is true of it."""

    seed: int
    reach: Reach
    hunting_db: float
    fans: int
    has_pump: bool
    outcome: str
    settings: int
    bench_s: float
    true_db: float
    """True level at the duties it ended with, settled, play included."""
    stated_db: float
    stated_sd_db: float
    wall_s: float

    @property
    def matched(self) -> bool:
        """Whether it says that it made the target."""
        return self.outcome == "matched"

    @property
    def covered(self) -> bool:
        """Whether the stated 95 % interval holds the true level."""
        return abs(self.stated_db - self.true_db) <= 1.96 * self.stated_sd_db


def reach_of(cooler: Cooler, target_db: float) -> Reach:
    """Tell whether a cooler can make a target, from all its speeds."""
    fan = cooler.machines["fan"]
    pumps = [machine for name, machine in cooler.machines.items() if name == "pump"]
    slowest_percent = max(fan.min_duty_percent, fan.law.stall_duty_percent)

    def levels_db(pump_percent: float) -> list[float]:
        """Levels over all fan duties that turn."""
        duties = np.linspace(slowest_percent, 100.0, 200).tolist()
        others = dict.fromkeys(["pump"] if pumps else [], pump_percent)
        return [cooler_level_db(cooler, {"fan": duty, **others}) for duty in duties]

    quiet_db = levels_db(pumps[0].min_duty_percent if pumps else 0.0)
    loud_db = levels_db(100.0)
    if max(loud_db) < target_db - CLEARLY_DB:
        return "too quiet"
    if min(quiet_db) > target_db + CLEARLY_DB:
        return "too loud"
    spans = quiet_db[0] <= target_db - CLEARLY_DB and loud_db[-1] >= target_db + CLEARLY_DB
    return "reachable" if spans else "at an edge"


def prepared(seed: int) -> tuple[CalibrationDocument, FloorDocument]:
    """Calibrate in the room of a seed, and listen to it with nothing mounted."""
    empty = SimulatedSource(Plant(Cooler("nothing", {}), seed=2 * seed, room=random_room(seed)))
    empty.position = "calibrator"
    calibration = calibrate(empty, TONE, channel=1, seconds=TONE_S, time=utc_now())
    empty.position = "room"
    return calibration, check_floor(empty, calibration, seconds=FLOOR_S, time=utc_now())


def sound_trial(number: int, first_seed: int, target_db: float, tolerance_db: float) -> SoundTrial:
    """Do the whole job on one cooler."""
    seed, began = first_seed + number, time.monotonic()
    cooler = random_cooler(seed)
    calibration, floor = prepared(seed)
    plant = Plant(cooler, seed=2 * seed + 1, room=random_room(seed))
    request = MatchRequest(target_db, tolerance_db, floor=FloorReading(floor.LAeq_db, floor.U95_db))
    true_db = -np.inf

    def note_truth(_: Heard) -> None:
        """Remember the truth: after the last sound the bench goes back to its own control."""
        nonlocal true_db
        true_db = settled_level_db(plant)

    # Time on this bench is the sound that was drawn from it.
    guard = BenchGuard(
        SimulatedBench(plant), hardware_clock=lambda: plant.frames_drawn / plant.rate_hz
    )
    with tempfile.TemporaryDirectory() as folder, BenchServer(guard) as server:
        bench = BenchClient(server.url)
        try:
            result, _ = match_and_record(
                cooler.name,
                request,
                bench,
                SimulatedSource(plant),
                calibration,
                trail_path=Path(folder) / "trail.jsonl",
                tell=lambda _: None,
                heard=note_truth,
            )
        finally:
            bench.close()
    fan = cooler.machines["fan"]
    return SoundTrial(
        seed=seed,
        reach=reach_of(cooler, target_db),
        hunting_db=fan.hunting_db,
        fans=len(fan.speed_ratios),
        has_pump="pump" in cooler.machines,
        outcome=result.outcome,
        settings=result.settings_visited,
        bench_s=result.bench_s,
        true_db=true_db,
        stated_db=np.nan if result.level is None else result.level.mean_db,
        stated_sd_db=np.nan if result.level is None else result.level.sd_db,
        wall_s=time.monotonic() - began,
    )


def table(trials: Sequence[SoundTrial], target_db: float) -> Iterator[str]:
    """Print what came of it, in the rows of `closed_loop.population_report`."""
    reachable = [one for one in trials if one.reach == "reachable"]
    matched = [one for one in trials if one.matched]
    unreachable = [one for one in trials if one.reach in ("too quiet", "too loud")]
    noisy_db = np.quantile([one.hunting_db for one in trials], 2 / 3)

    def within(some: Sequence[SoundTrial], limit_db: float) -> str:
        """Share that says it made the target and is truly within a limit."""
        return share([one.matched and abs(one.true_db - target_db) <= limit_db for one in some])

    rows = {
        "settings visited, median/p95/mean": figures([o.settings for o in reachable], 1),
        "bench s, median/p95/mean": figures([o.bench_s for o in reachable]),
        "within 0.3 dB, of the matched": within(matched, 0.3),
        "within 0.5 dB, of the matched": within(matched, 0.5),
        "within 0.3 dB, of the reachable": within(reachable, 0.3),
        "within 0.5 dB, of the reachable": within(reachable, 0.5),
        "stated intervals hold": share([o.covered for o in matched]),
        "... noisiest third": share([o.covered for o in matched if o.hunting_db > noisy_db]),
        "... two fans alike": share([o.covered for o in matched if o.fans > 1]),
        "... with a pump": share([o.covered for o in matched if o.has_pump]),
        "mean of stated less true, dB": (
            f"{np.mean([o.stated_db - o.true_db for o in matched]):+.3f}" if matched else "–"
        ),
        "median stated half-width, dB": (
            f"{np.median([1.96 * o.stated_sd_db for o in matched]):.2f}" if matched else "–"
        ),
        "unreachable named so": share([NAMES.get(o.outcome) == o.reach for o in unreachable]),
        "reachable refused": share([o.outcome in NAMES for o in reachable]),
        "reachable left unsteady": share([o.outcome == "unsteady" for o in reachable]),
        "wall s of one, median/p95/mean": figures([o.wall_s for o in trials], 1),
    }
    kinds = Counter(one.reach for one in trials)
    yield f"{len(trials)} coolers: " + ", ".join(f"{n} {kind}" for kind, n in kinds.most_common())
    yield from (f"{label:35}{value:>22}" for label, value in rows.items())
    ends = Counter(one.outcome for one in trials)
    yield "ends: " + ", ".join(f"{count} {outcome}" for outcome, count in ends.most_common())
    missed = [o for o in matched if abs(o.true_db - target_db) > CLEARLY_DB]
    yield from (
        f"seed {o.seed}: truly {o.true_db:.2f} dB, stated {o.stated_db:.2f} "
        f"+-{1.96 * o.stated_sd_db:.2f} dB"
        for o in missed
    )


def main() -> None:
    """Try the population and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--coolers", type=int, default=200, help="how many to draw")
    parser.add_argument("--first-seed", type=int, default=70_000)
    parser.add_argument("--target-db", type=float, default=40.0)
    parser.add_argument("--tolerance-db", type=float, default=0.3)
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    work = partial(
        sound_trial,
        first_seed=asked.first_seed,
        target_db=asked.target_db,
        tolerance_db=asked.tolerance_db,
    )
    began = time.monotonic()
    with ProcessPoolExecutor(max_workers=asked.jobs) as pool:
        trials = list(pool.map(work, range(asked.coolers)))
    heading = (
        f"target {asked.target_db:g} +-{asked.tolerance_db:g} dB, seeds from {asked.first_seed}, "
        f"real samples and HTTP, {time.monotonic() - began:.0f} s with {asked.jobs} processes"
    )
    sys.stdout.write("\n".join([heading, *table(trials, asked.target_db)]) + "\n")


if __name__ == "__main__":
    main()
