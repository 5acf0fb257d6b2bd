import threading
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spectral_levels import laeq_db, sum_db

from service.errors import SettingsError
from service.simulation.catalogue import COOLERS
from service.simulation.cooler import steady
from service.simulation.microphone import Microphone
from service.simulation.plant import Plant
from service.simulation.population import random_cooler, random_room
from service.simulation.room import Room
from service.simulation.truth import cooler_level_db, floor_level_db, settled_level_db

FJORD = COOLERS["Fjord 140"]
QUIET = Room(intrusions_per_minute=0.0, wander_db=0.0)
STILL = Microphone(drift_db=0.0)
SEALED = Microphone(drift_db=0.0, self_noise_db=-10.0)


def test_same_seed_and_calls_give_the_same_bits():
    """Two plants with one seed agree in every bit of sound and every reading; another does not."""

    def run(seed):
        plant = Plant(COOLERS["Estuary 360"], seed=seed)
        first = plant.draw(30_000)
        plant.set_duty({"fan": 70.0, "pump": 50.0})
        plant.advance(2.0)
        second = plant.draw(10_000, "calibrator")
        plant.hand_back()
        return np.concatenate([first, second, plant.draw(48_000)]), plant.read()

    samples, reading = run(5)
    again, reading_again = run(5)
    other, _ = run(6)

    assert np.array_equal(samples, again)
    assert reading == reading_again
    assert not np.array_equal(samples, other)


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(0, 9000), min_size=1, max_size=8))
def test_how_reads_are_cut_changes_nothing(cuts):
    """Any division into reads yields the samples that one read yields."""
    pieces = Plant(FJORD, seed=3)
    whole = Plant(FJORD, seed=3).draw(sum(cuts))

    joined = np.concatenate([pieces.draw(frames) for frames in cuts])

    assert np.array_equal(joined, whole)


@pytest.mark.parametrize(
    ("name", "rate_hz"),
    [
        *((name, 48_000) for name in COOLERS),
        ("Fjord 140", 44_100),
        ("Estuary 360", 96_000),
        ("Gannet 80", 192_000),
    ],
)
def test_level_heard_is_the_true_level(name, rate_hz):
    """Settled at 70 % the microphone reads the true level of cooler and floor within 0.03 dB."""
    cooler = steady(COOLERS[name])
    room = replace(QUIET, floor_db=5.0)
    plant = Plant(cooler, seed=3, rate_hz=rate_hz, room=room, microphone=SEALED)
    duties = dict.fromkeys(cooler.machines, 70.0)
    plant.set_duty(duties)
    plant.advance(20.0)

    heard_db = laeq_db(plant.draw(60 * rate_hz), rate_hz, SEALED.pascal_per_unit)

    # A minute of noise a kilohertz and more wide scatters by 0.015 dB.
    expected_db = sum_db(cooler_level_db(cooler, duties), floor_level_db(room, SEALED))
    assert heard_db == pytest.approx(expected_db, abs=0.03)


@pytest.mark.parametrize("seed", range(5))
def test_random_coolers_are_heard_at_their_true_level(seed):
    """The same holds for coolers and rooms drawn at random."""
    cooler, room = (
        steady(random_cooler(seed)),
        replace(random_room(seed), intrusions_per_minute=0.0, wander_db=0.0),
    )
    plant = Plant(cooler, seed=seed, room=room, microphone=STILL)
    duties = dict.fromkeys(cooler.machines, 80.0)
    plant.set_duty(duties)
    plant.advance(30.0)

    heard_db = laeq_db(plant.draw(60 * 48_000), 48_000, STILL.pascal_per_unit)

    expected_db = sum_db(cooler_level_db(cooler, duties), floor_level_db(room, STILL))
    # A minute of the room's noise, a few hundred hertz wide, scatters by 0.03 dB.
    assert heard_db == pytest.approx(expected_db, abs=0.08)


def test_calibrator_shuts_the_cooler_out():
    """Under the calibrator a roaring cooler changes the 94 dB by nearly nothing."""
    plant = Plant(COOLERS["Gannet 80"], seed=1, room=QUIET, microphone=STILL)
    plant.set_duty({"fan": 100.0})
    plant.advance(20.0)

    heard_db = laeq_db(plant.draw(96_000, "calibrator"), 48_000, STILL.pascal_per_unit)

    assert heard_db == pytest.approx(94.0, abs=0.05)


def test_moving_the_microphone_is_heard_at_once():
    """No sound of the room is left over when the calibrator is put on amid a step."""
    plant = Plant(FJORD, seed=1, room=QUIET, microphone=STILL)
    plant.draw(1000)

    first = plant.draw(480, "calibrator")

    assert laeq_db(first, 48_000, STILL.pascal_per_unit) == pytest.approx(94.0, abs=0.3)


