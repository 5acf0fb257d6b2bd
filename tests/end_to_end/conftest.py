"""Running the command as a user does."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

EVENHUSH = Path(sys.executable).with_name("evenhush")


class Ran:
    """How a command ended and what it printed."""

    def __init__(self, code, out, err):
        self.code, self.out, self.err = code, out, err

    @property
    def json(self):
        """The one JSON document on standard output."""
        return json.loads(self.out)

    @property
    def sentence(self):
        """The one sentence a failed command says last."""
        return self.err.strip().splitlines()[-1]


@pytest.fixture
def evenhush(tmp_path):
    """Run ``evenhush`` in an empty folder."""

    def run(*words, cwd=None, timeout_s=120):
        done = subprocess.run(
            [str(EVENHUSH), *map(str, words)],
            capture_output=True,
            text=True,
            check=False,
            cwd=cwd or tmp_path,
            timeout=timeout_s,
            stdin=subprocess.DEVNULL,
        )
        return Ran(done.returncode, done.stdout, done.stderr)

    return run


@pytest.fixture
def simulated_bench(tmp_path):
    """Serve a simulated bench in a process of its own; yields its base URL by name and cooler."""
    started = []

    def start(name="south", cooler="Fjord 140"):
        words = ["bench", "--simulated", "--name", name, "--cooler", cooler, "--port", "0"]
        process = subprocess.Popen(
            [str(EVENHUSH), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=tmp_path,
        )
        started.append(process)
        first = process.stdout.readline()
        assert "serves at " in first
        return first.split("serves at ")[1].strip(), process

    yield start
    for process in started:
        process.terminate()
        process.wait(20)
        process.stdout.close()
