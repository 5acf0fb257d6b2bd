"""Recordings made for a test, and the command run on them."""

import json

import numpy as np
import pytest
import soundfile
from command_runs import command_in_process

RATE_HZ = 32_000


@pytest.fixture
def record(tmp_path):
    """Write a recording and return its path; ``(frames,)`` or ``(frames, channels)``."""

    def write(name, samples, rate_hz=RATE_HZ, subtype="FLOAT"):
        path = tmp_path / name
        soundfile.write(path, samples, rate_hz, subtype=subtype)
        return path

    return write


@pytest.fixture
def evenhush(monkeypatch, capsys):
    """Run the command in this process."""
    with command_in_process(monkeypatch, capsys) as run:
        yield run


@pytest.fixture
def noise():
    """Return white noise of a root mean square, shape ``(frames,)``."""

    def make(rms, seconds, seed=1):
        return rms * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))

    return make


@pytest.fixture
def tone():
    """Return a tone of a root mean square, shape ``(frames,)``."""

    def make(rms, frequency_hz, seconds, phase=0.3):
        time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        return np.sqrt(2) * rms * np.sin(2 * np.pi * frequency_hz * time_s + phase)

    return make


@pytest.fixture
def kept_beside():
    """Write the document of kept sound beside a recording, and return its path."""

    def write(path, **changed):
        """Write the document of kept sound beside a recording."""
        tone_part = dict.fromkeys(
            ("frequency_hz", "level_dbfs", "stability_db", "distortion_percent"), 0.0
        ) | {"signal_to_noise_db": 60.0}
        calibration = {
            "schema": "evenhush.calibration/1",
            "accepted": True,
            "pascal_per_unit": 2.0,
            "rate_hz": RATE_HZ,
            "tone": tone_part,
            "U95_db": changed.pop("U95_db", 0.3),
            "time": changed.pop("calibrated", "2026-01-05T08:00:00Z"),
            "reasons": [],
        }
        document = {
            "schema": "evenhush.kept-sound/1",
            "time": "2026-01-05T09:00:00Z",
            "command": "match",
            "cooler": "Fjord 140",
            "bench": "south",
            "input": "device:measurement",
            "file": path.name,
            "coding": "FLOAT",
            "rate_hz": RATE_HZ,
            "channels": 1,
            "duration_s": 10.0,
            "finished": True,
            "pascal_per_unit": [2.0],
            "calibrations": [calibration],
            "response": None,
            "stretches": [],
            "settings": [],
            "marked": [],
            "warnings": [],
        }
        path.with_suffix(".json").write_text(json.dumps(document | changed), encoding="utf-8")
        return path

    return write
