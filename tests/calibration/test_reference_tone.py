"""Reference tones whose factor is known in closed form, and every way to spoil one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.errors import SignalError
from acoustic.signals import DigitalSignal
from calibration.reference_tone import ReferenceTone, judge_reference_tone

REFERENCE = ReferenceTone(94.0, 1000.0)
PASCAL_PER_UNIT = 2.0
# 94 dB is 1.0024 Pa, so at 2 Pa a unit the tone has this root mean square re full scale.
TONE_RMS = 20e-6 * 10 ** (94 / 20) / PASCAL_PER_UNIT


def sine(frequency_hz, rms, *, rate_hz=48_000, seconds=4.0, phase=0.0):
    """Make a sine of known root mean square."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.sqrt(2) * rms * np.sin(2 * np.pi * frequency_hz * time_s + phase)


def noise(rms, *, rate_hz=48_000, seconds=4.0, seed=1):
    """Make white noise of exactly known root mean square."""
    samples = np.random.default_rng(seed).standard_normal(round(seconds * rate_hz))
    return samples * rms / samples.std()


def calibrator(*, rms=TONE_RMS, frequency_hz=1000.0, rate_hz=48_000, seconds=4.0):
    """Make what a good calibrator gives: the tone, a few harmonics, hum and hiss far below."""
    form = {"rate_hz": rate_hz, "seconds": seconds}
    return (
        sine(frequency_hz, rms, **form)
        + sine(2 * frequency_hz, 0.005 * rms, phase=0.4, **form)
        + sine(3 * frequency_hz, 0.003 * rms, phase=2.0, **form)
        + sine(50.0, 0.01 * rms, **form)
        + noise(0.003 * rms, **form)
    )


def course(gain_db):
    """Turn a course of the level over 4 s, in dB, into a gain for each sample."""
    return 10 ** (
        np.interp(np.arange(192_000), np.linspace(0, 192_000, len(gain_db)), gain_db) / 20
    )


def judge(samples, reference=REFERENCE, rate_hz=48_000, **given_facts):
    """Judge one channel of samples."""
    return judge_reference_tone(
        DigitalSignal(samples[:, None], rate_hz), 0, reference, **given_facts
    )


def factor_error_db(verdict, expected=PASCAL_PER_UNIT):
    """How far the factor is off, in dB."""
    return 20 * np.log10(verdict.pascal_per_unit / expected)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(
    "reference",
    [ReferenceTone(94.0, 1000.0), ReferenceTone(114.0, 1000.0), ReferenceTone(124.0, 250.0)],
)
def test_good_tones_give_the_factor(rate_hz, reference):
    """Calibrators and pistonphones are accepted, their factor right within 0.01 dB."""
    factor = 20e-6 * 10 ** (reference.level_db / 20) / 0.1
    verdict = judge(
        calibrator(rms=0.1, frequency_hz=reference.frequency_hz, rate_hz=rate_hz),
        reference,
        rate_hz,
    )

    assert verdict.accepted
    assert verdict.reasons == ()
    assert verdict.remarks == ()
    assert factor_error_db(verdict, factor) == pytest.approx(0.0, abs=0.01)
    assert verdict.tone.level_dbfs == pytest.approx(-20.0, abs=0.01)
    assert verdict.tone.frequency_hz == pytest.approx(reference.frequency_hz, rel=1e-5)
    assert verdict.tone.distortion_percent == pytest.approx(100 * np.hypot(0.005, 0.003), abs=0.05)
    # Hum 40 dB down and hiss 50.5 dB down together.
    assert verdict.tone.signal_to_noise_db == pytest.approx(39.6, abs=0.1)