def test_time_passes_by_samples_drawn():
    """Reading 0.1 s at a time moves a rotor exactly as its time constant says."""
    cooler = steady(FJORD)
    law = cooler.machines["fan"].law
    plant = Plant(cooler, seed=1)
    plant.set_duty({"fan": 50.0})
    plant.advance(60.0)
    plant.set_duty({"fan": 100.0})
    start_rpm = law.turning_rpm(50.0)

    for _ in range(30):
        plant.draw(4800)

    # The reading is the mean speed over the last second.
    time_s = np.linspace(2.0, 3.0, 1001)
    speeds_rpm = 1700.0 + (start_rpm - 1700.0) * np.exp(-time_s / law.time_constant_s)
    assert plant.read().rpm["fan"] == pytest.approx(np.mean(speeds_rpm), rel=0.003)


def test_a_louder_duty_is_heard_after_the_rotor_has_followed():
    """Sound drawn right after a change of duty is still the old one, and later the new one."""
    cooler = steady(FJORD)
    plant = Plant(cooler, seed=2, room=QUIET, microphone=STILL)
    plant.set_duty({"fan": 40.0})
    plant.advance(30.0)
    before_db = settled_level_db(plant)
    plant.set_duty({"fan": 100.0})

    first = plant.draw(4800)
    plant.draw(48_000 * 15)
    last = plant.draw(48_000 * 5)

    floor_db = floor_level_db(QUIET, STILL)
    assert laeq_db(first, 48_000, 6.4) < sum_db(before_db, floor_db) + 4.0
    assert laeq_db(last, 48_000, 6.4) == pytest.approx(settled_level_db(plant), abs=0.15)


def test_advancing_unheard_equals_listening():
    """Rotors, temperatures and intrusions go the same way whether or not anybody listens."""
    heard, unheard = Plant(FJORD, seed=9), Plant(FJORD, seed=9)
    for plant in (heard, unheard):
        plant.set_duty({"fan": 33.0})

    heard.draw(48_000 * 90)
    unheard.advance(90.0)

    assert heard.read() == unheard.read()
    assert heard.intrusions == unheard.intrusions


def test_settled_level_knows_of_backlash():
    """Coming from below and from above, the plant settles at levels that differ a little."""
    plant = Plant(replace(FJORD, machines={"fan": _with_play(2.0)}), seed=1)
    levels_db = []
    for from_duty in (40.0, 80.0):
        plant.set_duty({"fan": from_duty})
        plant.advance(20.0)
        plant.set_duty({"fan": 60.0})
        levels_db.append(settled_level_db(plant))
        plant.advance(20.0)

        assert settled_level_db(plant) == pytest.approx(levels_db[-1])

    middle_db = cooler_level_db(plant.cooler, {"fan": 60.0})
    assert levels_db[0] < middle_db < levels_db[1]


def _with_play(backlash_percent):
    fan = FJORD.machines["fan"]
    return replace(fan, law=replace(fan.law, backlash_percent=backlash_percent))


def test_a_fan_below_stall_is_neither_heard_nor_counted():
    """Below its stall duty the fan stops: tachometer 0, true level gone, only the floor left."""
    plant = Plant(FJORD, seed=1, room=QUIET, microphone=STILL)
    plant.set_duty({"fan": 15.0})
    plant.advance(30.0)

    samples = plant.draw(48_000 * 20)

    assert plant.read().rpm["fan"] == 0.0
    assert cooler_level_db(FJORD, {"fan": 15.0}) == -np.inf
    assert laeq_db(samples, 48_000, 6.4) == pytest.approx(floor_level_db(QUIET, STILL), abs=0.2)


@pytest.mark.parametrize("rate_hz", [0, -48_000, 48_001])
def test_a_rate_that_does_not_divide_is_refused(rate_hz):
    """A rate without whole steps of 50 ms is refused in a sentence."""
    with pytest.raises(SettingsError, match=f"cannot sound at {rate_hz} Hz; choose"):
        Plant(FJORD, seed=1, rate_hz=rate_hz)


def test_several_threads_may_use_one_plant():
    """Duties set and readings taken while sound is drawn neither fail nor disturb each other."""
    plant = Plant(COOLERS["Lagoon 240"], seed=1)
    failures, done = [], threading.Event()

    def meddle(duty_percent):
        try:
            while not done.is_set():
                plant.set_duty({"fan": duty_percent})
                reading = plant.read()
                if not 0.0 < reading.rpm["fan"] < 2200.0:
                    failures.append(reading)
        except Exception as error:  # noqa: BLE001 - whatever it is, the test has to see it
            failures.append(error)

    threads = [threading.Thread(target=meddle, args=(duty,)) for duty in (40.0, 60.0, 80.0)]
    for thread in threads:
        thread.start()
    drawn = sum(len(plant.draw(4800)) for _ in range(100))
    done.set()
    for thread in threads:
        thread.join(timeout=10.0)

    assert failures == []
    assert drawn == plant.frames_drawn == 480_000
