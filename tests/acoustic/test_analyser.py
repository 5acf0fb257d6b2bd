"""The chain over blocks: closed forms, invariances, refusals."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.analyser import analyse, finish, start
from acoustic.decibels import level_db
from acoustic.errors import SignalError
from acoustic.frequency_weighting import a_weighting_db, c_weighting_db, frequency_weighted
from acoustic.short_levels import join_short_levels
from acoustic.signals import PressureSignal
from acoustic.time_weighting import time_weighted_level

BROADBAND = (
    "LAeq_db", "LCeq_db", "LZeq_db", "LCpeak_db",
    "LAF_db", "LAFmax_db", "LAFmin_db", "LASmax_db", "LASmin_db",
)  # fmt: skip


def levels_of(samples, rate_hz, *, cuts=(), bands=False):
    """Analyse samples in one measurement, cut into blocks."""
    state, parts = start(rate_hz, samples.shape[1], bands=bands), []
    for part in np.split(samples, sorted(cuts)):
        state, levels = analyse(state, PressureSignal(part, rate_hz))
        parts.append(levels)
    return join_short_levels([*parts, finish(state)])


def tone(frequency_hz, rate_hz, duration_s, *, rms_pa=1.0):
    """One channel of a sine."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    return np.sqrt(2) * rms_pa * np.sin(2 * np.pi * frequency_hz * time_s)[:, None]


def last_second_db(mean_squares_pa2):
    """Level of the last ten rows together: a whole number of periods of every tone here."""
    return level_db(float(mean_squares_pa2[-10:].mean()))


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_a_calibrator_tone_reads_its_level(rate_hz):
    """1 kHz at 1 Pa reads 93.98 dB with every weighting, and its peak 3.01 dB more."""
    levels = levels_of(tone(1000, rate_hz, 2.0), rate_hz)

    assert last_second_db(levels.A_mean_square_pa2) == pytest.approx(93.979, abs=0.001)
    assert last_second_db(levels.C_mean_square_pa2) == pytest.approx(93.979, abs=0.001)
    assert levels.LAF_db[-1, 0] == pytest.approx(93.979, abs=0.001)
    # The filter that takes away constant offsets is still settling by a few thousandths.
    assert last_second_db(levels.Z_mean_square_pa2) == pytest.approx(93.979, abs=0.01)
    # Samples may miss the crest a little.
    assert levels.LCpeak_db[-1, 0] == pytest.approx(96.99, abs=0.05)


@pytest.mark.parametrize("frequency_hz", [63.0, 4000.0, 16_000.0])
def test_other_tones_read_their_weighted_level(frequency_hz):
    """A tone of 94 dB reads 94 dB plus the weighting by definition."""
    levels = levels_of(tone(frequency_hz, 48_000, 2.0), 48_000)

    A_db, C_db = a_weighting_db(frequency_hz), c_weighting_db(frequency_hz)
    assert last_second_db(levels.A_mean_square_pa2) == pytest.approx(93.979 + A_db, abs=0.002)
    assert last_second_db(levels.C_mean_square_pa2) == pytest.approx(93.979 + C_db, abs=0.002)


