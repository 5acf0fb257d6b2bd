"""A match over real HTTP and real samples against the simulated bench, and its replay."""

import warnings
from contextlib import contextmanager
from dataclasses import replace as with_changes
from datetime import UTC, datetime

import numpy as np
import pytest
from mosqito import loudness_zwst

from calibration.goal import LoudnessTarget
from calibration.results import FloorReading, MatchRequest
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.documents.learned import LearnedPart
from service.documents.trail import TrailHeader, parse_step, result_line
from service.errors import (
    CaptureError,
    DocumentError,
    EvenhushError,
    SafetyStop,
    SettingsError,
)
from service.jobs.listening import CalibratedSound, LevelListener
from service.jobs.matching import match_cooler, replay
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.cooler import steady
from service.simulation.faults import MissingFrames, Stall
from service.simulation.microphone import Microphone
from service.simulation.plant import Plant
from service.simulation.room import Room
from service.simulation.sound_source import SimulatedSource
from service.simulation.truth import cooler_level_db

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
REQUEST = MatchRequest(40.0, 0.3, floor=FloorReading(26.17, 0.3))


@contextmanager
def simulated(name, seed=4, **surroundings):
    """Serve a simulated cooler over HTTP; yield plant, guard and client."""
    plant = Plant(COOLERS[name], seed=seed, **surroundings)
    guard = BenchGuard(SimulatedBench(plant))
    with BenchServer(guard) as server:
        client = BenchClient(server.url)
        try:
            yield plant, guard, client
        finally:
            client.close()


def run(plant, client, calibration, *, source=None, request=REQUEST, keep=None, **more):
    """Match with usual arguments."""
    listener = LevelListener(
        CalibratedSound(source or SimulatedSource(plant), calibration),
        bands=request.loudness is not None,
    )
    return match_cooler(
        request,
        client,
        listener,
        keep=(lambda _: None) if keep is None else keep,
        tell=lambda _: None,
        **more,
    )


@pytest.mark.parametrize("name", ["Fjord 140", "Isthmus 2x140", "Lagoon 240"])
def test_a_matched_cooler_truly_makes_the_target(calibrated, name):
    """The true level at the given duties is within the tolerance, and the bench is free again."""
    with simulated(name) as (plant, guard, client):
        result = run(plant, client, calibrated(48_000, 6.4))
        control = guard.state().control

    duties = {key: actuator.duty_percent for key, actuator in result.actuators.items()}
    assert result.outcome == "matched"
    assert cooler_level_db(plant.cooler, duties) == pytest.approx(40.0, abs=0.3)
    assert control == "own"


@pytest.mark.parametrize(
    ("name", "outcome"),
    [("Moor 120", "quieter-at-full-speed"), ("Gannet 80", "louder-at-minimum")],
)
def test_an_unreachable_cooler_is_named_so(calibrated, name, outcome):
    """Too quiet at full speed, too loud at the lowest: each gives the setting at its limit."""
    with simulated(name) as (plant, _, client):
        result = run(plant, client, calibrated(48_000, 6.4))

    assert result.outcome == outcome
    assert result.actuators["fan"].duty_percent == {"Moor 120": 100.0, "Gannet 80": 30.0}[name]


def test_the_trail_replays_to_the_same_result(calibrated):
    """Decisions are a pure function of the answers: through JSON and back nothing changes."""
    lines = []
    with simulated("Estuary 360") as (plant, _, client):
        header = TrailHeader(
            time=TIME,
            cooler="Estuary 360",
            request=REQUEST,
            bench=client.describe(),
            pascal_per_unit=6.4,
        )
        result = run(plant, client, calibrated(48_000, 6.4), keep=lines.append)
    header = TrailHeader.from_json(header.model_dump_json(by_alias=True), "the header")
    steps = [parse_step(line, "a line") for line in lines]

    assert result_line(replay(header, steps)) == result_line(result)
    with pytest.raises(DocumentError, match="interrupted"):
        replay(header, steps[:-1])
    with pytest.raises(DocumentError, match="version"):
        replay(header, steps[1:])


def test_a_match_that_starts_from_an_earlier_one_replays_too(calibrated):
    """What was known beforehand stands in the trail to the last digit."""
    lines = []
    with simulated("Fjord 140") as (plant, _, client):
        first = run(plant, client, calibrated(48_000, 6.4))
        lower = with_changes(REQUEST, target_db=36.0)
        header = TrailHeader(
            time=TIME,
            cooler="Fjord 140",
            request=lower,
            bench=client.describe(),
            pascal_per_unit=6.4,
            learned=LearnedPart.of(first.learned),
        )
        second = run(
            plant,
            client,
            calibrated(48_000, 6.4),
            request=lower,
            keep=lines.append,
            learned=first.learned,
        )
    header = TrailHeader.from_json(header.model_dump_json(by_alias=True), "the header")
    steps = [parse_step(line, "a line") for line in lines]

    assert first.learned.settings
    assert second.outcome == "matched"
    assert second.learned.settings[: len(first.learned.settings)] == first.learned.settings
    assert result_line(replay(header, steps)) == result_line(second)


def test_dropped_sound_never_enters_a_level(calibrated):
    """A drop-out in the middle of listening is left out, and the match still hits."""
    with simulated("Fjord 140") as (plant, _, client):
        source = MissingFrames(SimulatedSource(plant), at_s=9.0, frames=24_000)
        result = run(plant, client, calibrated(48_000, 6.4), source=source)

    assert result.outcome == "matched"
    assert cooler_level_db(
        plant.cooler, {"fan": result.actuators["fan"].duty_percent}
    ) == pytest.approx(40.0, abs=0.3)


