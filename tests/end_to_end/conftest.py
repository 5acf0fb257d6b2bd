"""Running the command as a user does."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from service.cli.main import main

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


def run_in(folder, *words):
    """Run ``evenhush`` in a folder."""
    done = subprocess.run(
        [str(EVENHUSH), *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        timeout=120,
        stdin=subprocess.DEVNULL,
    )
    return Ran(done.returncode, done.stdout, done.stderr)


@pytest.fixture
def evenhush(tmp_path):
    """Run ``evenhush`` in an empty folder."""
    return lambda *words: run_in(tmp_path, *words)


@pytest.fixture
def evenhush_here(monkeypatch, capsys):
    """Run ``evenhush`` inside the test's process, which spares the start of another."""

    def run(folder, *words):
        monkeypatch.chdir(folder)
        monkeypatch.setattr(sys, "argv", ["evenhush", *map(str, words)])
        before = signal.getsignal(signal.SIGTERM)
        capsys.readouterr()
        try:
            with pytest.raises(SystemExit) as left:
                main()
        finally:
            signal.signal(signal.SIGTERM, before)
        printed = capsys.readouterr()
        return Ran(left.value.code, printed.out, printed.err)

    return run


@pytest.fixture(scope="session")
def evenhush_in():
    """Run ``evenhush`` in a folder of the test's own, without the developer's settings."""

    def run(folder, *words):
        with pytest.MonkeyPatch.context() as patched:
            for name in [name for name in os.environ if name.startswith("EVENHUSH_")]:
                patched.delenv(name)
            return run_in(folder, *words)

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
