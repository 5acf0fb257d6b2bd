"""Recordings made for a test, and the command run on them."""

import json
import signal
import sys

import numpy as np
import pytest
import soundfile

from service.cli.main import main


@pytest.fixture
def record(tmp_path):
    """Write a recording and return its path; ``(frames,)`` or ``(frames, channels)``."""

    def write(name, samples, rate_hz=48_000, subtype="FLOAT", **options):
        path = tmp_path / name
        soundfile.write(path, samples, rate_hz, subtype=subtype, **options)
        return path

    return write


class Ended:
    """How the command ended and what it printed."""

    def __init__(self, code, printed):
        self.code, self.out, self.err = code, printed.out, printed.err

    @property
    def json(self):
        """The one JSON document on standard output."""
        return json.loads(self.out)


@pytest.fixture
def evenhush(monkeypatch, capsys):
    """Run the command in this process."""
    handler = signal.getsignal(signal.SIGTERM)

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["evenhush", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        return Ended(ended.value.code, capsys.readouterr())

    yield run
    signal.signal(signal.SIGTERM, handler)


@pytest.fixture
def analyse(evenhush):
    """Analyse recordings and return the document, or the documents."""

    def run(*words):
        ended = evenhush("analyse", *words, "--json")
        assert ended.code == 0, ended.err
        return ended.json

    return run


@pytest.fixture
def refusal(evenhush):
    """Analyse what cannot be analysed and return the sentence."""

    def run(*words):
        ended = evenhush("analyse", *words, "--json")
        assert ended.code == 2
        assert ended.out == ""
        (sentence,) = ended.err.splitlines()
        assert sentence.endswith(".")
        return sentence.removeprefix("evenhush: ")

    return run


@pytest.fixture
def noise():
    """Return white noise of a root mean square, shape ``(frames, channels)``."""

    def make(rms, frames, channels=1, seed=1):
        return rms * np.random.default_rng(seed).standard_normal((frames, channels))

    return make
