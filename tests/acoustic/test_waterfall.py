"""Waterfalls against an independent spectrogram, closed forms, and coarser waterfalls."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import spectrogram

from acoustic.errors import SignalError
from acoustic.signals import PressureSignal
from acoustic.waterfall import (
    add_to_waterfall,
    start_waterfall,
    waterfall_of,
    waterfall_so_far,
)

RATE_HZ = 8000
WHOLE = np.random.default_rng(1).normal(size=(20_000, 2)) * np.linspace(0.01, 1.0, 20_000)[:, None]


def sound(samples, rate_hz=RATE_HZ):
    """Sound pressure of samples."""
    return PressureSignal(samples, rate_hz)


def fed(parts, rate_hz=RATE_HZ, **kind):
    """Waterfall of sound that comes in parts."""
    state = start_waterfall(rate_hz, parts[0].shape[1], **kind)
    for part in parts:
        state = add_to_waterfall(state, sound(part, rate_hz))
    return waterfall_so_far(state)


@pytest.mark.parametrize(("step_s", "segments"), [(0.05, 1), (0.1, 2), (0.35, 7)])
def test_columns_agree_with_an_independent_spectrogram(step_s, segments):
    """Each column is the mean power of its segments, half of each shared with the next."""
    ours = waterfall_of(sound(WHOLE), spacing_hz=10.0, step_s=step_s, most_columns=100)
    frames = round(RATE_HZ / ours.spacing_hz)
    frequency_hz, time_s, powers = spectrogram(
        WHOLE, RATE_HZ, "hann", frames, frames // 2, detrend=False, scaling="spectrum", axis=0
    )
    powers = np.moveaxis(powers, -1, 0)
    columns = len(powers) // segments
    means = powers[: columns * segments].reshape(columns, segments, *powers.shape[1:]).mean(axis=1)
    middles = time_s[: columns * segments].reshape(columns, segments).mean(axis=1)

    assert ours.power_level_db.dtype == np.float32
    # Between 0 Hz and half the rate; single precision rounds 60 dB to 0.000004 dB.
    assert ours.power_level_db[:columns, 1:-1] == pytest.approx(
        10 * np.log10(means[:, 1:-1] / 20e-6**2), abs=2e-5
    )
    assert ours.frequency_hz == pytest.approx(frequency_hz)
    assert ours.time_s[:columns] == pytest.approx(middles)
    assert ours.step_s == pytest.approx(step_s)
    # What is left over at the end is a column too.
    assert len(ours.time_s) == columns + (len(powers) > columns * segments)


@given(cuts=st.lists(st.integers(0, len(WHOLE)), max_size=8))
def test_blocks_of_any_size_change_nothing(cuts):
    """However the sound is cut, and however often columns are joined, the waterfall is the same."""
    kind = {"spacing_hz": 20.0, "step_s": 0.05, "most_columns": 8}
    parts = np.split(WHOLE, sorted(cuts))
    whole, cut = fed([WHOLE], **kind), fed(parts, **kind)

    assert cut.step_s == whole.step_s == pytest.approx(0.4)
    assert cut.time_s == pytest.approx(whole.time_s)
    # Sums are rounded in another order: the last bit of a level may differ.
    assert cut.power_level_db == pytest.approx(whole.power_level_db, abs=2e-5)


@given(
    frames=st.integers(400, len(WHOLE)),
    step_s=st.sampled_from([0.025, 0.05, 0.2]),
    most_columns=st.sampled_from([2, 4, 10, 50]),
)
def test_joined_columns_are_those_of_a_coarser_step(frames, step_s, most_columns):
    """Joining keeps energy means: the result is the waterfall that begins with the longer step."""
    joined = waterfall_of(
        sound(WHOLE[:frames]), spacing_hz=20.0, step_s=step_s, most_columns=most_columns
    )
    coarse = waterfall_of(
        sound(WHOLE[:frames]), spacing_hz=20.0, step_s=joined.step_s, most_columns=1000
    )

    assert len(joined.time_s) <= most_columns + 1
    assert joined.time_s == pytest.approx(coarse.time_s)
    assert joined.power_level_db == pytest.approx(coarse.power_level_db, abs=5e-5)
    # The step is no longer than it has to be.
    assert joined.step_s == pytest.approx(step_s) or len(joined.time_s) > most_columns / 2


def test_a_tone_stands_where_and_when_it_sounds():
    """A tone of 1 Pa reads 93.98 dB on its line while it sounds, and nothing elsewhere."""
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    tone = np.sqrt(2) * np.sin(2 * np.pi * 500 * time_s) * ((time_s >= 2) & (time_s < 4))
    seen = waterfall_of(sound(tone[:, None]), spacing_hz=10.0, step_s=0.1, most_columns=200)
    during = (seen.time_s > 2.15) & (seen.time_s < 3.85)
    away = (seen.time_s < 1.85) | (seen.time_s > 4.15)

    assert seen.power_level_db[during, 50, 0] == pytest.approx(93.9794, abs=1e-3)
    assert (seen.power_level_db[during, 53:, 0] < 0).all()
    assert np.isneginf(seen.power_level_db[away]).all()


def test_noise_reads_its_density():
    """White noise of 1 Pa has 1.5 spacings of its density on each line."""
    samples = np.random.default_rng(2).normal(size=(60 * RATE_HZ, 1))
    seen = waterfall_of(sound(samples), spacing_hz=20.0, step_s=10.0, most_columns=10)
    expected_db = 10 * np.log10(seen.noise_bandwidth_hz / (RATE_HZ / 2) / 20e-6**2)

    assert seen.power_level_db[:, 1:-1].mean() == pytest.approx(expected_db, abs=0.05)


def test_silence_stays_silence_when_joined():
    """Levels of silence are minus infinity, and cost no warning when they are joined."""
    seen = waterfall_of(sound(np.zeros((20_000, 1))), spacing_hz=20.0, step_s=0.025, most_columns=4)

    assert np.isneginf(seen.power_level_db).all()


def test_states_are_values():
    """Hearing more leaves earlier states, and what was shown of them, as they were."""
    early = add_to_waterfall(
        start_waterfall(RATE_HZ, 2, spacing_hz=20.0, step_s=0.05, most_columns=8),
        sound(WHOLE[:5000]),
    )
    before = waterfall_so_far(early).power_level_db.copy()
    add_to_waterfall(early, sound(WHOLE[5000:]))

    assert waterfall_so_far(early).power_level_db.tobytes() == before.tobytes()


def test_a_day_needs_no_more_memory_than_an_hour():
    """24 hours are kept in 256 columns and a few megabytes."""
    rate_hz, lines, minutes = 32, 17, 24 * 60
    block = np.random.default_rng(3).normal(size=(60 * rate_hz, 1))
    state = start_waterfall(rate_hz, 1, spacing_hz=1.0, step_s=1.0, most_columns=256)
    tracemalloc.start()
    for _ in range(minutes):
        state = add_to_waterfall(state, sound(block, rate_hz))
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    seen = waterfall_so_far(state)

    # 86 400 steps of 1 s, halved nine times.
    assert seen.step_s == pytest.approx(512.0)
    assert seen.power_level_db.shape == (169, lines, 1)
    assert seen.time_s[-1] == pytest.approx(86_400, abs=512)
    assert peak_bytes < 1e6
    # Every column hears the same minute again and again.
    assert np.ptp(seen.power_level_db[:-1], axis=0).max() < 0.5


def test_unusable_input_is_refused():
    """Too little sound, steps too short, odd numbers of columns and foreign blocks are errors."""
    kind = {"spacing_hz": 10.0, "step_s": 0.1, "most_columns": 10}
    state = start_waterfall(RATE_HZ, 1, **kind)

    with pytest.raises(SignalError, match=r"needs 0\.1 s of sound"):
        waterfall_so_far(add_to_waterfall(state, sound(np.zeros((10, 1)))))
    with pytest.raises(SignalError, match="start a new one"):
        add_to_waterfall(state, sound(np.zeros((10, 2))))
    for step_s in (0.04, -1.0, np.nan, np.inf):
        with pytest.raises(SignalError, match=r"step of at least 0\.05 s"):
            start_waterfall(RATE_HZ, 1, **kind | {"step_s": step_s})
    for most_columns in (0, 7, -2):
        with pytest.raises(SignalError, match=f"at least 2, not {most_columns}"):
            start_waterfall(RATE_HZ, 1, **kind | {"most_columns": most_columns})
    with pytest.raises(SignalError, match="spacing above zero"):
        start_waterfall(RATE_HZ, 1, **kind | {"spacing_hz": 0.0})


def test_bands_show_their_strongest_line():
    """No tone is lost between bands, and a band between two lines shows the nearer."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tones = np.sin(2 * np.pi * 1000 * time_s) + 0.1 * np.sin(2 * np.pi * 2010 * time_s)
    seen = waterfall_of(sound(tones[:, None]), spacing_hz=10.0, step_s=0.5, most_columns=4)
    edges_hz = np.array([101.0, 102.0, 500.0, 999.0, 1900.0, 2100.0, 4000.0])
    bands = seen.strongest(edges_hz)

    assert bands.shape == (len(seen.time_s), 6, 1)
    lines = seen.power_level_db
    assert np.array_equal(bands[:, 0], lines[:, 10])
    # 1 Pa peak is 90.97 dB, a tenth of it 20 dB less.
    assert bands[:, 3] == pytest.approx(90.97, abs=0.01)
    assert bands[:, 4] == pytest.approx(70.97, abs=0.01)
    assert np.array_equal(bands[:, 5], lines[:, 210:400].max(axis=1))


def test_channels_are_chosen_and_averaged_as_energy():
    """One channel of two is that channel, and the mean of both lies between as energy."""
    both = waterfall_of(sound(WHOLE), spacing_hz=10.0, step_s=0.1, most_columns=50)
    second = waterfall_of(sound(WHOLE[:, 1:]), spacing_hz=10.0, step_s=0.1, most_columns=50)

    assert np.array_equal(both.of_channels([1]).power_level_db, second.power_level_db)
    powers = 10 ** (both.power_level_db.astype(float) / 10)
    assert both.mean_of_channels().power_level_db[:, :, 0] == pytest.approx(
        10 * np.log10(powers.mean(axis=2)), abs=2e-5
    )
