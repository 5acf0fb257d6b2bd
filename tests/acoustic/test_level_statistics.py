"""Levels of a whole measurement against closed forms."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.analyser import analyse, finish, start
from acoustic.errors import InputError
from acoustic.level_statistics import (
    add_levels,
    exceeded_level_db,
    mean_of_channels,
    no_totals,
    summarise,
)
from acoustic.short_levels import join_short_levels
from acoustic.signals import PressureSignal

LEVELS = (
    "LAeq_db", "LCeq_db", "LZeq_db", "LAFmax_db", "LAFmin_db", "LASmax_db", "LASmin_db",
    "LAE_db", "LCpeak_db", "LA10_db", "LA50_db", "LA90_db", "band_LZeq_db", "band_LAeq_db",
)  # fmt: skip


def rows_of(samples, rate_hz=8000, *, bands=False):
    """All rows of a measurement."""
    state, levels = analyse(
        start(rate_hz, samples.shape[1], bands=bands), PressureSignal(samples, rate_hz)
    )
    return join_short_levels([levels, finish(state)])


def summary_of(samples, rate_hz=8000, *, bands=False):
    """Summary of a measurement."""
    rows = rows_of(samples, rate_hz, bands=bands)
    return summarise(add_levels(no_totals(rows), rows))


def tone(rms_pa, duration_s, rate_hz=8000):
    """1 kHz in one channel."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    return np.sqrt(2) * rms_pa * np.sin(2 * np.pi * 1000 * time_s)[:, None]


def test_a_steady_tone_has_one_level():
    """Every level of a long steady tone is its own; exposure and peak follow from it."""
    summary = summary_of(tone(1.0, 20.0), bands=True)

    for name in ("LAeq_db", "LCeq_db", "LAFmax_db", "LASmax_db", "LA10_db", "LA50_db", "LA90_db"):
        assert getattr(summary, name)[0] == pytest.approx(93.98, abs=0.01)
    # After five time constants F and S still lack exp(-5): 0.03 dB.
    assert summary.LAFmin_db[0] == pytest.approx(93.98, abs=0.04)
    assert summary.LASmin_db[0] == pytest.approx(93.98, abs=0.04)
    assert summary.LAE_db[0] == pytest.approx(93.98 + 10 * np.log10(20), abs=0.01)
    # The onset of the tone overshoots the high-pass of the weighting a little.
    assert 96.95 < summary.LCpeak_db[0] < 97.4
    assert summary.duration_s == pytest.approx(20.0)
    assert summary.band_LAeq_db[0, summary.nominal_hz.index(1000.0)] == pytest.approx(
        93.98, abs=0.01
    )


def test_percentiles_are_levels_exceeded():
    """Loud for a fifth of the time: exceeded 10 % of it, but neither 50 % nor 90 %."""
    summary = summary_of(np.concatenate([tone(0.01, 40.0), tone(1.0, 10.0)]))

    assert summary.LA10_db[0] == pytest.approx(93.98, abs=0.02)
    assert summary.LA50_db[0] == pytest.approx(53.98, abs=0.02)
    assert summary.LA90_db[0] == pytest.approx(53.98, abs=0.02)
    assert summary.LAeq_db[0] == pytest.approx(93.98 + 10 * np.log10(0.2), abs=0.02)


def test_percentiles_of_noise_agree_with_the_rows():
    """The distribution in classes gives what sorting all rows gives, within half a class."""
    samples = np.random.default_rng(3).normal(size=(8000 * 20, 2))
    rows = rows_of(samples)
    summary = summarise(add_levels(no_totals(rows), rows))

    for name, percent in (("LA10_db", 10), ("LA50_db", 50), ("LA90_db", 90)):
        # The sorted rows are interpolated, the classes are not.
        assert getattr(summary, name) == pytest.approx(
            exceeded_level_db(rows.LAF_db[7:], percent), abs=0.02
        )


def test_the_rise_from_silence_is_left_out():
    """Minima and percentiles do not see the exponential average charge up."""
    summary = summary_of(tone(1.0, 2.0))

    assert summary.LAFmin_db[0] > 93.9
    assert summary.LA90_db[0] > 93.9
    assert np.isnan(summary.LASmin_db[0])


@given(cuts=st.lists(st.integers(0, 30), max_size=5))
def test_rows_may_be_added_in_any_parts(cuts):
    """Adding rows in parts gives the same summary as adding them at once."""
    rows = rows_of(np.random.default_rng(5).normal(size=(24_000, 2)), bands=True)
    totals = no_totals(rows)
    edges = [0, *sorted(cuts), 30]
    for first, last in pairwise(edges):
        totals = add_levels(totals, rows.rows(first, last))
    whole, parts = summarise(add_levels(no_totals(rows), rows)), summarise(totals)

    for name in LEVELS:
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), nan_ok=True)


@given(gain_db=st.floats(-100, 60))
def test_gain_shifts_every_level_by_the_same(gain_db):
    """Every level of the summary follows the gain; percentiles within their class."""
    samples = np.random.default_rng(7).normal(size=(8000, 1))
    plain = summary_of(samples, bands=True)
    louder = summary_of(samples * 10 ** (gain_db / 20), bands=True)

    for name in LEVELS:
        shift_db = getattr(louder, name) - getattr(plain, name)
        # A second is too short for the minimum of S.
        expected_db = np.nan if name == "LASmin_db" else gain_db
        assert shift_db == pytest.approx(expected_db, abs=0.0101, nan_ok=True)


def test_channels_average_as_energy():
    """Two channels 20 dB apart average to 2.97 dB below the louder."""
    both = mean_of_channels(summary_of(np.hstack([tone(1.0, 8.0), tone(0.1, 8.0)]), bands=True))

    assert both.LAeq_db == pytest.approx([93.979 + 10 * np.log10(1.01 / 2)], abs=0.001)
    assert both.band_LZeq_db.shape == (1, 23)


def test_silence_has_no_level():
    """Silence reads minus infinity, percentiles included."""
    summary = summary_of(np.zeros((8000, 1)))

    for name in ("LAeq_db", "LAE_db", "LAFmax_db", "LAFmin_db", "LCpeak_db", "LA50_db"):
        assert np.isneginf(getattr(summary, name)).all()


def test_unusable_input_is_refused():
    """No rows, foreign rows, no levels and impossible percentages are errors."""
    rows, others = rows_of(np.zeros((800, 1))), rows_of(np.zeros((800, 2)))

    with pytest.raises(InputError, match=r"shorter than 0\.1 s"):
        summarise(no_totals(rows))
    with pytest.raises(InputError, match="other channels"):
        add_levels(no_totals(rows), others)
    with pytest.raises(InputError, match="at least one level"):
        exceeded_level_db(np.zeros(0), 10)
    with pytest.raises(InputError, match="0 to 100 percent"):
        exceeded_level_db(np.zeros(3), 101)


def test_rows_that_do_not_continue_are_refused():
    """Rows of different measurements cannot be put together."""
    rows = rows_of(np.zeros((1600, 1)))

    with pytest.raises(InputError, match="do not continue"):
        join_short_levels([rows, rows])
    with pytest.raises(InputError, match="no levels"):
        join_short_levels([])
