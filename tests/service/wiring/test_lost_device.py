"""A match during which the microphone is lost and comes back, on a bench over real HTTP."""

import threading
from contextlib import contextmanager

import numpy as np
import pytest
from series_doubles import CALIBRATION

from calibration.results import FloorReading, MatchRequest
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.capture.arrivals import Heard
from service.capture.audio_devices import InputDevice
from service.capture.device import DeviceSource
from service.capture.device_messages import Opened
from service.documents.trail import parse_step
from service.jobs.listening import CalibratedSound, LevelListener
from service.jobs.matching import match_cooler
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.truth import cooler_level_at_rpm_db

WAIT_S = 20.0
LEASE_S = 0.6
REQUEST = MatchRequest(40.0, 0.3, floor=FloorReading(26.17, 0.3))


class PlantRecorder:
    """Hears a simulated room for so many seconds, then it is lost."""

    opened = Opened(InputDevice(0, "Microphone (hw:1,0)", "ALSA", 1, 48_000), only_one=True)
    why_lost = "has stopped"

    def __init__(self, plant, seconds):
        self._plant, self._left = plant, round(seconds * plant.rate_hz)

    def take(self, frames):
        """Take what there is to hear."""
        self._left -= frames
        if self._left < 0:
            return None
        return Heard(self._plant.draw(frames)[:, None].astype(np.float32))

    def end(self):
        """Do nothing."""


class LeaseCounter(BenchGuard):
    """A guard that counts how often its lease is renewed."""

    def __init__(self, hardware):
        super().__init__(hardware, lease_max_s=LEASE_S)
        self.renewed = threading.Semaphore(0)

    def renew(self, lease, seconds):
        """Renew it and count."""
        grant = super().renew(lease, seconds)
        self.renewed.release()
        return grant


@contextmanager
def matching(while_lost):
    """Match a cooler whose microphone is lost after 8 s; yield all there is to look at."""
    plant = Plant(COOLERS["Fjord 140"], seed=4)
    guard = LeaseCounter(SimulatedBench(plant))
    recorders = [PlantRecorder(plant, 8.0), PlantRecorder(plant, 600.0)]

    def record(_order, _stall_s, _open_s):
        recorder = recorders.pop(0)
        if not recorders:
            while_lost(guard)
        return recorder

    told, kept = [], []
    source = DeviceSource("microphone", rate_hz=48_000, channels=1, tell=told.append, record=record)
    listener = LevelListener(CalibratedSound(source, CALIBRATION))
    with BenchServer(guard) as server:
        client = BenchClient(server.url)
        try:
            result = match_cooler(REQUEST, client, listener, keep=kept.append, tell=lambda _: None)
        finally:
            client.close()
            source.close()
        yield plant, result, told, [parse_step(line, "x") for line in kept]


def test_a_match_goes_on_with_the_device_that_is_back():
    """The lease lives through the pause, the lost sound is invalid, and the level is right."""

    def outlast_the_lease(guard):
        for _ in range(5):  # each renewal comes a third of a lease after the one before
            assert guard.renewed.acquire(timeout=WAIT_S)

    with matching(outlast_the_lease) as (plant, result, told, steps):
        rpm = {name: actuator.rpm for name, actuator in result.actuators.items()}

        assert result.outcome == "matched"
        assert cooler_level_at_rpm_db(plant.cooler, rpm) == pytest.approx(40.0, abs=0.5)
    # The interval that holds the gap, and what is left of half a second after it.
    assert sum(len(step.invalid or []) for step in steps) == 5
    assert ["waiting up to" in text for text in told] == [True, False]
    assert "is back after" in told[1]


def test_a_bench_protects_itself_while_the_device_is_lost():
    """Nobody has to hear anything for that; the match ends as stopped when it goes on."""

    def get_hot(guard):
        guard._protect("the processor is at its limit")

    with matching(get_hot) as (_, result, _, _):
        assert result.outcome == "stopped"
        assert "the processor is at its limit" in result.why
