from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import hilbert
from spectral_levels import band_level_db, laeq_db, level_db

from acoustic.standard_tables import CALIBRATOR_LIMITS
from service.simulation.microphone import (
    LOOSE_CALIBRATOR,
    OFF_FREQUENCY_CALIBRATOR,
    Calibrator,
    CalibratorSound,
    Converter,
    Microphone,
)

RATE_HZ, FRAMES = 48_000, 2400
STILL = Microphone(drift_db=0.0)


def tone_of(calibrator, steps=200):
    """Return ten seconds of a calibrator in pascals."""
    sound = CalibratorSound(calibrator, FRAMES, RATE_HZ, np.random.default_rng(1))
    return np.concatenate([sound.render() for _ in range(steps)])


def convert(microphone, pressure, rate_hz=RATE_HZ):
    """Return the samples a microphone makes of a pressure."""
    frames = rate_hz // 20
    converter = Converter(microphone, frames, rate_hz, np.random.default_rng(2))
    return np.concatenate(
        [converter.convert(part, converter.step()) for part in pressure.reshape(-1, frames)]
    )


def measured(calibrator):
    """Return level, frequency, fluctuation and distortion of a calibrator, by other means."""
    tone = tone_of(calibrator)
    analytic = hilbert(tone)[RATE_HZ:-RATE_HZ]
    frequency_hz = np.mean(np.diff(np.unwrap(np.angle(analytic)))) * RATE_HZ / (2.0 * np.pi)
    fundamental_db = band_level_db(tone, RATE_HZ, 1.0, frequency_hz - 100, frequency_hz + 100)
    harmonics_db = band_level_db(tone, RATE_HZ, 1.0, 1.5 * frequency_hz, 3.5 * frequency_hz)
    seconds_db = level_db((tone**2).reshape(-1, RATE_HZ // 10).mean(axis=1))
    fluctuation_db = (seconds_db.max() - seconds_db.min()) / 2.0
    distortion_percent = 100.0 * 10.0 ** ((harmonics_db - fundamental_db) / 20.0)
    return fundamental_db, frequency_hz, fluctuation_db, distortion_percent


def test_calibrator_is_a_class_1_one():
    """Level, frequency, fluctuation and distortion stay within the class 1 limits."""
    limits = CALIBRATOR_LIMITS["1"]

    actual_db, frequency_hz, fluctuation_db, distortion_percent = measured(Calibrator())

    assert actual_db == pytest.approx(94.0, abs=0.02)
    assert frequency_hz == pytest.approx(1000.0, abs=0.01)
    assert fluctuation_db < limits.fluctuation_db
    assert distortion_percent == pytest.approx(0.5, abs=0.01)


def test_a_loose_calibrator_breaks_the_limits():
    """A loose coupling reads low and unsteady, each beyond what class 2 allows."""
    limits = CALIBRATOR_LIMITS["2"]

    actual_db, _, fluctuation_db, _ = measured(LOOSE_CALIBRATOR)

    assert 94.0 - actual_db > limits.level_db
    assert fluctuation_db > limits.fluctuation_db


def test_a_wrong_oscillator_is_off_frequency():
    """The other fault keeps the level but misses the frequency by more than class 2 allows."""
    actual_db, frequency_hz, _, _ = measured(OFF_FREQUENCY_CALIBRATOR)

    assert actual_db == pytest.approx(94.0, abs=0.02)
    assert 100.0 * (frequency_hz / 1000.0 - 1.0) > CALIBRATOR_LIMITS["2"].frequency_percent


def test_sensitivity_is_pascal_per_unit():
    """A 94 dB tone comes out with 1 Pa over the sensitivity as its value."""
    samples = convert(replace(STILL, pascal_per_unit=12.5), tone_of(Calibrator(fluctuation_db=0.0)))

    assert np.sqrt(np.mean(samples**2)) == pytest.approx(1.0024 / 12.5, rel=1e-3)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_self_noise_has_its_level_at_every_rate(rate_hz):
    """With no sound at all the microphone reads its own A-weighted noise."""
    samples = convert(replace(STILL, self_noise_db=15.0), np.zeros(20 * rate_hz), rate_hz)

    assert laeq_db(samples, rate_hz, STILL.pascal_per_unit) == pytest.approx(15.0, abs=0.05)


def test_samples_lie_on_a_24_bit_grid_and_clip():
    """Every sample is a whole number of 24-bit steps, and none leaves full scale."""
    loud = 20.0 * np.sin(2.0 * np.pi * 1000.0 * np.arange(RATE_HZ) / RATE_HZ)

    steps = convert(STILL, loud) * 2**23

    assert np.array_equal(steps, np.rint(steps))
    assert steps.max() == 2**23 - 1
    assert steps.min() == -(2**23)


@pytest.mark.parametrize("treble_db", [-2.0, 1.5])
def test_treble_bends_the_response_but_not_at_1_khz(treble_db):
    """A response off flat lifts or lowers 16 kHz by nearly all of it and leaves 1 kHz alone."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    bent = replace(STILL, treble_db=treble_db)

    changes_db = []
    for frequency_hz in (1000.0, 16_000.0):
        tone = 0.5 * np.sin(2.0 * np.pi * frequency_hz * time_s)
        flat, shelved = (
            band_level_db(convert(mic, tone), RATE_HZ, 1.0, frequency_hz - 5, frequency_hz + 5)
            for mic in (STILL, bent)
        )
        changes_db.append(shelved - flat)

    assert changes_db[0] == pytest.approx(0.0, abs=0.01)
    assert changes_db[1] == pytest.approx(treble_db, abs=0.3)


def test_gain_drifts_slowly_from_zero():
    """The drift begins at nothing and stays small."""
    converter = Converter(Microphone(drift_db=0.02), FRAMES, RATE_HZ, np.random.default_rng(3))
    pairs_db = [converter.step() for _ in range(20 * 3600)]

    assert pairs_db[0][0] == 0.0
    assert np.std([after for _, after in pairs_db]) == pytest.approx(0.02, rel=0.6)
    assert max(abs(after - before) for before, after in pairs_db) < 0.002
