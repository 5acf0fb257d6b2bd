"""Demo recordings of the simulated room, each with the truth about it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from acoustic.decibels import energy_sum_db
from acoustic.signals import DigitalSignal
from service.simulation.catalogue import COOLERS
from service.simulation.cooler import Cooler, steady
from service.simulation.microphone import Calibrator, Microphone
from service.simulation.plant import Plant, Position
from service.simulation.room import Room, hum_tones
from service.simulation.truth import cooler_level_at_rpm_db, floor_level_db, machine_tones

__all__ = ["DemoRecording", "demo_recordings"]

_RATE_HZ = 48_000
_DURATION_S = 12
_SETTLING_S = 30.0

# Held still, so that each recording's level is known to a tenth of a decibel.
_ROOM = Room(intrusions_per_minute=0.0, wander_db=0.0)
_MICROPHONE = Microphone(drift_db=0.0)
_CALIBRATOR = Calibrator()


@dataclass(frozen=True, slots=True, eq=False)
class DemoRecording:
    """A recording and what is known about it."""

    stem: str
    """Name for its file, without an ending."""
    signal: DigitalSignal
    """The samples."""
    truth: Mapping[str, object]
    """What is known, ready to be written as JSON; every quantity carries its unit."""


def demo_recordings() -> Iterator[DemoRecording]:
    """Make the recordings one after the other, the same samples every time.

    Yields
    ------
    DemoRecording
        A reference tone, a room floor, a cooler at three speeds, and a whiny pump.
    """
    fjord, estuary = steady(COOLERS["Fjord 140"]), steady(COOLERS["Estuary 360"])
    nothing = Cooler("none", {})
    yield _recording(
        "reference-tone-94-db",
        "A calibrator of 94 dB at 1 kHz over the microphone.",
        nothing,
        {},
        seed=1,
        position="calibrator",
    )
    yield _recording("room-floor", "The room with everything at rest.", nothing, {}, seed=2)
    for seed, duty_percent in ((3, 40.0), (4, 65.0), (5, 100.0)):
        yield _recording(
            f"fjord-140-at-{duty_percent:.0f}-percent",
            f"The cooler Fjord 140 with its fan at {duty_percent:.0f} % duty.",
            fjord,
            {"fan": duty_percent},
            seed=seed,
        )
    yield _recording(
        "estuary-360-pump-whine",
        "The liquid loop Estuary 360 with slow fans and a pump that whines.",
        estuary,
        {"fan": 35.0, "pump": 90.0},
        seed=6,
    )


def _recording(
    stem: str,
    what: str,
    cooler: Cooler,
    duty_percent: Mapping[str, float],
    *,
    seed: int,
    position: Position = "room",
) -> DemoRecording:
    """Record a settled cooler and note the truth about it."""
    plant = Plant(
        cooler,
        seed=seed,
        rate_hz=_RATE_HZ,
        room=_ROOM,
        microphone=_MICROPHONE,
        calibrator=_CALIBRATOR,
    )
    plant.set_duty(duty_percent)
    plant.advance(_SETTLING_S)
    samples = plant.draw(_DURATION_S * _RATE_HZ, position)
    truth: dict[str, object] = {
        "schema": "evenhush.recording/1",
        "what": what,
        "simulated": True,
        "rate_hz": _RATE_HZ,
        "channels": 1,
        "duration_s": _DURATION_S,
        "pascal_per_unit": _MICROPHONE.pascal_per_unit,
    }
    if position == "calibrator":
        truth["LAeq_db"] = _CALIBRATOR.level_db
        truth["tones"] = _as_records([(_CALIBRATOR.frequency_hz, _CALIBRATOR.level_db)])
    else:
        truth |= _room_truth(plant, duty_percent)
    return DemoRecording(stem, DigitalSignal(samples[:, None], _RATE_HZ), truth)


def _room_truth(plant: Plant, duty_percent: Mapping[str, float]) -> dict[str, object]:
    """Return what is known about the sound of a settled plant."""
    cooler, rpm = plant.cooler, plant.goal_rpm
    floor_db = floor_level_db(plant.room, plant.microphone)
    cooler_db = cooler_level_at_rpm_db(cooler, rpm)
    truth: dict[str, object] = {
        "LAeq_db": round(energy_sum_db([cooler_db, floor_db]), 2),
        "floor": {
            "LAeq_db": round(floor_db, 2),
            "tones": _as_records(hum_tones(plant.room)),
        },
    }
    if cooler.machines:
        tones = [
            tone
            for name, machine in cooler.machines.items()
            for tone in machine_tones(machine, rpm[name])
        ]
        truth["cooler"] = {
            "name": cooler.name,
            "LAeq_db": round(cooler_db, 2),
            "settings": {
                name: {"duty_percent": duty_percent[name], "rpm": round(rpm[name], 1)}
                for name in cooler.machines
            },
            "tones": _as_records(tones),
        }
    return truth


def _as_records(tones: Sequence[tuple[float, float]]) -> list[dict[str, float]]:
    """Return frequencies and unweighted levels as JSON records, lowest frequency first."""
    return [
        {"frequency_hz": round(frequency_hz, 2), "level_db": round(level_db, 2)}
        for frequency_hz, level_db in sorted(tones)
    ]