@pytest.mark.parametrize("rate_hz", [11_025, 48_000])
def test_rows_agree_with_whole_array_functions(rate_hz):
    """Rows are what weighting the whole signal and cutting it afterwards gives."""
    samples = np.random.default_rng(5).normal(size=(2 * rate_hz, 2))
    levels = levels_of(samples, rate_hz)
    signal = PressureSignal(samples, rate_hz)
    A, C = frequency_weighted(signal, "A"), frequency_weighted(signal, "C")
    # 100 ms at 11025 Hz are 1102.5 frames: every other row has one more.
    edges = np.floor(np.arange(21) * rate_hz / 10 + 0.5).astype(int)
    rows = [slice(first, last) for first, last in pairwise(edges)]
    LAF = time_weighted_level(A, "F").level_db.reshape(20, 100, 2)
    LAS = time_weighted_level(A, "S").level_db.reshape(20, 100, 2)

    assert len(levels) == 20
    for number, row in enumerate(rows):
        assert levels.LAeq_db[number] == pytest.approx(level_db((A.samples[row] ** 2).mean(0)))
        assert levels.LCeq_db[number] == pytest.approx(level_db((C.samples[row] ** 2).mean(0)))
        assert levels.C_peak_pa[number] == pytest.approx(np.abs(C.samples[row]).max(0))
    assert levels.LAF_db == pytest.approx(LAF[:, -1])
    assert levels.LAFmax_db == pytest.approx(LAF.max(axis=1))
    assert levels.LAFmin_db == pytest.approx(LAF.min(axis=1))
    assert levels.LASmax_db == pytest.approx(LAS.max(axis=1))
    assert levels.LASmin_db == pytest.approx(LAS.min(axis=1))


@given(
    rate_hz=st.sampled_from([8_000, 11_025, 44_100]),
    cuts=st.lists(st.integers(0, 4000), max_size=8),
)
def test_blocks_of_any_size_change_nothing(rate_hz, cuts):
    """However the sound is cut, also into empty blocks, the rows are the same."""
    samples = np.random.default_rng(7).normal(size=(4000, 2))
    whole, cut = levels_of(samples, rate_hz), levels_of(samples, rate_hz, cuts=cuts)

    assert len(whole) == len(cut)
    for name in BROADBAND:
        # Sums over the same milliseconds; only the last digit may differ.
        assert getattr(cut, name) == pytest.approx(getattr(whole, name), abs=1e-9)


def test_a_row_is_there_as_soon_as_its_last_frame():
    """100 ms of sound give one row at once; one frame less gives none."""
    block = np.ones((4410, 1))
    state, levels = analyse(start(44_100, 1, bands=False), PressureSignal(block[:-1], 44_100))

    assert len(levels) == 0
    assert len(analyse(state, PressureSignal(block[:1], 44_100))[1]) == 1


def test_a_state_can_be_used_again():
    """Analysing leaves the state it began with as it was."""
    begun, _ = analyse(
        start(48_000, 1, bands=False), PressureSignal(tone(500, 48_000, 0.25), 48_000)
    )
    block = PressureSignal(tone(300, 48_000, 0.25), 48_000)

    first, second = analyse(begun, block)[1], analyse(begun, block)[1]

    assert np.array_equal(first.LAeq_db, second.LAeq_db)
    assert np.array_equal(first.LAFmax_db, second.LAFmax_db)


@given(gain_db=st.floats(-120, 60))
def test_gain_shifts_every_level_by_the_same(gain_db):
    """Levels are linear over the whole range, within a millionth of a decibel."""
    samples = np.random.default_rng(11).normal(size=(4800, 1))
    plain = levels_of(samples, 48_000)
    louder = levels_of(samples * 10 ** (gain_db / 20), 48_000)

    for name in BROADBAND:
        assert getattr(louder, name) - getattr(plain, name) == pytest.approx(gain_db, abs=1e-6)


def test_uncorrelated_sounds_add_their_energies():
    """Two tones together have the sum of their mean squares."""
    first, second = tone(500, 48_000, 1.0), tone(2000, 48_000, 1.0, rms_pa=0.3)
    parts = [levels_of(part, 48_000) for part in (first, second, first + second)]
    apart, other, together = (part.A_mean_square_pa2[5:] for part in parts)

    assert together == pytest.approx(apart + other, rel=1e-9)


def test_silence_has_no_level_and_costs_no_warning():
    """Exact silence reads minus infinity everywhere."""
    levels = levels_of(np.zeros((9600, 1)), 48_000)

    for name in BROADBAND:
        assert np.isneginf(getattr(levels, name)).all()


def test_an_offset_is_no_sound():
    """After a few seconds a constant pressure counts in no weighting."""
    levels = levels_of(np.ones((8 * 48_000, 1)), 48_000)

    assert levels.LAeq_db[-1, 0] < -100
    assert levels.LCeq_db[-1, 0] < -100
    assert levels.LZeq_db[-1, 0] < -100