def test_a_bench_that_takes_over_stops_the_match(calibrated):
    """A processor at its limit ends the match as stopped, with everything at full speed."""
    with simulated("Fjord 140", load_w=420.0) as (plant, guard, client):
        result = run(plant, client, calibrated(48_000, 6.4), heard=lambda _: guard.tick())

    assert result.outcome == "stopped"
    assert "processor" in result.why
    assert result.actuators is None


@pytest.mark.parametrize("error", [KeyboardInterrupt, CaptureError("gone"), ValueError("bug")])
def test_the_bench_is_released_on_every_way_out(calibrated, error):
    """Ctrl-C, a dead microphone and a bug all give the bench back at once."""

    def fail(_):
        raise error

    with simulated("Fjord 140") as (plant, guard, client):
        with pytest.raises(error if isinstance(error, type) else type(error)):
            run(plant, client, calibrated(48_000, 6.4), heard=fail)

        assert guard.state().control == "own"


def test_a_stalled_input_ends_the_match(calibrated):
    """An input that delivers nothing any more is an error, not a level."""
    with simulated("Fjord 140") as (plant, guard, client):
        source = Stall(SimulatedSource(plant), at_s=3.0)
        with pytest.raises(EvenhushError):
            run(plant, client, calibrated(48_000, 6.4), source=source)

        assert guard.state().control == "own"


def test_a_bench_that_is_safe_is_not_matched(calibrated):
    """A bench in its safe state lends itself to nobody: the match ends as stopped."""
    with simulated("Fjord 140", load_w=600.0) as (plant, guard, client):
        plant.advance(600.0)
        guard.tick()
        result = run(plant, client, calibrated(48_000, 6.4))

    assert result.outcome == "stopped"
    assert issubclass(SafetyStop, EvenhushError)


def test_a_floor_too_high_asks_nothing_of_the_bench(calibrated):
    """A match that the floor forbids is refused before any speed is touched."""
    request = MatchRequest(29.0, 0.3, floor=FloorReading(26.2, 0.2))
    steps = []
    with simulated("Fjord 140") as (plant, _, client):
        result = run(plant, client, calibrated(48_000, 6.4), request=request, keep=steps.append)

    assert result.outcome == "floor-too-high"
    assert steps == []


def own_loudness_sone(cooler, duties):
    """Loudness of a cooler alone in a dead quiet room, by another implementation."""
    room = Room(floor_db=-30.0, intrusions_per_minute=0.0)
    plant = Plant(steady(cooler), seed=9, room=room, microphone=Microphone(self_noise_db=-30.0))
    plant.set_duty(duties)
    plant.advance(30.0)
    sound_pa = 6.4 * plant.draw(15 * 48_000)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(loudness_zwst(sound_pa, 48_000, "free")[0])


@pytest.mark.parametrize(("name", "sone"), [("Fjord 140", 2.4), ("Lagoon 240", 2.0)])
@pytest.mark.parametrize("floor_given", [True, False])
def test_a_cooler_matched_to_a_loudness_truly_has_it(calibrated, name, sone, floor_given):
    """Free air and liquid, floor measured or listened for: the loudness is that of the cooler."""
    with simulated(name) as (plant, _, client):
        listener = LevelListener(
            CalibratedSound(SimulatedSource(plant), calibrated(48_000, 6.4)), bands=True
        )
        plant.set_duty(dict.fromkeys(plant.cooler.machines, 0.0))
        plant.advance(20.0)
        bands_db = 10 * np.log10(np.nanmean(10 ** (listener.take(10.0).bands_db / 10), axis=0))
        floor = FloorReading(26.17, 0.3, tuple(bands_db)) if floor_given else None
        plant.hand_back()
        request = MatchRequest(None, 0.3, loudness=LoudnessTarget(sone), floor=floor)
        result = run(plant, client, calibrated(48_000, 6.4), request=request)

    duties = {key: actuator.duty_percent for key, actuator in result.actuators.items()}
    true_sone = own_loudness_sone(plant.cooler, duties)
    assert result.outcome == "matched"
    # Near 2 sone, 0.3 dB are 2.5 %; the other implementation has its own filters.
    assert true_sone == pytest.approx(sone, rel=0.05)
    assert result.loudness.N_sone == pytest.approx(true_sone, abs=1.3 * result.loudness.U95_sone)
    assert result.loudness.U95_sone < 0.07 * sone


def test_the_trail_of_a_loudness_replays_to_the_same_result(calibrated):
    """Its bands are kept as they were heard."""
    lines = []
    request = MatchRequest(None, 0.3, loudness=LoudnessTarget(2.4))
    with simulated("Fjord 140") as (plant, _, client):
        header = TrailHeader(
            time=TIME,
            cooler="Fjord 140",
            request=request,
            bench=client.describe(),
            pascal_per_unit=6.4,
        )
        result = run(plant, client, calibrated(48_000, 6.4), request=request, keep=lines.append)
    header = TrailHeader.from_json(header.model_dump_json(by_alias=True), "the header")

    assert result_line(replay(header, [parse_step(line, "a line") for line in lines])) == (
        result_line(result)
    )


def test_a_rate_too_low_for_loudness_is_said(calibrated):
    """Sound up to 11 kHz has no loudness; levels in dB(A) it has."""
    plant = Plant(COOLERS["Fjord 140"], seed=4, rate_hz=22_000)
    sound = CalibratedSound(SimulatedSource(plant), calibrated(22_000, 6.4))

    with pytest.raises(SettingsError, match="at least 32000 Hz"):
        LevelListener(sound, bands=True)
