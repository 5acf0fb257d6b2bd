"""Several microphones on one input, calibrated one by one and averaged."""

import json

import numpy as np
import pytest
import soundfile
from spectral_levels import laeq_db

FACTORS = {1: 5.0, 2: 2.0}
RATE_HZ = 48_000
FRAMES = 7 * RATE_HZ


@pytest.fixture
def hear(tmp_path):
    """Let the input ``file:input.wav`` hear something else."""

    def write(samples):
        soundfile.write(tmp_path / "input.wav", samples, RATE_HZ, subtype="FLOAT")

    return write


def noise(rms):
    """Return noise of two channels."""
    return np.random.default_rng(1).standard_normal((FRAMES, 2)) * rms


@pytest.fixture
def calibrate(evenhush_here, tmp_path, hear):
    """Put the calibrator on one of the microphones."""

    def run(channel, *more):
        tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(FRAMES))
        samples = noise(1e-5)
        samples[:, channel - 1] += 20e-6 * 10 ** (94 / 20) / FACTORS[channel] * tone
        hear(samples)
        words = ["calibrate", "--input", "file:input.wav", "--channel", channel, "--seconds", 2]
        return evenhush_here(tmp_path, *words, *more)

    return run


def test_microphones_are_calibrated_one_by_one_into_one_file(
    evenhush_here, tmp_path, hear, calibrate
):
    """The floor is the mean energy of both, each with its own factor; one can be used alone."""
    assert calibrate(1, "--save", "both.json").code == 0
    second = calibrate(2, "--save", "both.json", "--json")
    room = noise((1e-5, 4e-5))
    hear(room)
    floor = ["floor", "--input", "file:input.wav", "--seconds", 6, "--json"]
    both = evenhush_here(tmp_path, *floor, "--calibration", "both.json")
    kept = evenhush_here(tmp_path, *floor)
    alone = evenhush_here(tmp_path, *floor, "--channel", 2)

    assert second.json["pascal_per_unit"] == pytest.approx(FACTORS[2], rel=1e-3)
    assert json.loads((tmp_path / "both.json").read_text()) == second.json
    assert {part["channel"]: part["pascal_per_unit"] for part in second.json["channels"]} == (
        pytest.approx(FACTORS, rel=1e-3)
    )
    each_db = [laeq_db(room[:, n - 1], RATE_HZ, factor) for n, factor in FACTORS.items()]
    mean_db = 10 * np.log10(np.mean(10 ** (np.array(each_db) / 10)))
    assert both.json["LAeq_db"] == pytest.approx(mean_db, abs=0.1)
    assert kept.json["LAeq_db"] == both.json["LAeq_db"]
    assert "using the calibration of channel 1 of" in kept.err
    assert alone.json["LAeq_db"] == pytest.approx(each_db[1], abs=0.1)


def test_a_microphone_without_a_calibration_is_refused(evenhush_here, tmp_path, hear, calibrate):
    """No level is made of a channel that was never calibrated, nor of one that is not there."""
    calibrate(2, "--save", "second.json")
    hear(noise(1e-5))
    floor = ["floor", "--input", "file:input.wav", "--seconds", 6]
    named = evenhush_here(tmp_path, *floor, "--calibration", "second.json")
    kept = evenhush_here(tmp_path, *floor)
    nowhere = evenhush_here(tmp_path, *floor, "--channel", 2, "--channel", 3)

    assert named.code == kept.code == nowhere.code == 2
    assert "Channel 1 of file:input.wav has no calibration" in named.sentence
    assert kept.sentence == named.sentence
    assert "file:input.wav has no channel 3; it has 2" in nowhere.sentence


def test_a_response_wants_one_frequency(evenhush_here, tmp_path, calibrate):
    """Microphones calibrated at several frequencies share no response table."""
    calibrate(1, "--save", "both.json")
    calibrate(2, "--save", "both.json")
    document = json.loads((tmp_path / "both.json").read_text())
    document["channels"][0]["reference_frequency_hz"] = 250.0
    (tmp_path / "both.json").write_text(json.dumps(document))
    (tmp_path / "mic.txt").write_text("20 0\n20000 0\n")
    words = ["floor", "--input", "file:input.wav", "--calibration", "both.json"]

    refused = evenhush_here(tmp_path, *words, "--response", "mic.txt")

    assert refused.code == 2
    assert "calibrated at several frequencies" in refused.sentence
