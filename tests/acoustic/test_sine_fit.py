"""Tones against their closed forms: what was put in is what is found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.errors import SignalError
from acoustic.sine_fit import fit_sine


def tone(frequency_hz, rms=1.0, phase=0.0, *, rate_hz=48_000, seconds=2.0):
    """Make a sine of known root mean square."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.sqrt(2) * rms * np.sin(2 * np.pi * frequency_hz * time_s + phase)


@settings(max_examples=30)
@given(
    frequency_hz=st.floats(60, 8000),
    level_db=st.floats(-80, 40),
    phase=st.floats(0, 6.3),
    rate_hz=st.sampled_from([44_100, 48_000, 96_000]),
)
def test_a_pure_tone_is_found_as_it_is(frequency_hz, level_db, phase, rate_hz):
    """Frequency within 0.001 %, level within 0.001 dB, nothing else found, at every usual rate."""
    fit = fit_sine(tone(frequency_hz, 10 ** (level_db / 20), phase, rate_hz=rate_hz), rate_hz)

    assert fit.frequency_hz == pytest.approx(frequency_hz, rel=1e-5)
    assert 20 * np.log10(fit.rms) == pytest.approx(level_db, abs=1e-3)
    assert 20 * np.log10(fit.block_rms) == pytest.approx(level_db, abs=1e-3)
    assert fit.distortion_percent < 0.01
    assert fit.signal_to_noise_db > 80


@settings(max_examples=25)
@given(
    frequency_hz=st.floats(160, 1250),  # where calibrators have their limits
    shares=st.lists(st.floats(0, 0.02), min_size=4, max_size=4),
    phases=st.lists(st.floats(0, 6.3), min_size=4, max_size=4),
)
def test_distortion_is_that_of_the_harmonics(frequency_hz, shares, phases):
    """Distortion is the root of the summed squares of the second to fifth harmonics."""
    samples = tone(frequency_hz) + sum(
        tone(multiple * frequency_hz, share, phase)
        for multiple, share, phase in zip(range(2, 6), shares, phases, strict=True)
    )
    fit = fit_sine(samples, 48_000)

    assert fit.distortion_percent == pytest.approx(100 * np.linalg.norm(shares), abs=0.005)
    assert 20 * np.log10(fit.rms) == pytest.approx(0.0, abs=1e-3)
    assert fit.signal_to_noise_db > 80


@pytest.mark.parametrize("frequency_hz", [160.4, 250.3, 997.3])
def test_a_sixth_harmonic_is_noise_and_not_distortion(frequency_hz):
    """What is beyond the fifth harmonic counts as everything else."""
    fit = fit_sine(tone(frequency_hz) + tone(6 * frequency_hz, 0.01), 48_000)

    assert fit.distortion_percent < 0.1
    assert fit.signal_to_noise_db == pytest.approx(40.0, abs=0.1)


@settings(max_examples=20)
@given(
    frequency_hz=st.floats(160, 1250), ratio_db=st.floats(20, 70), seed=st.integers(0, 2**32 - 1)
)
def test_signal_to_noise_is_that_of_the_noise_put_in(frequency_hz, ratio_db, seed):
    """White noise of known size is found as the noise, and leaves the tone's level alone."""
    noise = np.random.default_rng(seed).standard_normal(96_000)
    noise *= 10 ** (-ratio_db / 20) / noise.std()
    fit = fit_sine(tone(frequency_hz) + noise, 48_000)

    # Eleven fitted parameters in 4800 samples take 0.01 dB of the noise with them.
    assert fit.signal_to_noise_db == pytest.approx(ratio_db, abs=0.05)
    # The error of a level fitted to 96,000 samples is 8.7 / sqrt(96,000) of the noise: seven of it.
    assert 20 * np.log10(fit.rms) == pytest.approx(0.0, abs=0.2 * 10 ** (-ratio_db / 20))
    assert fit.frequency_hz == pytest.approx(frequency_hz, rel=1e-4)


def test_hum_below_the_tone_is_noise_and_nothing_else():
    """Hum 20 dB down, which moves a broadband reading by 0.04 dB, leaves the tone alone."""
    samples = tone(1000.0, seconds=3.0) + tone(50.0, 0.1, 1.0, seconds=3.0)
    fit = fit_sine(samples, 48_000)

    assert 20 * np.log10(samples.std()) == pytest.approx(0.043, abs=1e-3)  # the broadband reading
    assert 20 * np.log10(fit.rms) == pytest.approx(0.0, abs=1e-4)
    assert fit.signal_to_noise_db == pytest.approx(20.0, abs=0.01)


def test_a_constant_offset_is_not_sound():
    """A converter's offset enters neither the level nor the noise."""
    fit = fit_sine(tone(1000.0) + 0.5, 48_000)

    assert fit.rms == pytest.approx(1.0, abs=1e-6)
    assert fit.signal_to_noise_db > 100


def test_the_level_is_followed_block_by_block():
    """A level that falls half way shows in the blocks, and the whole has the mean energy."""
    samples = np.concatenate([tone(1000.0, seconds=1.0), tone(1000.0, 10**-0.05, seconds=1.0)])
    fit = fit_sine(samples, 48_000)

    assert fit.block_rms == pytest.approx([1.0] * 10 + [10**-0.05] * 10, abs=1e-6)
    assert fit.rms**2 == pytest.approx((1 + 10**-0.1) / 2, abs=1e-6)


def test_the_strongest_tone_is_taken():
    """Of two tones the stronger one is measured, the other is everything else."""
    fit = fit_sine(tone(700.0, 0.5) + tone(1000.0), 48_000)

    assert fit.frequency_hz == pytest.approx(1000.0, rel=1e-5)
    assert fit.signal_to_noise_db == pytest.approx(6.02, abs=0.05)


def test_a_part_of_a_block_at_the_end_is_ignored():
    """Frames that do not fill the last 100 ms change nothing."""
    whole = tone(1000.0)
    longer = np.concatenate([whole, np.full(100, 0.3)])

    assert fit_sine(longer, 48_000).rms == pytest.approx(fit_sine(whole, 48_000).rms, rel=1e-9)
    assert fit_sine(longer, 48_000).block_rms.size == 20


def test_harmonics_beyond_the_rate_are_not_looked_for():
    """A tone whose harmonics the rate cannot hold has no distortion."""
    assert fit_sine(tone(15_000.0), 48_000).distortion_percent == 0.0


def test_a_tone_at_the_edge_of_the_rate_is_no_reason_to_fail():
    """Samples that alternate, half the rate, are measured or not but never break the fit."""
    assert np.isfinite(fit_sine(np.tile([1.0, -1.0], 24_000), 48_000).rms)


def test_too_short_and_silent_are_refused():
    """Less than a second, and no sound at all, are refused with what to do."""
    with pytest.raises(SignalError, match="at least 1 s"):
        fit_sine(tone(1000.0, seconds=0.9), 48_000)
    for constant in (0.0, 0.1):
        with pytest.raises(SignalError, match="check the input"):
            fit_sine(np.full(48_000, constant), 48_000)
