"""The command run in the process of a test, and how it ended."""

import contextlib
import json
import signal
import sys

import pytest

from service.cli.main import main

__all__ = ["Ended", "command_in_process"]


class Ended:
    """How the command ended and what it printed."""

    def __init__(self, code, printed):
        self.code, self.out, self.err = code, printed.out, printed.err

    @property
    def json(self):
        """The one JSON document on standard output."""
        return json.loads(self.out)

    @property
    def sentence(self):
        """The one sentence on standard error of what could not be done."""
        assert self.code == 2
        assert self.out == ""
        (line,) = self.err.splitlines()
        assert line.endswith(".")
        return line.removeprefix("evenhush: ")


@contextlib.contextmanager
def command_in_process(monkeypatch, capsys):
    """Give a function that runs the command with some words; signals are as before afterwards."""
    handler = signal.getsignal(signal.SIGTERM)

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["evenhush", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        return Ended(ended.value.code, capsys.readouterr())

    yield run
    signal.signal(signal.SIGTERM, handler)
