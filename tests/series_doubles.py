"""A simulated bench over HTTP for series of matches and rechecks, and the person beside it."""

from contextlib import contextmanager
from datetime import UTC, datetime

from bench_doubles import HandClock

from calibration.results import FloorReading, MatchRequest
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.documents.calibration import CalibrationDocument, CalibrationTone
from service.errors import CaptureError
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.wiring.match_series import Hearing, run_series

CALIBRATION = CalibrationDocument(
    accepted=True,
    pascal_per_unit=6.4,
    rate_hz=48_000,
    tone=CalibrationTone(
        frequency_hz=1000.0,
        level_dbfs=-20.0,
        stability_db=0.01,
        distortion_percent=0.1,
        signal_to_noise_db=60.0,
    ),
    U95_db=0.3,
    time=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
    reasons=[],
    input="simulated:south",
    channel=1,
)
FLOOR = FloorReading(26.17, 0.3)


class Somebody:
    """A person who mounts a number of coolers, and remembers what was said."""

    anew = "--fresh"

    def __init__(self, mounts=0):
        self.left, self.said, self.asked = mounts, [], []

    def tell(self, text):
        """Remember a remark."""
        self.said.append(text)

    def mounts(self, cooler):
        """Mount it, as long as there is time."""
        self.asked.append(cooler)
        self.left -= 1
        return self.left >= 0


class PullsTheCable(Somebody):
    """A person who pulls the microphone's cable some time after a remark."""

    def __init__(self, source, *, when, after_s):
        super().__init__()
        self.source, self.when, self.after_s = source, when, after_s

    def tell(self, text):
        """Remember a remark, and pull the cable after the right one."""
        super().tell(text)
        if self.when in text and self.source.fails_after_s is None:
            self.source.fails_after_s = self.after_s


class CountedBench(BenchClient):
    """A connection that counts how often the lease is taken."""

    leases = 0

    def acquire(self, holder):
        """Count it."""
        super().acquire(holder)
        self.leases += 1


class FailingSource(SimulatedSource):
    """A microphone whose cable is pulled after a time."""

    fails_after_s = None

    def read(self, frames):
        """Read, or fail."""
        if self.fails_after_s is not None:
            self.fails_after_s -= frames / self.rate_hz
            if self.fails_after_s < 0:
                raise CaptureError("The cable was pulled.")
        return super().read(frames)


class Bench:
    """A simulated bench over HTTP with everything that a series needs."""

    def __init__(self, folder, **surroundings):
        self.folder = folder
        self.plant = Plant(COOLERS["Fjord 140"], seed=4, **surroundings)
        self.guard = BenchGuard(SimulatedBench(self.plant), clock=HandClock())
        self.client = None
        self.source = FailingSource(self.plant, name="simulated:south")

    @contextmanager
    def hear(self, _cooler):
        """Give the input."""
        yield Hearing(self.source, CALIBRATION)

    def run(self, plan, somebody=None, **more):
        """Run a series."""
        return run_series(
            plan,
            self.client,
            self.hear,
            somebody or Somebody(),
            data_folder=self.folder / "data",
            **more,
        )


def requests(*targets_db):
    """Ask for levels."""
    return tuple(MatchRequest(float(level_db), 0.3, floor=FLOOR) for level_db in targets_db)
