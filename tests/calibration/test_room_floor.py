"""Room floors drawn with a known level."""

import numpy as np
import pytest

from calibration.room_floor import judge_floor

FLOOR_DB = 26.0


def room_db(rng, seconds=30, *, wander_db=0.1, white_sd_db=0.3):
    """Draw the 100 ms levels of a quiet room that changes slowly."""
    time_s = 0.1 * np.arange(round(10 * seconds))
    slow = wander_db * np.sin(2 * np.pi * time_s / 9 + rng.uniform(0, 6.3))
    return FLOOR_DB + slow + white_sd_db * rng.standard_normal(time_s.size)


def judge(levels_db):
    """Judge levels that the capture has nothing against."""
    return judge_floor(levels_db, np.ones(levels_db.size, dtype=bool))


def test_a_quiet_room_is_read():
    """Half a minute of an undisturbed room reads its level within the stated interval."""
    rng = np.random.default_rng(1)
    floors = [judge(room_db(rng)) for _ in range(200)]
    errors = np.array([floor.LAeq_db - FLOOR_DB for floor in floors])
    U95_db = np.array([floor.U95_db for floor in floors])

    assert np.abs(errors).max() < 0.2
    assert np.mean(np.abs(errors) <= U95_db) >= 0.93
    assert U95_db.max() < 0.3
    assert {floor.listened_s for floor in floors} == {30.0}
    # One interval in a hundred at most is left out for nothing.
    assert np.mean([floor.rejected_s for floor in floors]) < 0.3
    assert all(floor.warnings == () for floor in floors)


def test_LA90_is_the_level_exceeded_nine_tenths_of_the_time():
    """For normally distributed levels LA90 lies 1.2816 standard deviations below their mean."""
    levels = room_db(np.random.default_rng(2), seconds=150, wander_db=0.0)

    assert judge(levels).LA90_db == pytest.approx(FLOOR_DB - 1.2816 * 0.3, abs=0.04)


@pytest.mark.parametrize("excess_db", [8.0, 20.0])
def test_a_door_is_left_out(excess_db):
    """A slam that would raise the whole reading by more than a decibel does not enter it."""
    rng = np.random.default_rng(3)
    levels = room_db(rng)
    levels[100:115] += excess_db + rng.standard_normal(15)
    floor = judge(levels)

    assert floor.LAeq_db == pytest.approx(FLOOR_DB, abs=0.2)
    assert 1.5 <= floor.rejected_s <= 3.0
    assert floor.warnings == ()


def test_a_restless_room_is_warned_of():
    """With more than 30 % left out the rest is stated with a warning."""
    levels = room_db(np.random.default_rng(4))
    levels[60:170] += 15
    floor = judge(levels)

    assert floor.LAeq_db == pytest.approx(FLOOR_DB, abs=0.2)
    assert floor.rejected_s > 10
    assert len(floor.warnings) == 1
    assert "wait for a quieter time" in floor.warnings[0]


@pytest.mark.parametrize("seconds", [1, 4.9])
def test_too_little_is_no_floor(seconds):
    """A floor is not stated from less than 5 s."""
    assert judge(room_db(np.random.default_rng(5), seconds)) is None


def test_what_the_capture_distrusts_does_not_count():
    """Intervals marked invalid, or without any level, change neither the floor nor the gate."""
    levels = room_db(np.random.default_rng(6))
    valid = np.ones(levels.size, dtype=bool)
    valid[:150] = False
    spoiled = levels.copy()
    spoiled[:150] = 90.0
    spoiled[200:210] = -np.inf
    floor = judge_floor(spoiled, valid)

    assert floor.LAeq_db == pytest.approx(judge(levels[150:]).LAeq_db, abs=0.1)
    assert floor.rejected_s == pytest.approx(16.0)
    assert not floor.usable[:150].any()
    assert judge_floor(spoiled, np.zeros(levels.size, dtype=bool)) is None


def test_the_callers_flags_stay_as_they_are():
    """Judging leaves the arrays that were handed over alone."""
    levels = room_db(np.random.default_rng(7))
    levels[100:115] += 20
    valid = np.ones(levels.size, dtype=bool)
    judge_floor(levels, valid)

    assert valid.all()


def test_fit_targets_stand_four_and_ten_decibels_over_the_floor():
    """The lowest target that is not refused lies 4 dB, one without a warning 10 dB above it."""
    floor = judge(room_db(np.random.default_rng(8)))
    top_db = floor.LAeq_db + floor.U95_db

    assert floor.fit_for_target_db == pytest.approx(top_db + 4)
    assert floor.comfortable_target_db == pytest.approx(top_db + 10)


def test_a_humming_room_that_beats_is_read_whole():
    """Two machines 1/5 Hz apart make a floor that swings by 3 dB; its mean energy is the floor."""
    rng = np.random.default_rng(8)
    ratio = 10 ** (3.0 / 20)
    q = (ratio - 1) / (ratio + 1)
    power = 1 + q**2 + 2 * q * np.cos(2 * np.pi * 0.1 * np.arange(400) / 5.0)
    levels = FLOOR_DB + 10 * np.log10(power / (1 + q**2)) + 0.2 * rng.standard_normal(400)
    floor = judge(levels)

    assert floor.LAeq_db == pytest.approx(FLOOR_DB, abs=0.1)
    assert floor.rejected_s < 2.0
    assert floor.warnings == ()
