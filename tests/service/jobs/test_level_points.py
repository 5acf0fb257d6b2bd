"""Tests of level over speed as it comes in."""

import numpy as np
import pytest

from calibration.bench_state import ActuatorState, BenchState
from calibration.steps import Heard
from service.jobs.level_points import LevelPoints

ROLES = {"fan_1": "fan", "fan_2": "fan", "pump": "pump"}


def heard(level_db, *, seconds=1.0, duty=50.0, rpm=900.0, valid=True, levels_db=None):
    """Make what is heard at a setting."""
    count = round(seconds * 10)
    levels = np.full(count, level_db) if levels_db is None else levels_db
    # Levels of a real fan scatter, and equal ones would be a fault.
    levels = levels + np.random.default_rng(count).normal(0.0, 0.2, count)
    state = BenchState(
        "leased",
        None,
        {
            "fan_1": ActuatorState(duty + 1.0, rpm),
            "fan_2": ActuatorState(duty - 1.0, None if rpm is None else rpm + 20.0),
            "pump": ActuatorState(80.0, 2400.0),
        },
        {},
    )
    return Heard(levels, np.full(count, valid), state)


def test_a_setting_is_one_point_that_becomes_surer():
    """What is heard later at the same duties replaces the point; other duties begin the next."""
    points = LevelPoints(ROLES)
    first = points.add(heard(38.0, seconds=2.0))
    again = points.add(heard(38.0, seconds=8.0))
    both = points.add(heard(41.0, seconds=2.0, duty=60.0, rpm=1100.0))

    assert [point.setting for point in both] == [0, 1]
    assert again[0].listened_s == pytest.approx(10.0)
    assert again[0].U95_db < first[0].U95_db
    assert [round(point.LAeq_db) for point in both] == [38, 41]
    assert (both[1].fan_duty_percent, both[1].fan_rpm) == (60.0, 1110.0)
    assert both[1].pump_duty_percent == 80.0


def test_what_is_heard_while_speeds_settle_is_no_point():
    """Pieces of half a second belong to the way, not to a setting."""
    assert LevelPoints(ROLES).add(heard(50.0, seconds=0.5)) == ()


def test_a_vehicle_that_passes_does_not_lift_the_point():
    """Four seconds of something 15 dB louder leave the level as it is beside them."""
    levels = np.full(300, 38.0)
    levels[100:140] = 53.0

    (point,) = LevelPoints(ROLES).add(heard(0.0, seconds=30.0, levels_db=levels))

    assert point.LAeq_db == pytest.approx(38.0, abs=0.3)


def test_a_faulty_stretch_makes_no_point_and_a_bench_may_tell_no_speed():
    """Nothing valid is nothing to show; without a tachometer a point has no speed."""
    points = LevelPoints(ROLES)

    assert points.add(heard(38.0, seconds=2.0, valid=False)) == ()
    assert points.add(heard(38.0, seconds=3.0, duty=40.0, rpm=None))[0].fan_rpm is None
