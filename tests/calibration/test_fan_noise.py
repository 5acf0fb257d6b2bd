"""Synthetic coolers whose levels are known in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.fan_noise import Estimate, NoisePriors, SettingLevel, fit_noise, fit_noise_of_any

PUMP_PRIORS = NoisePriors(pump_at_80_percent=Estimate(33.0, 6.5))
HEARD_WELL_DB = 0.02


def sum_db(*levels_db):
    """Level of several sounds together."""
    return 10 * np.log10(sum(10 ** (np.asarray(level) / 10) for level in levels_db))


class Cooler:
    """A fan on a straight law, perhaps a pump on one of its own, in a room."""

    def __init__(self, fan_at_1000_db=38.0, exponent_db=55.0, floor_db=26.0, pump_db=None):
        self.fan_at_1000_db = fan_at_1000_db
        self.exponent_db = exponent_db
        self.floor_db = floor_db
        self.pump_db = pump_db

    def level_db(self, rpm, pump_percent=80.0):
        """Level of the cooler alone."""
        parts = []
        if np.all(np.asarray(rpm) > 0):
            parts.append(self.fan_at_1000_db + self.exponent_db * np.log10(np.asarray(rpm) / 1000))
        if self.pump_db is not None:
            parts.append(self.pump_db + 45 * np.log10(pump_percent / 80))
        return sum_db(*parts) if parts else -np.inf

    def heard(self, rpm, pump_percent=80.0, sd_db=HEARD_WELL_DB):
        """What the microphone reads at a setting, without any noise."""
        level = self.level_db(rpm, pump_percent)
        reading = self.floor_db if np.isneginf(level) else sum_db(level, self.floor_db)
        return SettingLevel(rpm, pump_percent, Estimate(float(reading), sd_db))


def within(estimate, truth_db, spreads=1.96):
    """Whether an interval holds the truth."""
    return abs(estimate.mean_db - truth_db) <= spreads * estimate.sd_db


@pytest.mark.parametrize("exponent_db", [45.0, 55.0, 65.0])
@pytest.mark.parametrize("fan_at_1000_db", [30.0, 38.0, 46.0])
@pytest.mark.parametrize("floor_db", [20.0, 26.0, 29.0])
def test_coolers_are_recovered_from_floor_and_three_speeds(exponent_db, fan_at_1000_db, floor_db):
    """Level at each visited speed within 0.02 dB where it is heard over the floor; floor held."""
    cooler = Cooler(fan_at_1000_db, exponent_db, floor_db)
    speeds = [0.0, 1300.0, 1000.0, 1600.0]
    posterior = fit_noise([cooler.heard(rpm) for rpm in speeds], NoisePriors())

    assert within(posterior.floor, floor_db)
    for index, rpm in list(enumerate(speeds))[1:]:
        truth_db = cooler.level_db(rpm)
        assert within(posterior.cooler_at(index), truth_db)
        if truth_db > floor_db + 6:
            assert posterior.cooler_at(index).mean_db == pytest.approx(truth_db, abs=0.02)


def test_the_floor_is_subtracted_as_energy():
    """A cooler 6 dB over a known floor reads 0.97 dB more than it makes."""
    cooler = Cooler(32.0, 55.0, 26.0)
    posterior = fit_noise([cooler.heard(0.0), cooler.heard(1000.0)], NoisePriors())

    assert cooler.heard(1000.0).reading.mean_db == pytest.approx(32.97, abs=0.005)
    assert posterior.cooler_at(1).mean_db == pytest.approx(32.0, abs=0.03)


@pytest.mark.parametrize("exponent_db", [55.0, 70.0])
def test_a_room_far_louder_than_usual_is_not_taken_for_the_fan(exponent_db):
    """Eight decibels over the usual floor, three speeds still tell the room from the fan."""
    cooler = Cooler(38.0, exponent_db, 34.0)
    heard = [cooler.heard(rpm, sd_db=0.3) for rpm in (570.0, 303.0, 1069.0)]

    posterior = fit_noise_of_any(heard, NoisePriors())

    assert within(posterior.floor, 34.0)
    assert within(posterior.cooler_at(2), cooler.level_db(1069.0))


@pytest.mark.parametrize(
    # Reading over floor, and 1 / (10^(dL/10) - 1).
    ("margin_db", "sensitivity"),
    [(3.0, 1.0), (6.0, 0.335), (10.0, 0.111)],
)
def test_doubt_about_the_floor_grows_towards_it(margin_db, sensitivity):
    """The nearer the floor, the more of its doubt enters the level, as error propagation has it."""
    level_db = 10 * np.log10(10 ** ((26 + margin_db) / 10) - 10**2.6)
    cooler = Cooler(level_db, 55.0, 26.0)
    priors = NoisePriors(floor=Estimate(26.0, 0.3))
    level = fit_noise([cooler.heard(1000.0, sd_db=0.005)], priors).cooler_at(0)

    assert level.mean_db == pytest.approx(level_db, abs=0.02)
    assert level.sd_db == pytest.approx(sensitivity * 0.3, rel=0.1)


def test_between_and_beyond_visited_speeds():
    """Between two speeds the law is followed closely, beyond them with more doubt."""
    cooler = Cooler(38.0, 57.0, 26.0)
    posterior = fit_noise([cooler.heard(rpm) for rpm in (0.0, 1500.0, 1200.0)], NoisePriors())
    speeds = np.array([800.0, 1200.0, 1350.0, 1500.0, 2200.0])
    mean_db, sd_db = posterior.cooler_over_speed(speeds, 80.0)
    error_db = np.abs(mean_db - cooler.level_db(speeds))

    assert error_db[[1, 3]] == pytest.approx(0.0, abs=0.03)
    assert error_db[2] < 0.1
    assert (error_db <= 1.96 * sd_db).all()
    assert sd_db[1] < 0.1
    assert sd_db[2] < sd_db[0]
    assert sd_db[2] < sd_db[4]


def test_a_resonance_is_followed_where_it_was_heard():
    """A hump of 2 dB at one of five speeds bends the curve there, and not at the others."""
    cooler = Cooler(38.0, 55.0, 24.0)
    speeds = [800.0, 1000.0, 1200.0, 1450.0, 1750.0]
    heard = [cooler.heard(rpm) for rpm in speeds]
    hump = replace(heard[2], reading=Estimate(heard[2].reading.mean_db + 2.0, HEARD_WELL_DB))
    posterior = fit_noise([*heard[:2], hump, *heard[3:]], NoisePriors())

    assert posterior.cooler_at(2).mean_db == pytest.approx(cooler.level_db(1200.0) + 2, abs=0.1)
    for index in (0, 1, 3, 4):
        assert posterior.cooler_at(index).mean_db == pytest.approx(
            cooler.level_db(speeds[index]), abs=0.1
        )


def test_strong_resonances_are_believed_when_heard():
    """Humps of 4 dB leave more doubt between the speeds that were heard, a straight law none."""
    cooler = Cooler(38.0, 55.0, 24.0)
    speeds = [0.0, 1000.0, 1100.0, 1210.0, 1330.0]
    heard = [cooler.heard(rpm) for rpm in speeds]
    humped = [
        replace(one, reading=Estimate(one.reading.mean_db + bump, HEARD_WELL_DB))
        for one, bump in zip(heard, [0.0, 0.0, 4.0, -1.0, 3.0], strict=True)
    ]
    between = np.array([1155.0])
    straight_sd = fit_noise_of_any(heard, NoisePriors()).cooler_over_speed(between, 0.0)[1]
    usual_sd = fit_noise(heard, NoisePriors()).cooler_over_speed(between, 0.0)[1]
    humped_sd = fit_noise_of_any(humped, NoisePriors()).cooler_over_speed(between, 0.0)[1]

    assert straight_sd == pytest.approx(usual_sd)
    assert humped_sd[0] > 2 * straight_sd[0]


@pytest.mark.parametrize("rpm", [700.0, 1000.0, 1500.0])
def test_more_listening_is_surer(rpm):
    """The posterior deviation shrinks as the reading's does, and never grows with a new setting."""
    cooler = Cooler()
    by_listening = [
        fit_noise([cooler.heard(0.0, sd_db=0.3), cooler.heard(rpm, sd_db=sd_db)], NoisePriors())
        .cooler_at(-1)
        .sd_db
        for sd_db in (1.0, 0.5, 0.25, 0.1, 0.05)
    ]
    heard = [cooler.heard(speed, sd_db=0.2) for speed in (rpm, 0.0, 1100.0, 1300.0)]
    by_settings = [
        fit_noise(heard[:count], NoisePriors()).cooler_at(0).sd_db for count in (1, 2, 3, 4)
    ]

    assert (np.diff(by_listening) < 0).all()
    assert (np.diff(by_settings) < 1e-6).all()


