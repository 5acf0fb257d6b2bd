"""The foreign bench judged by itself: its levels, its motion, and its reading of the contract."""

import socket

import numpy as np
import pytest
from held_out.foreign_plant import Plant
from held_out.foreign_spectra import RATE_HZ, a_weighting, measured_level_db
from held_out.population import OUTCOMES, held_out, level_range_db
from held_out.product_runs import ForeignBench

TICKS_PER_SECOND = 100


def test_a_weighting_agrees_with_the_rounded_table():
    """The analytic weighting gives the tabulated values at exact one-third octave frequencies."""
    exact_hz = 1000.0 * 10.0 ** (np.array([-15, -10, -5, 0, 5, 10, 13]) / 10.0)

    weighting_db = 20.0 * np.log10(a_weighting(exact_hz))

    # the table is rounded to 0.1 dB
    assert weighting_db == pytest.approx([-39.4, -19.1, -6.6, 0.0, 1.2, -2.5, -9.3], abs=0.06)


def silent_room_plant(seed, duty_percent, **changes):
    """Return a plant that has come to rest at a duty of all its fans."""
    description = held_out(seed, "matched").description
    for actuator in description["actuators"]:
        actuator.update(changes)
    description["heat"]["rise_at_full_speed_c"] = 1.0
    plant = Plant(description)
    plant.own_control = False
    plant.command({n: duty_percent for n, make in plant.makes.items() if make.role == "fan"})
    for _ in range(20):
        plant.sound(TICKS_PER_SECOND, room=False, cooler=False)
    return plant


@pytest.mark.parametrize(("seed", "duty_percent"), [(1, 95), (4, 70), (8, 55), (12, 40)])
def test_long_sound_has_the_closed_form_level(seed, duty_percent):
    """A long run read by Fourier transform has the level that the description implies."""
    plant = silent_room_plant(seed, duty_percent, level_hunting_db=0.0)

    sound = np.concatenate([plant.sound(TICKS_PER_SECOND, room=False) for _ in range(60)])

    # 60 s of some kilohertz of noise: one standard deviation is about 0.01 dB
    assert measured_level_db(sound) == pytest.approx(plant.true_level_db(), abs=0.05)


def test_hunting_keeps_the_closed_form_level_on_average():
    """The slow wandering of a fan is in its stated long-term level."""
    plant = silent_room_plant(3, 60, level_hunting_db=0.3, hunting_s=1.0)

    sound = np.concatenate([plant.sound(TICKS_PER_SECOND, room=False) for _ in range(300)])

    # 0.3 dB wandering over 1 s: one standard deviation of the mean is 0.3 sqrt(2 / 300) = 0.02 dB
    assert measured_level_db(sound) == pytest.approx(plant.true_level_db(), abs=0.05)


@pytest.mark.parametrize("seed", [2, 5])
def test_room_floor_has_its_level(seed):
    """The empty room, hum included and without intrusions, has the level it is described with."""
    description = held_out(seed).description
    description["room"] |= {"bang_every_s": 0, "vehicle_every_s": 0}
    plant = Plant(description)

    sound = np.concatenate([plant.room.take(RATE_HZ) for _ in range(60)])

    assert measured_level_db(sound) == pytest.approx(description["room"]["level_db"], abs=0.05)


def test_a_stalled_fan_restarts_only_from_its_restart_duty():
    """Below its stall duty a fan stops and is silent, and what let it run before does not help."""
    changes = {"stall_below_percent": 22.0, "restart_percent": 30.0, "backlash_percent": 0.0}
    plant = silent_room_plant(1, 24, **changes)
    fan = next(r for r in plant.rotors.values() if r.make.role == "fan")
    assert fan.rpm > 0.0

    speeds = []
    for duty in (21.0, 24.0, 31.0):
        plant.command({fan.make.name: duty})
        plant.sound(30 * TICKS_PER_SECOND, room=False, cooler=False)
        speeds.append(fan.rpm)

    assert speeds[0] == speeds[1] == 0.0
    assert speeds[2] > 0.0


def test_a_duty_is_heard_only_after_the_latency():
    """Until the bench's latency has passed, a rotor does not know of a new duty."""
    plant = silent_room_plant(1, 60, rpm_hunting_percent=0.0)
    plant.description["latency_s"] = 0.5
    fan = next(r for r in plant.rotors.values() if r.make.role == "fan")
    before = fan.rpm

    plant.command({fan.make.name: 90.0})
    plant.sound(49, room=False)
    just_before = fan.rpm
    plant.sound(10, room=False)

    assert just_before == pytest.approx(before, rel=1e-3)
    assert fan.rpm > 1.005 * before


def test_tachometer_counts_average_to_the_speed():
    """A counting tachometer jumps by its step and is right on average."""
    tachometer = {"kind": "count", "window_s": 1.0, "every_s": 1.0, "average": 1}
    plant = silent_room_plant(1, 60, tachometer=tachometer)
    fan = next(r for r in plant.rotors.values() if r.make.role == "fan")

    shown = []
    for _ in range(120):
        plant.sound(TICKS_PER_SECOND, room=False, cooler=False)
        shown.append(fan.shown_rpm)

    assert all(rpm % 30 == 0 for rpm in shown)
    # steps of 30 rpm over 120 readings whose remainders carry over
    assert np.mean(shown) == pytest.approx(fan.rpm, rel=2e-3)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_population_is_what_it_says(outcome):
    """Each drawn cooler truly spans the target, or truly misses it, whatever its pump does."""
    for seed in range(20):
        cooler = held_out(seed, outcome)
        low_db, high_db = level_range_db(cooler.description, cooler.pump_duty_percent)

        assert (low_db < 39.0) == (outcome != "louder-at-minimum")
        assert (high_db > 41.0) == (outcome != "quieter-at-full-speed")


