"""Band levels through the whole multirate chain."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from acoustic.band_filters import band_filters
from acoustic.octave_bands import hear_bands, start_bands


def band_rows(samples, rate_hz, bands_per_octave=3, *, cuts=()):
    """Rows of mean squares of samples, cut into blocks, followed by silence."""
    filters = band_filters(float(rate_hz), bands_per_octave)
    state, parts = start_bands(filters, samples.shape[1]), []
    silence = np.zeros((filters.delay_frames + 2 * filters.quantum, samples.shape[1]))
    for part in [*np.split(samples, sorted(cuts)), silence]:
        state, rows = hear_bands(state, part)
        parts.append(rows)
    return np.concatenate(parts)


def periodic_noise(rate_hz, period_s, *, slope):
    """One period of noise with all lines present: power per hertz proportional to f**slope."""
    frames = round(period_s * rate_hz)
    lines = np.arange(1, frames // 2)
    phases = np.exp(2j * np.pi * np.random.default_rng(2).random(len(lines)))
    spectrum = np.zeros(frames // 2 + 1, dtype=complex)
    spectrum[1 : frames // 2] = (lines / period_s) ** (slope / 2) * phases
    # Mean square of a line of amplitude a is a**2 / 2; irfft divides by the number of frames.
    return np.fft.irfft(spectrum, frames) * frames / np.sqrt(2 * period_s)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_mid_band_tones_read_their_level(rate_hz):
    """A tone at any exact mid-band frequency has its own level in its band, within 0.01 dB."""
    exact_hz = band_filters(float(rate_hz), 3).bands.exact_hz
    for some in np.array_split(np.arange(len(exact_hz)), 4):
        angle = 2 * np.pi * exact_hz[some] * np.arange(3 * rate_hz)[:, None] / rate_hz
        # Sine and cosine together have a constant square: broken periods do not count.
        rows = band_rows(np.hstack([np.sin(angle), np.cos(angle)]), rate_hz)[20:30].mean(axis=0)
        own = np.arange(len(some))

        levels_db = 10 * np.log10(rows[own, some] + rows[own + len(some), some])
        assert levels_db == pytest.approx(0, abs=0.003)


@pytest.mark.parametrize("bands_per_octave", [1, 3])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_noise_reads_its_share(rate_hz, bands_per_octave):
    """White and pink noise read as through ideal bands, within the accuracy claimed."""
    bands = band_filters(float(rate_hz), bands_per_octave).bands
    noise = np.stack([periodic_noise(rate_hz, 5.0, slope=slope) for slope in (0, -1)], axis=1)
    # One period to settle, then exactly one to average over: no statistics.
    rows = band_rows(np.concatenate([noise, noise]), rate_hz, bands_per_octave)
    white, pink = rows[50:100].mean(axis=0)

    white_db = 10 * np.log10(white / (bands.upper_hz - bands.lower_hz))
    near_half_rate = bands.upper_hz > 0.45 * rate_hz
    assert white_db[~near_half_rate] == pytest.approx(0, abs=0.02)
    assert white_db == pytest.approx(0, abs=0.03 if bands_per_octave == 3 else 0.06)
    assert 10 * np.log10(pink / np.log(bands.upper_hz / bands.lower_hz)) == pytest.approx(
        0, abs=0.01
    )


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_all_bands_of_a_row_belong_to_the_same_100_ms(rate_hz):
    """Bursts give the same rows as a filter at full rate, which delays nothing."""
    bands = band_filters(float(rate_hz), 3).bands
    frames = 2 * rate_hz
    gate = np.repeat(np.random.default_rng(8).integers(0, 2, 40), frames // 40) * 0.7 + 0.3
    samples = gate * np.random.default_rng(9).normal(size=frames)
    rows = band_rows(samples[:, None], rate_hz)[:, 0]
    edges = np.floor(np.arange(21) * rate_hz / 10 + 0.5).astype(int)

    for nominal_hz in (125.0, 500.0, 1000.0, 4000.0):
        band = bands.nominal_hz.index(nominal_hz)
        # A Butterworth filter of order 4 and ideal noise bandwidth has edges 2.6 % closer.
        closer = 10 ** (0.05 * np.sin(np.pi / 8) / (np.pi / 8))
        limits = [bands.exact_hz[band] / closer, bands.exact_hz[band] * closer]
        sections = butter(4, limits, "bandpass", output="sos", fs=rate_hz)
        squares = np.square(sosfilt(sections, samples))
        full = np.add.reduceat(squares, edges[:-1])[:20] / np.diff(edges)
        difference_db = 10 * np.log10(rows[:, band] / full)

        # A frame at the lowest rate is 0.7 ms and may fall into the next, louder or quieter, row.
        assert difference_db == pytest.approx(0, abs=0.3)
        assert np.median(np.abs(difference_db)) < 0.03


@given(
    rate_hz=st.sampled_from([8_000, 11_025, 16_000]),
    cuts=st.lists(st.integers(0, 5000), max_size=8),
)
def test_blocks_of_any_size_change_nothing(rate_hz, cuts):
    """However the sound is cut, the rows are the same."""
    samples = np.random.default_rng(7).normal(size=(5000, 2))
    whole, cut = band_rows(samples, rate_hz), band_rows(samples, rate_hz, cuts=cuts)

    assert whole.shape == cut.shape
    # Sums are taken in another order; only the last digits may differ.
    assert cut == pytest.approx(whole, rel=1e-9)


def test_bands_sum_to_the_whole():
    """The bands together hold the energy of a noise that has none outside them."""
    noise = periodic_noise(48_000, 2.0, slope=0)
    spectrum = np.fft.rfft(noise)
    frequency_hz = np.fft.rfftfreq(len(noise), 1 / 48_000)
    spectrum[(frequency_hz < 30) | (frequency_hz > 15_000)] = 0
    noise = np.fft.irfft(spectrum)
    rows = band_rows(np.tile(noise, 3)[:, None], 48_000)

    # Neighbours overlap, but not by more than they miss.
    assert 10 * np.log10(rows[20:60].mean(axis=0).sum() / np.mean(noise**2)) == pytest.approx(
        0, abs=0.01
    )


def test_silence_is_silent_and_a_state_can_be_used_again():
    """No sound gives exact zeros, and hearing leaves a state as it was."""
    begun, rows = hear_bands(start_bands(band_filters(48_000.0, 3), 1), np.zeros((9600, 1)))
    block = np.random.default_rng(1).normal(size=(9600, 1))

    assert len(rows) == 1  # the second row is still on its way through the halvings
    assert not rows.any()
    assert np.array_equal(hear_bands(begun, block)[1], hear_bands(begun, block)[1])