def test_the_posterior_holds_the_truth_as_often_as_it_says():
    """Over coolers drawn from the priors the 95 % intervals hold level, floor and the curve."""
    rng = np.random.default_rng(3)
    held = []
    for _ in range(300):
        cooler = Cooler(rng.normal(37, 4), rng.normal(55, 6), rng.normal(26, 2.5))
        heard = []
        for rpm in (0.0, 1300.0, 1000.0, 1150.0):
            exact = cooler.heard(rpm, sd_db=0.15)
            noisy = Estimate(exact.reading.mean_db + 0.15 * rng.standard_normal(), 0.15)
            heard.append(replace(exact, reading=noisy))
        posterior = fit_noise(heard, NoisePriors())
        mean_db, sd_db = posterior.cooler_over_speed(np.array([1080.0]), 80.0)
        held.append(
            [
                within(posterior.cooler_at(-1), cooler.level_db(1150.0)),
                within(posterior.floor, cooler.floor_db),
                within(Estimate(mean_db[0], sd_db[0]), cooler.level_db(1080.0)),
            ]
        )
    share = np.mean(held, axis=0)

    assert share[0] >= 0.92
    assert share[1] >= 0.92
    assert share[2] >= 0.92  # wider than needed: these coolers have no resonances


@pytest.mark.parametrize("pump_db", [28.0, 33.0, 36.0])
def test_fan_pump_and_floor_are_told_apart(pump_db):
    """The cooler's level is that of fan and pump together, without the floor."""
    cooler = Cooler(35.0, 55.0, 24.0, pump_db)
    settings_made = [(0.0, 30.0), (1300.0, 80.0), (1000.0, 80.0), (0.0, 80.0)]
    posterior = fit_noise([cooler.heard(*setting) for setting in settings_made], PUMP_PRIORS)

    assert within(posterior.floor, 24.0)
    for index in (1, 2, 3):
        truth_db = cooler.level_db(*settings_made[index])
        assert within(posterior.cooler_at(index), truth_db)
        assert posterior.cooler_at(index).mean_db == pytest.approx(truth_db, abs=0.06)