def test_a_clipped_tone_reads_the_energy_it_has():
    """Clipping is not hidden: the level is that of the clipped wave."""
    clipped = np.clip(tone(1000, 48_000, 2.0, rms_pa=10.0), -1.0, 1.0)
    levels = levels_of(clipped, 48_000)

    assert levels.LZeq_db[-1, 0] == pytest.approx(level_db(float(np.mean(clipped**2))), abs=0.01)


def test_a_single_frame_gives_no_row():
    """One sample is less than 100 ms: no row, no error."""
    assert len(levels_of(np.ones((1, 1)), 48_000)) == 0


def test_after_silence_levels_decay_without_subnormal_numbers():
    """Digital silence lets the filters come to rest at exactly zero."""
    state, _ = analyse(
        start(48_000, 1, bands=False), PressureSignal(tone(1000, 48_000, 0.5), 48_000)
    )
    for _ in range(80):
        state, levels = analyse(state, PressureSignal(np.zeros((4800, 1)), 48_000))

    assert not state.weighting.C.any()
    assert np.isneginf(levels.LAeq_db).all()


def test_blocks_that_do_not_fit_are_refused():
    """A change of rate or channels within a measurement is an error, not a wrong level."""
    state = start(48_000, 1, bands=False)

    with pytest.raises(SignalError, match="start a new one"):
        analyse(state, PressureSignal(np.zeros((10, 2)), 48_000))
    with pytest.raises(SignalError, match="start a new one"):
        analyse(state, PressureSignal(np.zeros((10, 1)), 44_100))


def test_impossible_measurements_are_refused():
    """No channels and unusable rates are refused at the start."""
    with pytest.raises(SignalError, match="at least one channel"):
        start(48_000, 0)
    with pytest.raises(SignalError, match="8000 Hz to 192000 Hz"):
        start(4_000, 1)


def test_bands_stand_beside_the_broadband_levels_of_their_row():
    """With bands every row has all of them, and broadband levels are the same as without."""
    samples = np.random.default_rng(13).normal(size=(24_000, 2))
    plain, banded = levels_of(samples, 48_000), levels_of(samples, 48_000, bands=True)

    assert len(banded) == len(plain) == 5
    assert banded.band_level_db.shape == (5, 2, 31)
    assert banded.nominal_hz[0] == 20.0
    assert banded.nominal_hz[-1] == 20_000.0
    assert np.array_equal(banded.LAeq_db, plain.LAeq_db)
    # White noise: the bands hold what lies between 17.8 Hz and 22.4 kHz of 24 kHz.
    assert banded.band_mean_square_pa2.sum(axis=2).mean() == pytest.approx(22.4 / 24, rel=0.02)


@settings(max_examples=30)
@given(cuts=st.lists(st.integers(0, 3000), max_size=6))
def test_blocks_of_any_size_change_nothing_with_bands(cuts):
    """However the sound is cut, rows with bands are the same."""
    samples = np.random.default_rng(17).normal(size=(3000, 1))
    whole = levels_of(samples, 11_025, bands=True)
    cut = levels_of(samples, 11_025, cuts=cuts, bands=True)

    assert len(cut) == len(whole) == 2
    assert cut.band_mean_square_pa2 == pytest.approx(whole.band_mean_square_pa2, rel=1e-9)
    assert cut.LAF_db == pytest.approx(whole.LAF_db, abs=1e-9)


def test_rows_with_bands_come_at_most_20_ms_late():
    """A live reading waits for the lowest band by no more than 20 ms at 48 kHz."""
    state, levels = analyse(start(48_000, 1), PressureSignal(np.ones((4800, 1)), 48_000))

    assert len(levels) == 0
    assert len(analyse(state, PressureSignal(np.ones((960, 1)), 48_000))[1]) == 1
    assert len(finish(state)) == 1
