"""Logged levels over stretches, against plain sums and NumPy's quantiles."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from acoustic.errors import InputError
from acoustic.level_history import energy_ratio_db, hours_of_day, summarise_stretches

LEVEL = st.one_of(st.floats(-20, 120, allow_nan=False, width=32), st.just(np.nan), st.just(-np.inf))


def test_two_levels_average_as_energy():
    """60 dB and 70 dB make 67.4 dB together."""
    levels = np.array([60.0, 70.0])
    found = summarise_stretches(levels, levels, levels, rows_each=2)

    assert energy_ratio_db(found.energy).round(1) == [67.4]
    assert (found.rows[0], found.Lmax_db[0], found.L50_db[0]) == (2, 70.0, 65.0)


@given(st.lists(LEVEL, min_size=1, max_size=40), st.integers(1, 12))
def test_stretches_hold_what_their_rows_hold(rows, rows_each):
    """Counts, energies, quantiles and maxima are those of the rows that have levels."""
    levels = np.array(rows)
    found = summarise_stretches(levels, levels, levels, rows_each=rows_each)

    assert len(found.rows) == -(-len(levels) // rows_each)
    for place, start in enumerate(range(0, len(levels), rows_each)):
        there = levels[start : start + rows_each]
        there = there[~np.isnan(there)]
        assert found.rows[place] == len(there)
        if len(there) == 0:
            assert np.isnan([found.energy[place], found.L90_db[place], found.Lmax_db[place]]).all()
            continue
        assert_allclose(found.energy[place], np.mean(10 ** (there / 10)))
        assert found.Lmax_db[place] == there.max()
        if np.isfinite(there).all():
            for share, level in ((0.9, found.L10_db), (0.5, found.L50_db), (0.1, found.L90_db)):
                assert_allclose(level[place], np.quantile(there, share), atol=1e-9)


def test_silence_is_a_level():
    """Exact silence has no energy and is the level that is mostly exceeded."""
    levels = np.array([-np.inf, -np.inf, 40.0])
    found = summarise_stretches(levels, levels, levels, rows_each=3)

    assert energy_ratio_db(found.energy) == pytest.approx([40 - 10 * np.log10(3)])
    assert np.isneginf(found.L90_db).all()
    assert np.isneginf(energy_ratio_db(np.zeros(1))).all()


@pytest.mark.parametrize(("rows", "rows_each"), [(0, 1), (3, 0)])
def test_nothing_has_no_summary(rows, rows_each):
    """A stretch has a row at least."""
    levels = np.zeros(rows)
    with pytest.raises(InputError, match="at least one row"):
        summarise_stretches(levels, levels, levels, rows_each=rows_each)


def test_hours_of_the_day_are_those_of_the_wall_clock():
    """Levels come under the hour that a clock ahead of UTC shows, over all days together."""
    hour_s = 3600.0
    time_s = np.array([23.5, 24.0 + 23.9, 48.0 + 23.0, 12.0, 13.0]) * hour_s
    level_db = np.array([20.0, 22.0, 30.0, np.nan, 40.0])
    found = hours_of_day(time_s, level_db, ahead_s=2 * hour_s)
    assert [(each.hour, each.count) for each in found] == [(1, 3), (15, 1)]
    assert (found[0].usual_db, found[0].highest_db) == (22.0, 30.0)
    assert hours_of_day(np.zeros(0), np.zeros(0), ahead_s=0.0) == []
