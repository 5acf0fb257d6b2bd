"""Recordings made for a test, and the command run on them."""

import numpy as np
import pytest
import soundfile
from command_runs import command_in_process


@pytest.fixture
def record(tmp_path):
    """Write a recording and return its path; ``(frames,)`` or ``(frames, channels)``."""

    def write(name, samples, rate_hz=48_000, subtype="FLOAT", **options):
        path = tmp_path / name
        soundfile.write(path, samples, rate_hz, subtype=subtype, **options)
        return path

    return write


@pytest.fixture
def evenhush(monkeypatch, capsys):
    """Run the command in this process."""
    with command_in_process(monkeypatch, capsys) as run:
        yield run


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
