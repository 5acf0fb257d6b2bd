"""The demonstration: a simulated room and benches, and the whole job on them over real HTTP."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol

from calibration.drift import Drift, judge_drift
from calibration.reference_tone import ReferenceTone
from calibration.results import FloorReading, MatchRequest, MatchResult
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.floor import FloorDocument
from service.documents.matched_settings import CoolerPart, MatchedSettingsDocument
from service.errors import CaptureError
from service.jobs.calibrating import calibrate
from service.jobs.floor_checking import check_floor
from service.jobs.settings_document import settings_document
from service.reports.level_picture import LevelPanel
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.cooler import Cooler
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.document_files import make_folder, save_text
from service.storage.names import file_stem
from service.wiring.demo_runs import DemoComparison, run_demo_comparison
from service.wiring.matching import match_and_record
from service.wiring.series import write_series

__all__ = ["DemoResult", "DemoView", "run_demo"]

_TONE: Final = ReferenceTone(level_db=94.0, frequency_hz=1000.0)
_TONE_S: Final = 6.0
_FLOOR_S: Final = 30.0


class DemoView(Protocol):
    """Who watches the demonstration."""

    def say(self, text: str) -> None:
        """Take a remark about the whole series."""
        ...

    def cooler_says(self, cooler: str, text: str) -> None:
        """Take a remark about one cooler."""
        ...

    def cooler_done(self, part: CoolerPart) -> None:
        """Take the result of one cooler."""
        ...


@dataclass(frozen=True, slots=True)
class DemoResult:
    """What the demonstration came to."""

    document: MatchedSettingsDocument
    """The matched settings."""
    drift: Drift
    """The microphone's drift over the series."""
    files: tuple[Path, ...]
    """What was written, the settings first."""
    comparison: DemoComparison
    """What the thermal runs came to."""


@dataclass(frozen=True, slots=True)
class _Series:
    """What all matches of the demonstration share."""

    folder: Path
    request: MatchRequest
    calibration: CalibrationDocument
    view: DemoView


def run_demo(folder: Path, request: MatchRequest, *, seed: int, view: DemoView) -> DemoResult:
    """Calibrate, check the floor, match every simulated cooler, heat all of them, and compare.

    Parameters
    ----------
    folder : Path
        Where to write.
    request : MatchRequest
        Target and tolerance; the floor is measured.
    seed : int
        Seed of everything random in the room: the same seed gives the same result.
    view : DemoView
        Who watches.

    Returns
    -------
    DemoResult
        What came out.

    Raises
    ------
    EvenhushError
        If something could not be done, such as writing to the folder.
    """
    make_folder(folder)
    empty = SimulatedSource(Plant(Cooler("nothing", {}), seed=seed), name="simulated:demo")
    calibration = _calibrate(empty, view.say)
    save_text(folder / "calibration.json", calibration.to_json())
    floor = _check_floor(empty, calibration, view.say)
    save_text(folder / "floor.json", floor.to_json())
    known = FloorReading(level_db=floor.LAeq_db, U95_db=floor.U95_db)
    series = _Series(folder, replace(request, floor=known), calibration, view)

    coolers: list[CoolerPart] = []
    panels: list[LevelPanel] = []
    trails: list[Path] = []
    plants: list[Plant] = []
    source = empty
    for number, cooler in enumerate(COOLERS.values(), start=1):
        plant = Plant(cooler, seed=seed + number)
        source = SimulatedSource(plant, name="simulated:demo")
        result, part, trail = _match(series, plant, source)
        coolers.append(part)
        panels.append(LevelPanel(cooler.name, series.request, result))
        trails.append(trail)
        plants.append(plant)
        view.cooler_done(part)

    drift = _check_drift(source, calibration, view.say)
    document = settings_document(
        series.request, coolers, time=utc_now(), calibration=calibration, drift=drift
    )
    files = write_series(folder / "matched-settings.json", document, panels)
    others = [folder / "calibration.json", folder / "floor.json", *trails]
    view.say("heating every cooler at full speed and as matched, with its speeds held")
    comparison = run_demo_comparison(folder, plants, calibration, seed=seed, say=view.cooler_says)
    return DemoResult(document, drift, (*files, *others), comparison)


def _calibrate(source: SimulatedSource, say: Callable[[str], None]) -> CalibrationDocument:
    """Calibrate the simulated microphone."""
    say("putting the calibrator (94 dB, 1 kHz) over the microphone")
    source.position = "calibrator"
    calibration = calibrate(source, _TONE, channel=1, seconds=_TONE_S, time=utc_now())
    source.position = "room"
    if not calibration.accepted:
        raise CaptureError(f"The reference tone was refused: {' '.join(calibration.reasons)}")
    say(f"calibrated: {calibration.pascal_per_unit:.4f} Pa per unit, +-{calibration.U95_db:.2f} dB")
    return calibration


def _check_floor(
    source: SimulatedSource, calibration: CalibrationDocument, say: Callable[[str], None]
) -> FloorDocument:
    """Check the floor of the simulated room with nothing mounted."""
    say(f"listening to the empty room for {_FLOOR_S:.0f} s")
    floor = check_floor(source, calibration, seconds=_FLOOR_S, time=utc_now())
    say(
        f"room floor: {floor.LAeq_db:.1f} +-{floor.U95_db:.1f} dB(A), "
        f"{floor.rejected_s:.1f} s disturbed and left out"
    )
    return floor


def _check_drift(
    source: SimulatedSource, calibration: CalibrationDocument, say: Callable[[str], None]
) -> Drift:
    """Repeat the calibration and compare."""
    say("checking the calibration once more")
    source.position = "calibrator"
    after = calibrate(source, _TONE, channel=1, seconds=_TONE_S, time=utc_now())
    if not after.accepted or after.pascal_per_unit is None or calibration.pascal_per_unit is None:
        raise CaptureError(f"The closing tone was refused: {' '.join(after.reasons)}")
    drift = judge_drift(calibration.pascal_per_unit, after.pascal_per_unit)
    say(f"the microphone drifted by {drift.drift_db:+.2f} dB over the series")
    return drift


def _match(
    series: _Series, plant: Plant, source: SimulatedSource
) -> tuple[MatchResult, CoolerPart, Path]:
    """Match one simulated cooler over HTTP."""
    name = plant.cooler.name
    hardware = SimulatedBench(plant, name=file_stem(name))
    # Time on this bench is the sound that was drawn from it.
    guard = BenchGuard(hardware, hardware_clock=lambda: plant.frames_drawn / plant.rate_hz)
    trail_path = series.folder / f"{file_stem(name)}.trail.jsonl"
    with BenchServer(guard) as server:
        bench = BenchClient(server.url)
        try:
            result, part = match_and_record(
                name,
                series.request,
                bench,
                source,
                series.calibration,
                trail_path=trail_path,
                tell=lambda text: series.view.cooler_says(name, text),
            )
        finally:
            bench.close()
    return result, part, trail_path
