"""What cannot be analysed: one sentence, exit 2, nothing left behind."""

import json

import numpy as np
import pytest

from acoustic.signals import DigitalSignal
from service.jobs.recording_soundness import SoundnessWatch
from service.ports import SoundBlock

CALIBRATION = {
    "schema": "evenhush.calibration/1",
    "accepted": True,
    "pascal_per_unit": 6.4,
    "rate_hz": 48_000,
    "tone": {
        "frequency_hz": 1000.0,
        "level_dbfs": -16.1,
        "stability_db": 0.01,
        "distortion_percent": 0.1,
        "signal_to_noise_db": 60.0,
    },
    "U95_db": 0.3,
    "time": "2026-01-02T03:04:05.000Z",
    "reasons": [],
    "input": "file:tone.wav",
    "channel": 1,
    "reference_level_db": 94.0,
    "reference_frequency_hz": 1000.0,
    "remarks": [],
}


@pytest.fixture
def calibration(tmp_path):
    """Write a calibration, with some fields changed, and return its path."""

    def write(**changed):
        path = tmp_path / "calibration.json"
        path.write_text(json.dumps(CALIBRATION | changed), encoding="utf-8")
        return path

    return write


def clipped(noise):
    """Ten seconds of noise, cut off in their last tenth."""
    samples = noise(0.01, 48_000 * 10)
    samples[-4800:] *= 1000
    return np.clip(samples, -1, 1)


def test_a_missing_file(refusal, tmp_path):
    """A file that is not there is named."""
    assert "nothing.wav" in refusal(tmp_path / "nothing.wav")


def test_a_folder(refusal, tmp_path):
    """A folder is no recording."""
    assert "not a file" in refusal(tmp_path)


@pytest.mark.parametrize("content", [b"", b"RIFF", b"# only words\n" * 100])
def test_what_is_no_recording(refusal, tmp_path, content):
    """An empty file, a torn header and a text are refused by name."""
    path = tmp_path / "x.wav"
    path.write_bytes(content)

    assert "x.wav" in refusal(path)


def test_no_frames(refusal, record):
    """A header without sound is refused."""
    assert "no sound" in refusal(record("x.wav", np.zeros(0)))


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_silence(refusal, record, value):
    """A constant is silence, whatever its value."""
    assert "silent" in refusal(record("x.wav", np.full(48_000, value)))


def test_clipping_is_found_with_its_place(refusal, record, noise):
    """A single clipped stretch refuses the recording, and says where it begins."""
    sentence = refusal(record("x.wav", clipped(noise)))

    assert "clipped 9.90 s from its beginning in channel 1" in sentence


def test_the_part_before_clipping_can_be_analysed(analyse, record, noise):
    """Clipping outside the chosen part does no harm."""
    assert analyse(record("x.wav", clipped(noise)), "--to", 9.9)["duration_s"] == 9.9


@pytest.mark.parametrize("subtype", ["PCM_U8", "ULAW", "IMA_ADPCM"])
def test_coarse_samples(refusal, record, noise, subtype):
    """Eight bits and fewer are refused."""
    assert "8 bits" in refusal(record("x.wav", noise(0.1, 48_000), subtype=subtype))


def test_samples_that_are_no_numbers(refusal, record, noise):
    """Something that is no number makes a recording unusable, and is found with its place."""
    samples = noise(0.1, 48_000 * 12)
    samples[48_000 * 11] = np.nan

    assert "no numbers" in refusal(record("x.wav", samples))


def test_a_rate_out_of_range(refusal, record, noise):
    """Below 8 kHz and above 192 kHz there are no levels."""
    assert "6000 Hz" in refusal(record("x.wav", noise(0.1, 6000), 6000))
    assert "384000 Hz" in refusal(record("y.wav", noise(0.1, 6000), 384_000))


def test_too_short_for_a_level(refusal, record, noise):
    """Less than 100 ms has no level."""
    assert "0.1 s" in refusal(record("x.wav", noise(0.1, 4000)))