@settings(max_examples=25)
@given(
    level_dbfs=st.floats(-70, -4),
    off_percent=st.floats(-1.6, 1.6),
    hum_db=st.floats(-60, -35),
    phase=st.floats(0, 6.3),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_tone_within_class_2_is_accepted(level_dbfs, off_percent, hum_db, phase, seed):
    """Whatever level, hum, hiss and permitted error of frequency: right within 0.01 dB."""
    rms = 10 ** (level_dbfs / 20)
    samples = (
        sine(1000.0 * (1 + off_percent / 100), rms, seconds=2.0, phase=phase)
        + sine(50.0, rms * 10 ** (hum_db / 20), seconds=2.0)
        + noise(0.005 * rms, seconds=2.0, seed=seed)
    )
    verdict = judge(samples)

    assert verdict.reasons == ()
    expected = 20e-6 * 10 ** (94 / 20) / rms
    assert factor_error_db(verdict, expected) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    "samples",
    [
        calibrator() * course(0.06 * np.sin(np.linspace(0, 40, 400))),  # class 1 fluctuation
        calibrator() * course(0.13 * np.sin(np.linspace(0, 12, 400))),  # class 2 fluctuation
        calibrator() + sine(2000.0, 0.022 * TONE_RMS),  # class 2 distortion
        calibrator(frequency_hz=1016.0),  # class 2 frequency
        calibrator() + 0.2,  # a converter's offset is no sound
    ],
)
def test_what_class_2_permits_is_accepted(samples):
    """Fluctuation, distortion and frequency at the limits of class 2 are no reason to refuse."""
    verdict = judge(samples)

    assert verdict.reasons == ()
    assert factor_error_db(verdict) == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("samples", "reference", "reason"),
    [
        (calibrator(frequency_hz=1018.0), REFERENCE, "is at 1018.0 Hz, not at 1000 Hz"),
        (calibrator(frequency_hz=250.0), REFERENCE, "is at 250.0 Hz, not at 1000 Hz"),
        (calibrator(rms=10 ** (-76 / 20)), REFERENCE, "too weak; raise the gain"),
        (sine(1000.0, 10 ** (-3.2 / 20)), REFERENCE, "touches it; lower the gain"),
        (
            calibrator() * course(0.25 * np.sin(np.linspace(0, 20, 400))),
            REFERENCE,
            "fluctuates by +-0.2",
        ),
        (calibrator() * course([0.0, -0.28]), REFERENCE, "drifts by -0.14 dB"),
        (calibrator() * course([0.0, 0.28]), REFERENCE, "drifts by +0.14 dB"),
        (calibrator() + sine(2000.0, 0.035 * TONE_RMS), REFERENCE, "% harmonics"),
        (calibrator() + noise(0.04 * TONE_RMS, seed=2), REFERENCE, "stands only 28 dB over"),
        (calibrator() + sine(100.0, 0.05 * TONE_RMS), REFERENCE, "stands only 26 dB over"),
        (calibrator(seconds=1.5), REFERENCE, "lasts 1.5 s; record at least 2 s"),
        (calibrator(), ReferenceTone(9.4, 1000.0), "not 9.4 dB; check the level on its label"),
        (calibrator(), ReferenceTone(194.0, 1000.0), "not 194 dB"),
    ],
)
def test_each_fault_is_refused_with_its_own_reason(samples, reference, reason):
    """One fault is one reason, in words that say what to do, and no factor is given."""
    verdict = judge(samples, reference)

    assert not verdict.accepted
    assert len(verdict.reasons) == 1
    assert reason in verdict.reasons[0]
    assert verdict.pascal_per_unit is None
    assert verdict.U95_db is None
    assert verdict.remarks == ()


def test_all_reasons_are_given_at_once():
    """A tone with several faults is told all of them, those of the capture first."""
    samples = calibrator(frequency_hz=500.0, rms=1e-4, seconds=1.2)
    verdict = judge(samples, faults=("channel 1 is clipped", "0.2 s of sound are missing"))

    assert verdict.reasons[:2] == ("channel 1 is clipped", "0.2 s of sound are missing")
    assert len(verdict.reasons) == 5
    for word in ("lasts 1.2 s", "at 500.0 Hz", "too weak"):
        assert word in str(verdict.reasons[2:])


def test_a_fault_of_the_capture_alone_refuses():
    """A perfect tone with frames missing is no calibration."""
    assert judge(calibrator(), faults=("frames are missing",)).reasons == ("frames are missing",)


def test_noise_without_a_tone_is_refused():
    """A calibrator that is switched off never gives a factor."""
    verdict = judge(noise(0.01))

    assert not verdict.accepted
    assert any("the calibrator is off" in reason for reason in verdict.reasons)


def test_the_named_channel_is_judged():
    """The tone is looked for on the channel that is asked for, not on its neighbour."""
    both = DigitalSignal(np.column_stack([noise(0.01), calibrator()]), 48_000)

    assert judge_reference_tone(both, 1, REFERENCE).accepted
    assert not judge_reference_tone(both, 0, REFERENCE).accepted


def test_the_interval_is_that_of_calibrator_and_seating():
    """A steady tone leaves the calibrator's 0.25 dB and the seating's 0.1 dB, k = 2."""
    steady = judge(sine(1000.0, TONE_RMS)).U95_db
    moving = judge(calibrator() * course(0.13 * np.sin(np.linspace(0, 12, 400)))).U95_db

    assert steady == pytest.approx(2 * np.hypot(0.25, 0.1) / np.sqrt(3), abs=0.002)
    assert steady < moving < 0.5


@pytest.mark.parametrize(
    ("moved_db", "remarked"), [(0.0, False), (0.45, False), (-0.45, False), (0.6, True), (-3, True)]
)
def test_a_moved_sensitivity_is_remarked_and_accepted(moved_db, remarked):
    """More than half a decibel against the last calibration is worth a remark with its size."""
    verdict = judge(calibrator(), previous_pascal_per_unit=PASCAL_PER_UNIT * 10 ** (-moved_db / 20))

    assert verdict.accepted
    assert [f"moved by {moved_db:+.2f} dB" in remark for remark in verdict.remarks] == (
        [True] if remarked else []
    )


def test_less_than_a_second_and_silence_cannot_be_judged():
    """Too little sound to fit a tone, and none at all, are errors that say what to do."""
    with pytest.raises(SignalError, match="at least 1 s"):
        judge(calibrator(seconds=0.5))
    with pytest.raises(SignalError, match="check the input"):
        judge(np.zeros(192_000))
