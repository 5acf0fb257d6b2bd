"""Tests of the level log as it grows."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.live.levels import LiveLevels
from service.live.minutes import MinuteLog

START = datetime(2026, 1, 2, 3, 4, 0, tzinfo=UTC)


def levels(time, LAeq_db, *, faults=(), calibrated=True):
    """Make the levels of a tenth of a second."""
    bands = np.full(31, LAeq_db - 10.0)
    return LiveLevels(
        0, time, calibrated, faults, LAeq_db, LAeq_db + 1, LAeq_db + 2, LAeq_db, bands, None
    )


@pytest.fixture
def kept():
    """Collect minutes."""
    return []


def test_a_minute_is_handed_on_when_it_is_over(kept):
    """Every level stands at its place, and the next minute begins anew."""
    log = MinuteLog("device:x", kept.append)
    for row in range(601):
        log.add(levels(START + timedelta(seconds=0.1 * row), 30.0 + 0.01 * row))

    (minute,) = kept
    assert (minute.input, minute.start, minute.unit) == ("device:x", START, "db")
    assert minute.levels.shape == (600, 34)
    assert np.allclose(minute.levels[:, 0], 30.0 + 0.01 * np.arange(600))
    assert np.allclose(minute.levels[:, 2], 32.0 + 0.01 * np.arange(600))


def test_bursts_of_a_buffer_leave_no_gaps(kept):
    """Blocks that are read a little early or late stand where the sound puts them."""
    log = MinuteLog("device:x", kept.append)
    generator = np.random.default_rng(5)
    for row in range(600):
        late_s = float(generator.uniform(0.0, 0.4))
        log.add(levels(START + timedelta(seconds=0.1 * row + late_s * (row > 0)), 40.0))
    log.finish()

    assert np.isfinite(kept[0].levels[:, 0]).sum() == 600


def test_a_fault_and_a_pause_leave_gaps(kept):
    """What may not enter a level, and what was not heard, has no level."""
    log = MinuteLog("device:x", kept.append)
    log.add(levels(START, 40.0))
    log.add(levels(START + timedelta(seconds=0.1), 90.0, faults=("a bang",)))
    log.add(levels(START + timedelta(seconds=20.0), 41.0))
    log.finish()

    (minute,) = kept
    assert np.flatnonzero(np.isfinite(minute.levels[:, 0])).tolist() == [0, 200]


def test_a_calibration_in_a_minute_parts_it(kept):
    """Levels re full scale and sound pressure levels are never in one block."""
    log = MinuteLog("device:x", kept.append)
    log.add(levels(START, -50.0, calibrated=False))
    log.add(levels(START + timedelta(seconds=0.1), 40.0))
    log.finish()

    assert [minute.unit for minute in kept] == ["dbfs", "db"]
    assert [int(np.isfinite(minute.levels[:, 0]).sum()) for minute in kept] == [1, 1]


def test_a_minute_without_a_level_is_not_kept(kept):
    """Nothing is written where nothing was heard."""
    log = MinuteLog("device:x", kept.append)
    log.add(levels(START, 90.0, faults=("a bang",)))
    log.finish()

    assert kept == []
