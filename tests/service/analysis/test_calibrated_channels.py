"""Recordings of several microphones with a calibration of each in one file."""

import json

import pytest
from spectral_levels import laeq_db

OF_ONE = {
    "tone": {
        "frequency_hz": 1000.0,
        "level_dbfs": -16.1,
        "stability_db": 0.01,
        "distortion_percent": 0.1,
        "signal_to_noise_db": 60.0,
    },
    "U95_db": 0.3,
    "time": "2026-01-02T03:04:05.000Z",
}


@pytest.fixture
def calibration(tmp_path):
    """Write a calibration of channels by their factors, and return its path."""

    def write(factors):
        channels = [
            OF_ONE | {"channel": channel, "pascal_per_unit": factor}
            for channel, factor in factors.items()
        ]
        document = OF_ONE | channels[-1] | {"accepted": True, "rate_hz": 48_000, "reasons": []}
        path = tmp_path / "calibration.json"
        whole = document | {"schema": "evenhush.calibration/1", "channels": channels}
        path.write_text(json.dumps(whole), encoding="utf-8")
        return path

    return write


def test_every_channel_has_its_own_factor(record, noise, analyse, calibration):
    """Each channel is measured with what was found for it, and nothing is said against that."""
    samples = noise(0.01, 48_000 * 8, 2)
    found = analyse(record("two.wav", samples), "--calibration", calibration({1: 2.0, 2: 0.5}))

    for number, factor in enumerate((2.0, 0.5)):
        level_db = found["per_channel"][number]["levels"]["LAeq_db"]
        assert level_db == pytest.approx(laeq_db(samples[:, number], 48_000, factor), abs=0.02)
    assert not any("calibration was made on" in text for text in found["warnings"])


def test_a_channel_without_a_factor(record, noise, refusal, calibration):
    """A calibration of some channels is none for the others."""
    path = record("three.wav", noise(0.01, 48_000, 3))

    assert "Channel 2 of" in refusal(path, "--calibration", calibration({1: 2.0, 3: 0.5}))
