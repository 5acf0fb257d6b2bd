"""Commands on a real sound device, which is lost and comes back."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from sound_servers import WAIT_S, PulseServer, children_of, need, wait_for_end

EVENHUSH = Path(sys.executable).with_name("evenhush")
CALIBRATION = {
    "schema": "evenhush.calibration/1",
    "accepted": True,
    "pascal_per_unit": 0.02,
    "rate_hz": 48_000,
    "tone": {
        "frequency_hz": 1000.0,
        "level_dbfs": -6.0,
        "stability_db": 0.02,
        "distortion_percent": 0.1,
        "signal_to_noise_db": 60.0,
    },
    "U95_db": 0.3,
    "time": "2026-01-02T03:04:05Z",
    "reasons": [],
}


def noise(seconds):
    """Return noise with an RMS of 0.1."""
    return 0.1 * np.random.default_rng(1).standard_normal(round(48_000 * seconds))


@pytest.fixture
def pulse(tmp_path_factory, monkeypatch):
    """A sound server with a virtual microphone into which noise is played."""
    need("pulseaudio", "pactl", "paplay")
    server = PulseServer(tmp_path_factory.mktemp("p"), monkeypatch).start()
    server.play(noise(2 * WAIT_S))
    yield server
    server.end()


def read_until(process, words):
    """Wait for a remark."""
    for line in process.stderr:
        if words in line:
            return line
    raise AssertionError(words)


def test_a_lost_device_is_a_pause_that_ctrl_c_ends(pulse, tmp_path):
    """The person reads what is lost and that it is back; Ctrl-C ends the wait in its own words."""
    (tmp_path / "cal.json").write_text(json.dumps(CALIBRATION))
    command = [EVENHUSH, "floor", "--input", "device:pulse", "--calibration", "cal.json"]
    process = subprocess.Popen(
        [*map(str, command), "--seconds", "60"],
        cwd=tmp_path,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,  # a group of processes, as a terminal makes one
    )
    read_until(process, "listening to the room")
    pulse.kill()
    lost = read_until(process, "waiting up to 60 s")
    pulse.start().play(noise(WAIT_S))
    back = read_until(process, "is back after")
    pulse.kill()
    read_until(process, "waiting up to")
    children = children_of(process.pid)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=WAIT_S)

    assert "'pulse, ALSA' has stopped, as if it was unplugged" in lost
    assert "what was lost is left out" in back
    assert (process.returncode, out) == (2, "")
    assert err == "evenhush: Interrupted; whatever was held has been released.\n"
    assert all(wait_for_end(child) for child in children)


def test_inputs(pulse, evenhush_here, tmp_path):
    """The inputs are listed, with what speaks against a sound server; JSON is one document."""
    shown, as_json = (evenhush_here(tmp_path, "inputs", *more) for more in ([], ["--json"]))
    schema = evenhush_here(tmp_path, "schema", "inputs").json
    pulse.kill()
    none = evenhush_here(tmp_path, "inputs", "--json")

    assert (shown.code, as_json.code, none.code) == (0, 0, 2)
    assert '--input "device:pulse"' in shown.out
    assert "use the device itself" in shown.out
    (found,) = (part for part in as_json.json["inputs"] if part["name"] == "pulse")
    jsonschema.validate(as_json.json, schema)
    assert as_json.json["schema"] == "evenhush.inputs/1"
    assert (found["input"], found["direct"]) == ("device:pulse", False)
    assert 48_000 in found["rates_hz"]
    assert none.out == ""
    assert "no sound input that can be used" in none.sentence
