"""Discrete tones against closed forms: a tone of known power in noise of known density."""

import numpy as np
import pytest

from acoustic.critical_bands import bands_beside, critical_bandwidth_hz
from acoustic.errors import InputError
from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of
from acoustic.tones import discrete_tones

RATE_HZ = 40_960
DENSITY = 1e-8
"""Power spectral density of the noise in Pa^2/Hz: 14 dB in 1 Hz."""


def flat_noise(duration_s, seed=1):
    """Noise whose averaged spectrum is almost flat: lines of equal power every 0.1 Hz."""
    frames = 10 * RATE_HZ
    phases = np.exp(2j * np.pi * np.random.default_rng(seed).random(frames // 2 + 1))
    phases[0] = 0
    noise = np.fft.irfft(phases, frames) * frames * np.sqrt(DENSITY / 2 * 0.1)
    return np.resize(noise, round(duration_s * RATE_HZ))


def random_noise(duration_s, seed):
    """Gaussian noise of the same density."""
    frames = round(duration_s * RATE_HZ)
    return np.random.default_rng(seed).normal(size=frames) * np.sqrt(DENSITY * RATE_HZ / 2)


def tone(frequency_hz, ratio_db, duration_s, phase=0.3):
    """A tone with a given ratio to the noise in its critical band."""
    power = DENSITY * critical_bandwidth_hz(frequency_hz) * 10 ** (ratio_db / 10)
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    return np.sqrt(2 * power) * np.sin(2 * np.pi * frequency_hz * time_s + phase)


def tones_in(samples, *, spacing_hz=1.0, calibrated=True):
    """Tones of a signal."""
    spectrum = spectrum_of(PressureSignal(samples[:, None], RATE_HZ), spacing_hz=spacing_hz)
    return discrete_tones(spectrum, calibrated=calibrated)


@pytest.mark.parametrize("ratio_db", [6.0, 15.0, 40.0])
@pytest.mark.parametrize("frequency_hz", [90.3, 160.77, 437.5, 998.2, 2950.6, 11_190.0])
def test_one_tone_in_flat_noise(frequency_hz, ratio_db):
    """Frequency, level and both ratios follow from the powers that went in."""
    (found,) = tones_in(flat_noise(20.5) + tone(frequency_hz, ratio_db, 20.5))
    power = DENSITY * critical_bandwidth_hz(frequency_hz) * 10 ** (ratio_db / 10)
    middle = power + DENSITY * critical_bandwidth_hz(frequency_hz)
    below, above = bands_beside(frequency_hz)
    lower = DENSITY * (100 if frequency_hz <= 171.4 else below.width_hz)
    beside = 0.5 * (lower + DENSITY * above.width_hz)

    assert found.frequency_hz == pytest.approx(frequency_hz, rel=0.0005)
    assert found.level_db == pytest.approx(10 * np.log10(power / 20e-6**2), abs=0.1)
    assert found.tone_to_noise_ratio_db == pytest.approx(ratio_db, abs=0.3)
    assert found.prominence_ratio_db == pytest.approx(10 * np.log10(middle / beside), abs=0.3)


def test_prominence_follows_the_criteria():
    """At 2 kHz 8 dB are prominent, at 200 Hz they are not."""
    strong, weak = tone(2000, 8.5, 20), tone(200, 8.5, 20)
    low, high = tones_in(flat_noise(20) + strong + weak)

    assert low.frequency_hz == pytest.approx(200, abs=0.1)
    assert not low.prominent
    assert high.prominent


def test_a_tone_below_the_threshold_of_hearing_is_not_prominent():
    """What nobody hears is not prominent; without calibration that cannot be said."""
    faint = 1e-4 * (flat_noise(20) + tone(3000, 20, 20))

    assert [found.prominent for found in tones_in(faint)] == [False]
    assert [found.prominent for found in tones_in(faint, calibrated=False)] == [True]


def test_neighbours_in_one_band_do_not_count_as_noise():
    """Two equal tones far apart in one critical band keep their own ratio below 1 kHz."""
    # 70 Hz apart at 500 Hz, where tones merge below 33.5 Hz; the band is 117 Hz wide.
    first, second = tones_in(flat_noise(20) + tone(465, 15, 20) + tone(512, 15, 20))

    assert first.tone_to_noise_ratio_db == pytest.approx(15, abs=0.3)
    assert second.tone_to_noise_ratio_db == pytest.approx(15, abs=0.3)


@pytest.mark.parametrize("frequencies_hz", [(500.0, 525.0), (3000.0, 3200.0)])
def test_close_neighbours_are_heard_as_one(frequencies_hz):
    """A weaker tone that merges adds to the stronger one, and keeps its own ratio."""
    lower_hz, upper_hz = frequencies_hz
    # Powers are re the critical band of each tone's own frequency.
    strong, weak = tones_in(flat_noise(20) + tone(lower_hz, 15, 20) + tone(upper_hz, 12, 20))
    widths = critical_bandwidth_hz(upper_hz) / critical_bandwidth_hz(lower_hz)
    together_db = 10 * np.log10(10**1.5 + widths * 10**1.2)

    assert strong.tone_to_noise_ratio_db == pytest.approx(together_db, abs=0.3)
    assert weak.tone_to_noise_ratio_db == pytest.approx(12, abs=0.3)


def test_harmonics_are_found_one_by_one():
    """A series of blade-passing tones gives every member with its own ratio."""
    orders_hz = 341.3 * np.arange(1, 9)
    sound = flat_noise(20) + sum(tone(f, 10, 20, phase=f) for f in orders_hz)

    found = tones_in(sound)
    assert [each.frequency_hz for each in found] == pytest.approx(orders_hz, rel=0.0005)
    # From 2 kHz on a critical band holds a neighbour, and the stronger of two gains it.
    assert [each.tone_to_noise_ratio_db for each in found[:5]] == pytest.approx([10] * 5, abs=0.3)


def test_a_tone_that_wanders_keeps_its_level():
    """A tone that hunts by 0.3 % over seconds is one tone with its whole power."""
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    wandering = np.sin(
        2 * np.pi * 2000 * time_s + 2000 * 0.003 / 0.4 * np.sin(2 * np.pi * 0.4 * time_s)
    )
    power = DENSITY * critical_bandwidth_hz(2000) * 10**1.5
    (found,) = tones_in(flat_noise(20) + np.sqrt(2 * power) * wandering)

    assert found.tone_to_noise_ratio_db == pytest.approx(15, abs=0.3)
    assert found.frequency_hz == pytest.approx(2000, rel=0.001)


@pytest.mark.parametrize("apart_hz", [4.0, 5.5, 9.3, 14.0])
def test_a_faint_tone_close_beside_a_strong_one_is_a_tone_of_its_own(apart_hz):
    """A tone of 6 dB some hertz beside hum of 16 dB is found with its own frequency and ratio."""
    for hum_hz in (100.0, 199.96, 300.0):
        sound = random_noise(20, 3) + tone(hum_hz, 16, 20) + tone(hum_hz + apart_hz, 6, 20, 1.0)
        hum, faint = tones_in(sound)

        assert hum.frequency_hz == pytest.approx(hum_hz, rel=0.0005)
        assert faint.frequency_hz == pytest.approx(hum_hz + apart_hz, rel=0.0005)
        assert faint.tone_to_noise_ratio_db == pytest.approx(6, abs=0.5)


def test_the_noise_under_a_tone_follows_its_slope():
    """In noise that falls by 6 dB an octave two tones in one band keep their ratios."""
    spectrum = np.fft.rfft(random_noise(20, 4))
    frequency_hz = np.fft.rfftfreq(20 * RATE_HZ, 1 / RATE_HZ)
    sound = np.fft.irfft(spectrum * 1000 / np.maximum(frequency_hz, 30))
    for f in (112.0, 160.0):
        # The noise of a band of 1/f^2 is a difference of two inverse frequencies.
        half_hz = critical_bandwidth_hz(f) / 2
        excess = (1000**2 / (f - half_hz) - 1000**2 / (f + half_hz)) / (2 * half_hz)
        sound += tone(f, 12, 20) * np.sqrt(excess)
    found = tones_in(sound)

    assert [each.tone_to_noise_ratio_db for each in found] == pytest.approx([12, 12], abs=0.5)


def test_a_tone_that_hunts_is_one_tone():
    """However ragged its top, a tone that wanders at random is one, with its ratio and its mean."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        keep = np.exp(-0.02 / 1.5)
        wander = [0.0]
        for push in np.sqrt(1 - keep**2) * rng.standard_normal(499):
            wander.append(keep * wander[-1] + push)
        time_s = np.arange(10 * RATE_HZ) / RATE_HZ
        course = 1 + 0.0015 * np.interp(time_s, 0.02 * np.arange(500), wander)
        power = DENSITY * critical_bandwidth_hz(3500) * 10**1.8
        sound = np.sqrt(2 * power) * np.sin(2 * np.pi * 3500 * np.cumsum(course) / RATE_HZ)
        (found,) = tones_in(flat_noise(10) + sound)

        assert found.tone_to_noise_ratio_db == pytest.approx(18, abs=0.5)
        assert found.frequency_hz == pytest.approx(3500 * course.mean(), rel=0.0005)


def test_faint_tones_are_found():
    """Of more than 200 tones of 6 dB in random noise at least 99 in 100 are found."""
    rng = np.random.default_rng(6)
    missed = total = 0
    for seed in range(20):
        # One tone in every other critical band.
        frequencies_hz, at_hz = [], 89.1
        while at_hz < 9000:
            width_hz = critical_bandwidth_hz(at_hz)
            frequencies_hz.append(at_hz + 0.5 * width_hz * rng.random())
            at_hz += 2 * width_hz
        sound = random_noise(6, seed) + sum(tone(f, 6, 6, phase=f) for f in frequencies_hz)
        found_hz = np.array([found.frequency_hz for found in tones_in(sound)])
        total += len(frequencies_hz)
        missed += sum(np.abs(found_hz / f - 1).min() > 0.001 for f in frequencies_hz)

    assert total >= 200
    assert missed <= 0.01 * total


def test_noise_alone_has_no_prominent_tone():
    """In 100 spectra of white, pink and falling noise there is at most one false tone."""
    false = 0
    for seed in range(100):
        noise = random_noise(3, seed)
        if seed % 3:
            spectrum = np.fft.rfft(noise)
            spectrum[1:] /= np.arange(1, len(spectrum)) ** (0.5 * (seed % 3))
            noise = np.fft.irfft(spectrum) * 1000
        false += any(found.prominent for found in tones_in(noise))

    assert false <= 1


def test_few_averages_give_no_false_tones():
    """Even a single segment of noise, with all its random peaks, gives no prominent tone."""
    for seed in range(30):
        assert not any(found.prominent for found in tones_in(random_noise(1, seed)))


def test_a_tone_without_noise_and_silence_are_defined():
    """A synthetic tone alone stands out by at most 120 dB; silence holds nothing."""
    (found,) = tones_in(tone(1000, 40, 5))

    assert found.prominent
    assert found.tone_to_noise_ratio_db <= 120
    assert tones_in(np.zeros(2 * RATE_HZ)) == ()


def test_low_rates_end_the_search_where_the_bands_end():
    """At 8 kHz a tone of 3 kHz is assessed; one of 3.8 kHz, whose upper band is cut, is not."""
    rng = np.random.default_rng(2)
    time_s = np.arange(80_000) / 8000
    sound = rng.normal(size=80_000) * 0.01
    sound += sum(0.05 * np.sin(2 * np.pi * f * time_s) for f in (3000, 3800))
    spectrum = spectrum_of(PressureSignal(sound[:, None], 8000), spacing_hz=1.0)

    assert [found.frequency_hz for found in discrete_tones(spectrum, calibrated=True)] == (
        pytest.approx([3000], abs=0.1)
    )


def test_unusable_spectra_are_refused():
    """Several channels and coarse lines are errors."""
    noise = np.stack([flat_noise(2), flat_noise(2)], axis=1)
    both = spectrum_of(PressureSignal(noise, RATE_HZ), spacing_hz=2.0)
    coarse = spectrum_of(PressureSignal(noise[:, :1], RATE_HZ), spacing_hz=10.0)

    with pytest.raises(InputError, match="one channel"):
        discrete_tones(both, calibrated=True)
    with pytest.raises(InputError, match=r"at most 2\.5 Hz"):
        discrete_tones(coarse, calibrated=True)
