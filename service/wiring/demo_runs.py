"""The thermal runs of the demonstration: every cooler held and heated, and the comparison."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.clock import utc_now, utc_text
from service.documents.calibration import CalibrationDocument
from service.documents.comparison import ComparisonDocument
from service.jobs.holding import level_of_second
from service.jobs.listening import CalibratedSound, LevelListener
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.document_files import save_text
from service.storage.names import file_stem
from service.wiring.comparing import (
    ComparisonRequest,
    RunRequest,
    compare_runs,
    write_comparison,
)
from service.wiring.held_settings import WantedSetting, choose_setting
from service.wiring.holding import HoldOrder, hold_and_record
from service.wiring.run_settings import FULL_SPEED

__all__ = ["DemoComparison", "run_demo_comparison"]

_RUN_S: Final = 225.0
_BEFORE_S: Final = 600
"""Heated for so long before anything is logged, so that a liquid is warm."""
_PERIOD_S: Final = 30
_HIGH_S: Final = 21
_HIGH_W: Final = 150.0
_LOW_W: Final = 40.0
_WANDER_W: Final = 1.5
_WANDER_S: Final = 20.0
_HEARD_EVERY_S: Final = 14
"""Sound of one second in so many is made, as making it takes a hundred times as long as heat."""
_CLOCK_OFF_S: Final = -12.0
"""The clock of the machine that heats, against ours."""


@dataclass(frozen=True, slots=True)
class DemoComparison:
    """What the thermal runs came to."""

    document: ComparisonDocument
    """The comparison."""
    files: tuple[Path, ...]
    """What was written: the comparison first, then table and pictures."""


def run_demo_comparison(
    folder: Path,
    plants: Sequence[Plant],
    calibration: CalibrationDocument,
    *,
    seed: int,
    say: Callable[[str, str], None],
) -> DemoComparison:
    """Hold every cooler at its matched speeds and at full speed under a load, and compare.

    Parameters
    ----------
    folder : Path
        Where ``matched-settings.json`` stands, and where to write.
    plants : sequence of Plant
        The coolers, each on a bench of its own.
    calibration : CalibrationDocument
        Calibration of the microphone.
    seed : int
        Seed of everything random.
    say : callable
        Given a cooler and a remark about it.

    Returns
    -------
    DemoComparison
        The comparison.

    Raises
    ------
    EvenhushError
        If something could not be done, such as writing to the folder.
    """
    settings = folder / "matched-settings.json"
    requests = []
    for number, plant in enumerate(plants):
        name = plant.cooler.name
        wanted = [
            WantedSetting(name, None, None, {}, None, None, None),
            choose_setting([settings], name),
        ]
        for place, each in enumerate(wanted):
            at = FULL_SPEED if each.target_db is None else f"{each.target_db:g} dB(A)"
            say(name, f"heating at {at}")
            ending = "full" if each.target_db is None else f"{each.target_db:g}db"
            log = folder / "runs" / f"{file_stem(name)}-{ending}.csv"
            logs = _run(log, plant, each, calibration, [seed, number, place])
            requests.append(RunRequest(name, each.target_db or FULL_SPEED, "", logs))
        say(name, "heated at both")
    document = compare_runs(ComparisonRequest(requests, [settings]))
    files = write_comparison(
        document,
        out=folder / "comparison.json",
        csv=folder / "comparison.csv",
        pictures=[folder / "comparison.png", folder / "comparison.svg"],
    )
    return DemoComparison(document, tuple(files))


def _run(
    log: Path,
    plant: Plant,
    wanted: WantedSetting,
    calibration: CalibrationDocument,
    seed: list[int],
) -> tuple[Path, Path]:
    """Hold one cooler over HTTP while it is heated; returns its logs."""
    load_log = log.with_name(f"{log.stem}-load.csv")
    for path in (log, log.with_suffix(".json")):
        # A demonstration does not keep what an earlier one left.
        path.unlink(missing_ok=True)
    listener = LevelListener(CalibratedSound(SimulatedSource(plant, name="demo"), calibration))
    seconds = _HeatedSeconds(plant, listener, np.random.default_rng(seed))
    hardware = SimulatedBench(plant, name=file_stem(plant.cooler.name))
    guard = BenchGuard(hardware, hardware_clock=lambda: float(seconds.passed_s))
    order = HoldOrder(wanted, log, _RUN_S, None, 1.0, 0.5)
    with BenchServer(guard) as server:
        bench = BenchClient(server.url)
        try:
            hold_and_record(order, bench, seconds, lambda _: None, listens=True)
        finally:
            bench.close()
    save_text(load_log, seconds.load_log())
    return log, load_log


class _HeatedSeconds:
    """Seconds in which a load comes and goes, written down by the clock of its own machine."""

    def __init__(
        self, plant: Plant, listener: LevelListener, generator: np.random.Generator
    ) -> None:
        self._plant = plant
        self._listener = listener
        self._generator = generator
        self._start = utc_now()
        self._wander_w = 0.0
        self._rows: list[str] = []
        self._warm = False
        self.passed_s = 0
        """Seconds that have passed."""

    def pass_one(self) -> float | None:
        """Let a second of heat pass, and hear one in fourteen."""
        if not self._warm:
            self._warm = True
            share = _HIGH_S / _PERIOD_S
            self._plant.set_load(share * _HIGH_W + (1.0 - share) * _LOW_W)
            self._plant.advance(float(_BEFORE_S))
        keep = float(np.exp(-1.0 / _WANDER_S))
        fresh = _WANDER_W * np.sqrt(1.0 - keep**2) * self._generator.standard_normal()
        self._wander_w = keep * self._wander_w + float(fresh)
        high = self.passed_s % _PERIOD_S < _HIGH_S
        load_w = (_HIGH_W if high else _LOW_W) + self._wander_w
        self._plant.set_load(load_w)
        self.passed_s += 1
        room_c = self._plant.room.ambient_c + 0.05 * self._generator.standard_normal()
        by_its_clock = self.now() + timedelta(seconds=_CLOCK_OFF_S)
        self._rows.append(f"{utc_text(by_its_clock)};{load_w:.1f};{room_c:.1f}")
        if self.passed_s % _HEARD_EVERY_S == 0:
            return level_of_second(self._listener)
        self._plant.advance(1.0)
        return None

    def now(self) -> datetime:
        """Return the time as the seconds make it."""
        return self._start + timedelta(seconds=self.passed_s)

    def without_sound(self) -> "_HeatedSeconds":
        """Return itself: simulated sound does not fail."""
        return self

    def load_log(self) -> str:
        """Return what the heating machine has written down."""
        return "\n".join(["time;power [W];room [C]", *self._rows]) + "\n"