def test_population_is_the_same_for_the_same_seed():
    """A seed names a cooler."""
    assert held_out(17).description == held_out(17).description
    assert held_out(17).description != held_out(18).description


@pytest.fixture(scope="module")
def bench():
    """Return one bench with a pump, limits and a token, shared by the calls below."""
    description = held_out(4, "matched", pump=True).description
    description |= {"prefix": "/lab/3", "token": "open", "lease_max_s": 20.0}
    with ForeignBench(description) as running:
        yield running


TOKEN = {"Authorization": "Bearer open"}


def names(bench, role):
    """Return the bench's actuators of a role."""
    return [a["name"] for a in bench.description["actuators"] if a["role"] == role]


def test_every_call_asks_for_the_token(bench):
    """Without its token the bench answers nobody."""
    statuses = {
        bench.call(method, path, body)[0]
        for method, path, body in [
            ("GET", "bench", None),
            ("GET", "state", None),
            ("POST", "lease", {"holder": "x", "seconds": 5}),
            ("PUT", "duty", {"duty_percent": {}}),
        ]
    }

    assert statuses == {401}


def test_lease_is_exclusive_renewable_and_returned(bench):
    """One holder at a time; a wrong lease is gone; a returned bench is its own again."""
    status, lease = bench.call("POST", "lease", {"holder": "one", "seconds": 15}, TOKEN)
    assert status == 201
    assert lease["expires_in_s"] == 15
    mine = TOKEN | {"Bench-Lease": lease["lease"]}
    wrong = TOKEN | {"Bench-Lease": "guess"}

    assert bench.call("POST", "lease", {"holder": "two", "seconds": 15}, TOKEN)[0] == 409
    assert bench.call("PUT", "lease", {"seconds": 20}, wrong)[0] == 410
    assert bench.call("DELETE", "lease", None, TOKEN)[0] == 410
    assert bench.call("PUT", "lease", {"seconds": 20}, mine)[0] == 200
    assert bench.call("PUT", "lease", {"seconds": 21}, mine)[0] == 422
    assert bench.call("GET", "state", None, TOKEN)[1]["control"] == "leased"
    assert bench.call("DELETE", "lease", None, mine) == (204, None)
    assert bench.call("GET", "state", None, TOKEN)[1]["control"] == "own"


def test_limits_are_refused_whole_and_recorded(bench):
    """A duty outside the limits changes nothing, names the limit, and is remembered."""
    fan, pump = names(bench, "fan")[0], names(bench, "pump")[0]
    lease = bench.call("POST", "lease", {"holder": "one", "seconds": 15}, TOKEN)[1]["lease"]
    mine = TOKEN | {"Bench-Lease": lease}
    bench.call("PUT", "duty", {"duty_percent": {fan: 50}}, mine)
    before = bench.call("GET", "state", None, TOKEN)[1]["actuators"]

    body = {"duty_percent": {fan: 60, pump: 0}}
    status, document = bench.call("PUT", "duty", body, mine)
    after = bench.call("GET", "state", None, TOKEN)[1]["actuators"]
    bench.call("DELETE", "lease", None, mine)

    assert status == 422
    assert "to 100 %" in document["detail"]
    assert {n: a["duty_percent"] for n, a in after.items()} == {
        n: a["duty_percent"] for n, a in before.items()
    }
    assert {"kind": "pump-stop", "actuator": pump, "duty_percent": 0} in bench.truth()["violations"]


def drain(bench, seconds):
    """Listen to a bench for some seconds of its time."""
    wanted = int(seconds * RATE_HZ) * 4
    with socket.create_connection(("127.0.0.1", bench.sound_port)) as source:
        while wanted > 0:
            wanted -= len(source.recv(65536))


def test_bench_goes_safe_at_its_temperature_limit():
    """A fan left too slow ends in the safe state: full speed, the lease void, no new lease."""
    cooler = held_out(1, "matched")
    cooler.description["heat"] |= {"rise_at_full_speed_c": 80.0, "seconds": 5.0}
    with ForeignBench(cooler.description) as bench:
        lease = bench.call("POST", "lease", {"holder": "one", "seconds": 10})[1]["lease"]
        mine = {"Bench-Lease": lease}
        fan = names(bench, "fan")[0]
        bench.call("PUT", "duty", {"duty_percent": {fan: 30}}, mine)

        drain(bench, 30)
        state = bench.state()

        assert state["control"] == "safe"
        assert "degrees" in state["why"]
        assert state["actuators"][fan]["duty_percent"] == 100.0
        assert bench.call("PUT", "duty", {"duty_percent": {fan: 30}}, mine)[0] == 410
        assert bench.call("POST", "lease", {"holder": "two", "seconds": 10})[0] == 423


def test_sound_is_produced_when_it_is_read():
    """Nobody listening, nothing moves; one who reads a second moves it by little more."""
    with ForeignBench(held_out(1, "matched").description) as bench:
        assert bench.truth()["produced_s"] == 0.0

        drain(bench, 1.0)
        first = bench.truth()["produced_s"]

        # one block ahead, and what two small socket buffers hold
        assert 1.0 <= first < 1.5
