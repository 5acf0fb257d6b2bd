"""The plainer ways and the bound that the loop is measured beside, where truth is plain."""

from functools import partial

import numpy as np
import pytest
from closed_loop.level_bench import TICK_S, LevelBench, beating, random_traits, without
from closed_loop.strategies import (
    Task,
    halving,
    knowing,
    least_listening_s,
    product,
    right_percent,
    straight_lines,
)

TASK = Task(40.0, 0.3)
SILENT = {
    "hunting_sd_db": 0.0,
    "white_sd_db": 0.0,
    "floor_wander_db": 0.0,
    "intrusions_per_s": 0.0,
    "drift_db": 0.0,
    "play_percent": 0.0,
    "bumps": (),
}
"""Traits of a cooler and a room where every reading is the truth."""


def bench(number, **changes):
    """Draw a cooler without a pump that makes the target somewhere, with some traits changed."""
    rng = np.random.default_rng([53, number])
    usual = {"full_level_db": 48.0, "tau_s": 0.8, "stall_percent": 8.0}
    return LevelBench(without(random_traits(rng, pump=False), **{**usual, **changes}), rng)


@pytest.mark.parametrize("number", range(3))
@pytest.mark.parametrize("way", [partial(halving, settled=True), straight_lines])
def test_by_hand_a_silent_room_gives_the_target(way, number):
    """Where nothing disturbs, both ways by hand end at the target."""
    attempt = way(bench(number, **SILENT), TASK)

    assert attempt.outcome == "matched"
    assert attempt.true_db == pytest.approx(40.0, abs=0.35)
    assert attempt.stated_db == pytest.approx(attempt.true_db, abs=0.05)


@pytest.mark.parametrize("way", [partial(halving, settled=True), straight_lines])
@pytest.mark.parametrize(
    ("full_level_db", "outcome"), [(36.0, "quieter-at-full-speed"), (65.0, "louder-at-minimum")]
)
def test_by_hand_the_ends_are_named(way, full_level_db, outcome):
    """A cooler that cannot make the target is named, by hand as well."""
    plant = bench(
        1, **{**SILENT, "full_level_db": full_level_db, "exponent_db": 50.0, "stall_percent": 40.0}
    )

    assert way(plant, TASK).outcome == outcome


def test_three_seconds_are_too_few_for_a_slow_rotor():
    """Waiting a fixed three seconds misjudges a rotor that needs ten; waiting for it does not."""
    changes = {**SILENT, "tau_s": 3.0}
    hasty = [halving(bench(number, **changes), TASK, settled=False) for number in range(4)]
    patient = [halving(bench(number, **changes), TASK, settled=True) for number in range(4)]

    def error_db(attempts):
        """Mean error of what is stated."""
        return np.mean([abs(one.stated_db - one.true_db) for one in attempts])

    assert error_db(patient) < 0.1 < error_db(hasty)


def test_without_a_gate_a_passing_vehicle_counts():
    """Where intrusions are frequent, ten gated seconds are nearer the truth than ten plain ones."""
    changes = {**SILENT, "white_sd_db": 0.2, "intrusions_per_s": 1 / 20}
    plain = [halving(bench(number, **changes), TASK, settled=True) for number in range(12)]
    gated = [straight_lines(bench(number, **changes), TASK) for number in range(12)]
    off_db = [np.median([abs(one.true_db - 40.0) for one in some]) for some in (gated, plain)]

    assert off_db[0] < 0.3 < off_db[1]


@pytest.mark.parametrize("number", range(6))
def test_the_bound_knows_the_right_speed(number):
    """At the duty of the bound the cooler makes the target."""
    rng = np.random.default_rng([54, number])
    plant = LevelBench(without(random_traits(rng, pump=True), full_level_db=48.0), rng)

    assert plant.level_at_db(right_percent(plant, 40.0), 80.0) == pytest.approx(40.0, abs=0.05)


@pytest.mark.parametrize(("sd_db", "tau_s"), [(0.2, 3.0), (0.3, 3.0), (0.4, 1.5)])
def test_the_bound_listens_as_long_as_hunting_takes(sd_db, tau_s):
    """Means over the least listening are within the tolerance 95 times in 100."""
    plant = bench(0, hunting_sd_db=sd_db, hunting_tau_s=tau_s, white_sd_db=0.0)
    seconds = least_listening_s(plant, TASK)
    rng = np.random.default_rng(55)
    decay = np.exp(-TICK_S / tau_s)
    now = sd_db * rng.standard_normal(4000)
    total = np.zeros(now.size)
    ticks = round(seconds / TICK_S)
    for _ in range(ticks):
        now = decay * now + sd_db * np.sqrt(1 - decay**2) * rng.standard_normal(now.size)
        total += now

    # Four thousand means tell a share of 0.95 to 0.007 at two standard deviations.
    assert np.mean(np.abs(total / ticks) <= 0.3) == pytest.approx(0.95, abs=0.01)


def test_nothing_that_listens_is_quicker_than_the_bound():
    """The product's loop takes longer than the bound on every cooler."""
    for number in range(4):
        least = knowing(bench(number), TASK)
        taken = product(bench(number), TASK)

        assert least.settings == 1
        assert taken.outcome == "matched"
        assert least.bench_s < taken.bench_s


def test_a_beat_swings_around_the_true_level():
    """Over whole periods a beat leaves the mean energy as it was, and swings by its depth."""
    rng = np.random.default_rng(56)
    traits = without(
        beating(random_traits(rng, pump=False), rng), **SILENT, beat_depth_db=2.0, beat_period_s=4.0
    )
    plant = LevelBench(without(traits, floor_db=-60.0), rng)
    for _ in range(200):
        plant._tick()
    levels = np.array([plant._tick() for _ in range(400)])

    assert np.ptp(levels) == pytest.approx(2.0, abs=0.02)
    assert 10 * np.log10(np.mean(10 ** (levels / 10))) == pytest.approx(
        plant.true_level_db(), abs=0.02
    )


def test_a_tachometer_counts_over_its_window():
    """While a rotor speeds up evenly the tachometer shows the mean over its window."""
    plant = bench(
        2, tau_s=1e5, tacho_window_s=1.0, tacho_lag_s=1e-6, tacho_quantum_rpm=1e-6, play_percent=0.0
    )
    plant._apply(100.0)
    speeds = []
    for _ in range(40):
        plant._tick()
        speeds.append(plant.rpm)

    assert speeds[-1] > speeds[-10]
    assert plant.state().actuators["fan"].rpm == pytest.approx(np.mean(speeds[-10:]), rel=1e-9)


def test_weak_intrusions_come_beside_the_usual_ones():
    """A room with weak intrusions has the usual ones as often as any other."""
    plant = bench(3, **{**SILENT, "intrusions_per_s": 1 / 20, "weak_intrusions": True})
    usual, weak = [], []
    for _ in range(20_000):
        plant._tick()
        usual.append(plant.intrusion.left_s > 0)
        weak.append(plant.weak_intrusion.left_s > 0)

    # 2.75 s out of every 22.75, and 8.5 out of every 28.5; about ninety of each were drawn.
    assert np.mean(usual) == pytest.approx(2.75 / 22.75, abs=0.03)
    assert np.mean(weak) == pytest.approx(8.5 / 28.5, abs=0.07)
