"""Evidence over several settings of coolers known in closed form."""

import numpy as np
import pytest

from calibration.evidence import Evidence
from calibration.fan_noise import Estimate, NoisePriors
from calibration.results import HeardSetting

FLOOR_DB = 26.0


def cooler_db(rpm):
    """Level of the cooler alone."""
    return 38.0 + 55.0 * np.log10(rpm / 1000)


def read_db(rpm):
    """Level as read, floor included."""
    power = 10 ** (FLOOR_DB / 10) + (10 ** (cooler_db(rpm) / 10) if rpm > 0 else 0.0)
    return float(10 * np.log10(power))


def kept(evidence, reading):
    """Close the last setting as the loop does."""
    evidence.keep(HeardSetting({}, reading, evidence.last_level, 6.0, 0.0, ()))


def gather(speeds, *, applies_to="cooler", excess_db=None):
    """Hear some speeds one after another, some of them drowned by something else."""
    evidence = Evidence(NoisePriors(), applies_to)
    for rpm in speeds:
        reading = Estimate(read_db(rpm) + (excess_db or {}).get(rpm, 0.0), 0.1)
        evidence.enter(rpm, 0.0, reading)
        kept(evidence, reading)
    return evidence


def test_nothing_heard_leaves_the_prior():
    """Before anything was heard the floor is the prior's, and nothing is expected."""
    evidence = Evidence(NoisePriors(), "cooler")

    assert evidence.floor == NoisePriors().floor
    assert evidence.expected_reading(1000.0, 0.0) is None
    assert evidence.axes == []


def test_a_target_for_the_cooler_is_judged_without_the_floor():
    """The level of the last setting is the cooler's own, or the reading where that is asked for."""
    own, read = gather([0.0, 800.0]), gather([0.0, 800.0], applies_to="reading")

    assert own.last_level.mean_db == pytest.approx(cooler_db(800.0), abs=0.05)
    assert read.last_level == read.last_reading
    assert read.last_level.mean_db == pytest.approx(read_db(800.0))


def test_the_goal_over_speed_is_that_of_the_target():
    """The curve that is aimed with holds the floor exactly where the target does."""
    speeds = np.array([800.0, 1000.0])
    own, read = gather([0.0, 800.0, 1000.0]), gather([0.0, 800.0, 1000.0], applies_to="reading")

    assert own.goal_over_speed(speeds, 0.0).cooler_db == pytest.approx(cooler_db(speeds), abs=0.05)
    assert read.goal_over_speed(speeds, 0.0).cooler_db == pytest.approx(
        [read_db(rpm) for rpm in speeds], abs=0.05
    )


def test_what_is_expected_is_what_will_be_read():
    """After three settings the reading at a fourth is foreseen, at rest as the floor."""
    evidence = gather([0.0, 800.0, 1200.0])
    expected = evidence.expected_reading(1000.0, 0.0)

    assert expected.mean_db == pytest.approx(read_db(1000.0), abs=0.2)
    assert abs(expected.mean_db - read_db(1000.0)) < 1.96 * expected.sd_db
    assert evidence.expected_reading(0.0, 0.0).mean_db == pytest.approx(FLOOR_DB, abs=0.1)


def test_correcting_replaces_the_last_setting():
    """More listening replaces the estimate of the last setting and adds none."""
    evidence = gather([0.0, 800.0])
    evidence.enter(1000.0, 0.0, Estimate(50.0, 1.0))
    evidence.correct(1005.0, 0.0, Estimate(read_db(1005.0), 0.1))

    assert evidence.axes == [800.0, 1005.0]
    assert evidence.last_axis == 1005.0
    assert evidence.last_level.mean_db == pytest.approx(cooler_db(1005.0), abs=0.05)


@pytest.mark.parametrize("drowned_rpm", [900.0, 1100.0])
def test_a_setting_drowned_by_a_vehicle_is_doubted(drowned_rpm):
    """One of five settings that read 6 dB too much stops bending the curve."""
    evidence = gather([0.0, 900.0, 1100.0, 1000.0, 1050.0], excess_db={drowned_rpm: 6.0})
    curve = evidence.cooler_over_speed(np.array([drowned_rpm]), 0.0)

    assert curve.cooler_db[0] == pytest.approx(cooler_db(drowned_rpm), abs=0.3)
    assert evidence.last_level.mean_db == pytest.approx(cooler_db(1050.0), abs=0.1)
    # What was kept of it stays as it was heard.
    (drowned,) = [
        heard for heard in evidence.visited if heard.reading.mean_db > read_db(drowned_rpm) + 5
    ]
    assert drowned.reading.mean_db == pytest.approx(read_db(drowned_rpm) + 6)


def test_a_setting_that_read_too_little_is_not_doubted():
    """Nothing that intrudes takes sound away, so a low reading keeps its say."""
    evidence = gather([0.0, 900.0, 1100.0, 1000.0, 1050.0], excess_db={1100.0: -3.0})
    curve = evidence.cooler_over_speed(np.array([1100.0]), 0.0)

    assert curve.cooler_db[0] < cooler_db(1100.0) - 2


def test_the_last_setting_is_never_doubted():
    """The setting that will be given keeps its reading, however odd."""
    evidence = gather([0.0, 900.0, 1100.0, 1000.0, 1050.0], excess_db={1050.0: 6.0})

    assert evidence.last_reading.sd_db == pytest.approx(0.1)
    assert evidence.last_level.mean_db > cooler_db(1050.0) + 4


def test_a_setting_can_be_made_the_last_one():
    """The setting that is given moves to the end with its reading, the others keep their order."""
    evidence = gather([0.0, 900.0, 1100.0, 1000.0])
    evidence.make_last(1)

    assert evidence.axes == [1100.0, 1000.0, 900.0]
    assert evidence.last_level.mean_db == pytest.approx(cooler_db(900.0), abs=0.05)
    assert evidence.visited[-1].reading.mean_db == pytest.approx(read_db(900.0))
    assert len(evidence.visited) == 4


def test_a_setting_that_is_given_is_believed_again():
    """A setting that was doubted meanwhile has its own reading and interval when it is given."""
    evidence = gather([800.0, 900.0, 1000.0, 1050.0], excess_db={1050.0: 4.0})
    floor = Estimate(FLOOR_DB, 0.3)
    evidence.enter(0.0, 0.0, floor)
    kept(evidence, floor)
    evidence.make_last(3)

    assert evidence.last_reading == evidence.visited[-1].reading
    assert evidence.last_reading.sd_db == pytest.approx(0.1)
    assert evidence.last_level.sd_db < 0.2


@pytest.mark.parametrize("moved", [1, 3])
def test_doubt_moves_along_with_its_setting(moved):
    """After another setting was moved to the end, the drowned one is still the doubted one."""
    evidence = gather([0.0, 900.0, 1100.0, 1000.0, 1050.0], excess_db={1100.0: 6.0})
    evidence.make_last(moved)
    evidence.enter(950.0, 0.0, Estimate(read_db(950.0), 0.1))
    kept(evidence, evidence.last_reading)

    assert evidence.cooler_over_speed(np.array([1100.0]), 0.0).cooler_db[0] == pytest.approx(
        cooler_db(1100.0), abs=0.4
    )