def test_a_recording_that_breaks_off(refusal, record, noise):
    """A compressed recording whose end is missing is refused."""
    path = record("x.flac", noise(0.1, 48_000 * 20), subtype="PCM_24")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])

    assert "x.flac" in refusal(path)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"rate_hz": 44_100}, "44100 Hz"),
        ({"accepted": False, "pascal_per_unit": None}, "refused"),
        ({"channel": 2}, "channel 2"),
        ({"schema": "evenhush.floor/1"}, "calibration"),
    ],
)
def test_a_calibration_that_does_not_suit(refusal, record, calibration, changed, said):
    """A calibration of another rate or channel, a refused one and another document are refused."""
    path = record("x.wav", np.linspace(-1, 1, 48_000))

    assert said in refusal(path, "--calibration", calibration(**changed))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--calibration", "gone.json"], "gone.json"),
        (["--pascal-per-unit", "0"], "positive"),
        (["--pascal-per-unit", "-1"], "positive"),
        (["--pascal-per-unit", "nan"], "positive"),
        (["--pascal-per-unit", "inf"], "positive"),
        (["--field", "far"], "'free' or 'diffuse'"),
        (["--from", "-1"], "0 or more"),
        (["--from", "nan"], "0 or more"),
        (["--to", "inf"], "0 or more"),
        (["--from", "1"], "lasts 1 s"),
        (["--to", "1.5"], "lasts 1 s"),
        (["--from", "0.5", "--to", "0.5"], "no length"),
        (["--from", "0.5", "--to", "0.25"], "no length"),
        (["--frm", "1"], "--frm"),
    ],
)
def test_options_that_make_no_sense(refusal, record, noise, words, said):
    """Each is answered with what is wrong about it."""
    assert said in refusal(record("x.wav", noise(0.1, 48_000)), *words)


def test_two_calibrations_at_once(refusal, record, noise, calibration):
    """A calibration and a factor contradict each other."""
    path = record("x.wav", noise(0.1, 48_000))

    assert "not both" in refusal(path, "--calibration", calibration(), "--pascal-per-unit", 1)


def test_a_calibration_gives_its_factor(analyse, record, noise, calibration):
    """A calibration and its factor give the same levels; several channels are told of it."""
    path = record("x.wav", noise(0.1, 48_000 * 9, channels=2))
    by_file = analyse(path, "--calibration", calibration())
    by_factor = analyse(path, "--pascal-per-unit", 6.4)

    assert by_file["levels"] == by_factor["levels"]
    assert by_file["pascal_per_unit"] == 6.4
    assert any("made on channel 1" in text for text in by_file["warnings"])
    assert by_factor["warnings"] == []


def test_a_muted_stretch_is_told_with_its_place(analyse, record, noise):
    """Sound that stands still for a while is analysed, with a warning."""
    samples = noise(0.1, 48_000 * 12)
    samples[48_000 * 4 : 48_000 * 7] = 0.0
    (warning,) = [
        text for text in analyse(record("x.wav", samples))["warnings"] if "one value" in text
    ]

    assert "Channel 1 keeps one value for 3.0 s in all, first 4.0 s from" in warning


@pytest.mark.parametrize("frames", [50, 999, 2399, 2400, 2401, 7000, 100_000])
def test_a_standstill_is_found_however_the_sound_is_cut(noise, frames):
    """Blocks of any length show the same stretches, also those across their edges."""
    samples = noise(0.1, 20_000)
    samples[3000:5401] = samples[9000:9500] = samples[14_000:19_000] = 0.5
    watch = SoundnessWatch("x", 48_000, 1, start_s=10.0)
    for first in range(0, len(samples), frames):
        watch.hear(SoundBlock(DigitalSignal(samples[first : first + frames], 48_000)))

    (found,) = watch.standstills
    assert found.channel == 1
    assert found.first_s == pytest.approx(10 + 3000 / 48_000)
    # The stretch of 500 frames is shorter than 50 ms.
    assert found.total_s == pytest.approx((2401 + 5000) / 48_000)
