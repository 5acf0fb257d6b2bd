"""The level log: coding, ranges, trends and how old minutes go."""

from dataclasses import replace
from datetime import timedelta

import kept_documents as draw
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from kept_documents import INPUT, NOON, THIRD_OCTAVES_HZ
from numpy.testing import assert_allclose, assert_array_equal

from acoustic.errors import InputError
from service.storage.archive import Archive
from service.storage.level_coding import decoded, encoded, merged

MINUTE = timedelta(minutes=1)


@given(
    st.lists(
        st.one_of(
            st.floats(-327.66, 327.67),
            st.sampled_from([np.nan, -np.inf]),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_levels_are_kept_to_a_hundredth(values):
    """What is stored is what was there, to half of 0.01 dB; gaps and silence are exact."""
    levels = np.resize(np.array(values), (600, 3))
    again = decoded(encoded(levels), 3)

    finite = np.isfinite(levels)
    assert_array_equal(np.isnan(again), np.isnan(levels))
    assert_array_equal(np.isneginf(again), np.isneginf(levels))
    # Half a step, and what a 32-bit number leaves open at 327 dB.
    assert np.abs(again[finite] - levels[finite]).max(initial=0.0) <= 0.005 + 2e-5


def test_levels_beyond_what_can_be_stored_stay_levels():
    """Neither end of the range turns into a gap or into silence."""
    levels = np.tile([400.0, -400.0, np.inf], (600, 1))

    assert_allclose(decoded(encoded(levels), 3)[0], [327.67, -327.66, 327.67], rtol=1e-6)


def test_a_minute_that_came_in_two_parts_is_one():
    """The second part fills what the first left open."""
    first, second = np.full((600, 3), np.nan), np.full((600, 3), np.nan)
    first[:200], second[150:400] = 30.0, 40.0
    both = decoded(merged(encoded(first), encoded(second)), 3)

    assert_array_equal(both[[0, 149, 150, 399], 0], [30.0, 30.0, 40.0, 40.0])
    assert np.isnan(both[400:]).all()


def add(archive, rng, minutes, **more):
    """Add minutes by their number; return them."""
    added = [draw.level_minute(rng, NOON + number * MINUTE, **more) for number in minutes]
    for future in [archive.levels.add(minute) for minute in added]:
        future.result()
    return added


def test_a_range_is_what_was_added(archive, rng):
    """Every 100 ms comes back in its place, with gaps where nothing was added."""
    first, third = add(archive, rng, [0, 2])
    add(archive, rng, [0], source="device:other")

    found = archive.levels.read(INPUT, NOON, NOON + 4 * MINUTE)

    assert (found.start, found.nominal_hz) == (NOON, THIRD_OCTAVES_HZ)
    assert found.levels.shape == (2400, 34)
    assert_allclose(found.levels[:600], first.levels, atol=0.0051)
    assert_allclose(found.levels[1200:1800], third.levels, atol=0.0051)
    assert np.isnan(found.levels[600:1200]).all()
    assert np.isnan(found.levels[1800:]).all()


def test_other_bands_and_units_are_kept_apart(archive, rng):
    """A range has one unit; what had other bands than its end gives broadband levels only."""
    (old,) = add(archive, rng, [0], bands_hz=(1000.0,))
    (new,) = add(archive, rng, [1], bands_hz=(500.0, 1000.0))
    add(archive, rng, [2], unit="dbfs", bands_hz=(500.0, 1000.0))

    found = archive.levels.read(INPUT, NOON, NOON + 3 * MINUTE)

    assert found.nominal_hz == (500.0, 1000.0)
    assert_allclose(found.levels[:600, :3], old.levels[:, :3], atol=0.0051)
    assert np.isnan(found.levels[:600, 3:]).all()
    assert_allclose(found.levels[600:1200], new.levels, atol=0.0051)
    assert np.isnan(found.levels[1200:]).all()
    trend = archive.levels.trend(INPUT, NOON, NOON + 3 * MINUTE, points=3, unit="dbfs")
    assert trend.start_s.tolist() == [(NOON + 2 * MINUTE).timestamp()]


@pytest.mark.parametrize(
    ("points", "interval_s"), [(1, 600), (4, 180), (10, 60), (40, 20), (6000, 0.1)]
)
def test_a_trend_is_the_same_at_every_resolution(archive, rng, points, interval_s):
    """Equivalent and largest levels of a trend are those of all rows in each of its points."""
    minutes = add(archive, rng, range(10))
    rows = np.concatenate([minute.levels for minute in minutes])

    found = archive.levels.trend(INPUT, NOON, NOON + 10 * MINUTE, points=points)

    assert found.interval_s == pytest.approx(interval_s)
    assert len(found.start_s) <= points
    rows_each = round(10 * interval_s)
    assert_allclose(found.start_s, NOON.timestamp() + interval_s * np.arange(len(found.start_s)))
    for place, LAeq_db in enumerate(found.LAeq[:50]):
        part = rows[place * rows_each : (place + 1) * rows_each]
        # Rounding to 0.01 dB, averaged.
        assert LAeq_db == pytest.approx(10 * np.log10(np.mean(10 ** (part[:, 0] / 10))), abs=0.006)
        assert found.LAFmax[place] == pytest.approx(part[:, 2].max(), abs=0.006)
    assert (found.LA90 <= found.LA50).all()
    assert (found.LA50 <= found.LA10).all()


def test_minutes_give_their_exceeded_levels(archive, rng):
    """LA10, LA50 and LA90 of a minute are the quantiles of its level F."""
    (minute,) = add(archive, rng, [0])
    found = archive.levels.trend(INPUT, NOON, NOON + MINUTE, points=1)

    quantiles = np.quantile(minute.levels[:, 1], [0.9, 0.5, 0.1])
    assert_allclose([found.LA10[0], found.LA50[0], found.LA90[0]], quantiles, atol=0.006)


def test_gaps_are_told_and_not_averaged(archive, rng):
    """A point says how much of it was heard, and a minute without anything is not there."""
    minute = draw.level_minute(rng)
    minute.levels[300:] = np.nan
    minute.levels[:300] = 30.0
    archive.levels.add(minute).result()
    archive.levels.add(
        replace(minute, start=NOON + MINUTE, levels=np.full_like(minute.levels, np.nan))
    ).result()

    found = archive.levels.trend(INPUT, NOON, NOON + 2 * MINUTE, points=2)

    assert (found.heard.tolist(), found.LAeq.round(3).tolist()) == ([0.5], [30.0])
    assert archive.levels.trend(INPUT, NOON, NOON + 2 * MINUTE, points=1).heard == [0.25]


def test_a_minute_can_come_in_parts(archive, rng):
    """A minute that is added again is added to, in its rows and in what it comes to."""
    minute = draw.level_minute(rng)
    for rows in (slice(0, 200), slice(200, 600)):
        part = np.full_like(minute.levels, np.nan)
        part[rows] = minute.levels[rows]
        archive.levels.add(replace(minute, levels=part)).result()

    found = archive.levels.read(INPUT, NOON, NOON + MINUTE)

    assert_allclose(found.levels, minute.levels, atol=0.0051)
    assert archive.levels.trend(INPUT, NOON, NOON + MINUTE, points=1).heard == [1.0]


def test_old_minutes_go_in_small_steps(tmp_path, rng):
    """Each new minute takes at most sixty with it that are older than the setting says."""
    with Archive(tmp_path, level_log_days=1) as archive:
        add(archive, rng, range(100), bands_hz=())

        def left():
            return len(archive.levels.trend(INPUT, NOON, NOON + 100 * MINUTE, points=100).LAeq)

        assert left() == 100
        add(archive, rng, [1440 + 90], bands_hz=())
        assert left() == 40
        add(archive, rng, [1440 + 91], bands_hz=())
        assert left() == 9
        assert len(archive.levels.read(INPUT, NOON, NOON + 100 * MINUTE).levels) == 60_000


def test_what_makes_no_sense_is_one_sentence(archive, rng):
    """A minute has a full beginning and 600 rows, and ranges have an end and are not endless."""
    minute = draw.level_minute(rng)
    with pytest.raises(InputError, match="begins at a full minute and has 600 rows of 34"):
        archive.levels.add(replace(minute, start=NOON + timedelta(seconds=1)))
    with pytest.raises(InputError, match=r"not \(599, 34\)"):
        archive.levels.add(replace(minute, levels=minute.levels[1:]))
    with pytest.raises(InputError, match="ends after it begins"):
        archive.levels.read(INPUT, NOON, NOON)
    with pytest.raises(InputError, match="48 hours at most"):
        archive.levels.read(INPUT, NOON, NOON + timedelta(days=3))
    with pytest.raises(InputError, match="needs a point"):
        archive.levels.trend(INPUT, NOON, NOON + MINUTE, points=0)