def test_a_new_pump_setting_is_believed_by_its_law():
    """A pump setting not heard yet is expected near its law, with much doubt."""
    cooler = Cooler(20.0, 55.0, 20.0, 33.0)
    priors = replace(PUMP_PRIORS, floor=Estimate(20.0, 0.3))
    posterior = fit_noise([cooler.heard(0.0), cooler.heard(500.0)], priors)
    speeds = np.array([500.0])
    heard_db, heard_sd_db = posterior.cooler_over_speed(speeds, 80.0)
    new_db, new_sd_db = posterior.cooler_over_speed(speeds, 60.0)

    assert heard_db[0] == pytest.approx(33.0, abs=0.5)
    assert abs(new_db[0] - cooler.level_db(500.0, 60.0)) < 1.96 * new_sd_db[0]
    assert new_sd_db[0] > 3 * heard_sd_db[0]


def test_with_a_loud_pump_the_fans_hardly_matter():
    """Over a pump that is 15 dB louder the curve is flat, and no quieter than the pump."""
    cooler = Cooler(20.0, 55.0, 20.0, 40.0)
    posterior = fit_noise([cooler.heard(0.0), cooler.heard(1000.0)], PUMP_PRIORS)
    mean_db, _ = posterior.cooler_over_speed(np.geomspace(300, 1000, 20), 80.0)

    assert mean_db == pytest.approx(40.0, abs=0.3)


def test_a_cooler_at_rest_makes_no_sound():
    """With the fans standing and no pump there is nothing, known for certain."""
    posterior = fit_noise([Cooler().heard(0.0)], NoisePriors())

    assert posterior.cooler_at(-1) == Estimate(-np.inf, 0.0)
    assert posterior.floor.mean_db == pytest.approx(26.0, abs=0.01)


def test_indices_count_as_python_counts():
    """The last setting is -1, with standing fans between."""
    cooler = Cooler()
    posterior = fit_noise([cooler.heard(rpm) for rpm in (1300.0, 0.0, 1000.0)], NoisePriors())

    assert posterior.cooler_at(-1) == posterior.cooler_at(2)
    assert posterior.cooler_at(-3) == posterior.cooler_at(0)
    assert posterior.cooler_at(1).mean_db == -np.inf


SETTINGS = st.lists(
    st.builds(
        SettingLevel,
        rpm=st.just(0.0) | st.floats(1, 20_000),
        pump_percent=st.sampled_from([0.0, 30.0, 80.0, 100.0]),
        reading=st.builds(Estimate, st.floats(-20, 120), st.floats(0, 20)),
    ),
    min_size=1,
    max_size=17,
)


@settings(max_examples=60)
@given(heard=SETTINGS, pump=st.booleans())
def test_nothing_heard_breaks_the_fit(heard, pump):
    """Any settings, contradictory, repeated or absurd, leave finite levels and deviations."""
    posterior = fit_noise(heard, PUMP_PRIORS if pump else NoisePriors())
    mean_db, sd_db = posterior.cooler_over_speed(np.geomspace(1, 20_000, 30), 80.0)

    assert np.isfinite(posterior.unknowns_db).all()
    assert np.isfinite(mean_db).all()
    assert np.isfinite(sd_db).all()
    assert posterior.floor.sd_db > 0
    for index, setting in enumerate(heard):
        level = posterior.cooler_at(index)
        assert not np.isnan(level.mean_db)
        assert level.sd_db >= 0
        assert np.isfinite(level.mean_db) or (setting.rpm == 0 and not pump)


@settings(max_examples=40)
@given(heard=SETTINGS)
def test_each_fit_reads_the_settings_in_any_order(heard):
    """The order in which settings were heard does not matter for the floor."""
    forwards = fit_noise(heard, NoisePriors()).floor
    backwards = fit_noise(heard[::-1], NoisePriors()).floor

    assert forwards.mean_db == pytest.approx(backwards.mean_db, abs=0.05)
