"""Running short programs: no shell, a time limit, bounded output, and their words when they fail.

A program runs in a group of its own, so that Ctrl-C does not end it half-way and a hung one ends
with everything it has started.
"""

import contextlib
import math
import os
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from typing import IO, Final

from service.errors import HardwareFault, SettingsError

__all__ = ["Programs", "check_command", "check_pattern", "number_in"]

MOST_BYTES: Final = 65_536
"""Output beyond this is read and left out."""
FRESH_S: Final = 1.0
"""An answer is good for so long, in seconds: a guard looks four times a second, and starting
programs that often would disturb what is measured."""
_END_S: Final = 1.0
"""How long a killed program may take to be gone."""
_LAST_S: Final = 0.1
"""How long a program and its output have at least to end one after the other."""
_WORDS: Final = 200
"""Most characters of a program's words in a sentence."""
_MOST_HANGING_S: Final = 1.5
"""How long programs that read may hang within `_MEMORY_S`, all together, and likewise those that
set: a guard that waits for them for longer than four seconds counts as hung itself."""
_MEMORY_S: Final = 4.0
_SHORTEST_S: Final = 0.1
"""How long a program may take in any case."""


class _Hung(Exception):
    """A program did not end in time."""


class Programs:
    """Runs programs one after the other; used by one thread at a time.

    Parameters
    ----------
    clock : callable, optional
        Monotonic time in seconds.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._answers: dict[tuple[str, ...], tuple[float, str | HardwareFault]] = {}
        self._reads_hung, self._runs_hung = _HungTime(), _HungTime()

    def run(self, command: Sequence[str], time_limit_s: float) -> str:
        """Run a program that changes something; all earlier answers are forgotten.

        Parameters
        ----------
        command : sequence of str
            The program and its arguments.
        time_limit_s : float
            When it is killed, in seconds.

        Returns
        -------
        str
            What it printed.

        Raises
        ------
        HardwareFault
            If it cannot be started, does not end, or fails.
        """
        self._answers.clear()
        return self._output(command, time_limit_s, self._runs_hung)

    def answer(self, command: Sequence[str], time_limit_s: float) -> str:
        """Return what a program prints, which may be up to a second old.

        Whoever wants several values of one program asks it once.

        Parameters
        ----------
        command : sequence of str
            The program and its arguments.
        time_limit_s : float
            When it is killed, in seconds.

        Returns
        -------
        str
            What it printed.

        Raises
        ------
        HardwareFault
            If it cannot be started, does not end, or fails.
        """
        asked = tuple(command)
        known = self._answers.get(asked)
        if known is None or self._clock() - known[0] >= FRESH_S:
            try:
                known = (self._clock(), self._output(command, time_limit_s, self._reads_hung))
            except HardwareFault as fault:
                # Kept like an answer: a hung program must not hold up every look.
                known = (self._clock(), fault)
            self._answers[asked] = known
        if isinstance(known[1], HardwareFault):
            raise known[1]
        return known[1]

    def forget(self) -> None:
        """Ask anew from now on."""
        self._answers.clear()

    def pause(self, seconds: float) -> None:
        """Give hardware some time."""
        threading.Event().wait(seconds)

    def _output(self, command: Sequence[str], time_limit_s: float, hung: "_HungTime") -> str:
        """Run a program; those that hang leave the next ones less time."""
        began_s = self._clock()
        limit_s = min(time_limit_s, max(hung.left_s(began_s), _SHORTEST_S))
        try:
            return _output(command, limit_s)
        except _Hung as error:
            if limit_s > _SHORTEST_S:  # else trying again and again would leave nobody any time
                hung.add(self._clock(), self._clock() - began_s)
            what_to_do = (
                "try it by hand, or raise time_limit_s"
                if limit_s == time_limit_s
                else "others hung before it, so it was not waited for any longer"
            )
            raise HardwareFault(f"{error}; {what_to_do}.") from None


class _HungTime:
    """How long programs have hung lately."""

    def __init__(self) -> None:
        self._times: list[tuple[float, float]] = []  # until when, and for how long

    def left_s(self, now_s: float) -> float:
        """Return for how long programs may still hang."""
        self._times = [
            (end_s, long_s) for end_s, long_s in self._times if end_s > now_s - _MEMORY_S
        ]
        return _MOST_HANGING_S - sum(long_s for _, long_s in self._times)

    def add(self, now_s: float, long_s: float) -> None:
        """Take note of a program that hung until now."""
        self._times.append((now_s, long_s))


def check_pattern(pattern: str, what: str) -> None:
    """Refuse a pattern that cannot find one number.

    Parameters
    ----------
    pattern : str
        Regular expression.
    what : str
        Which one, for the sentence.

    Raises
    ------
    SettingsError
        If it is no regular expression or has not exactly one group.
    """
    try:
        groups = re.compile(pattern).groups
    except re.error as error:
        raise SettingsError(f"{what} is no regular expression: {error}.") from error
    if groups != 1:
        raise SettingsError(
            f"{what} has {groups} groups and must have one, in round brackets, around the number; "
            "write (?:...) for brackets that only hold together."
        )


def check_command(command: Sequence[str], what: str) -> None:
    """Refuse a program that is not there.

    Parameters
    ----------
    command : sequence of str
        The program and its arguments.
    what : str
        Which one, for the sentence.

    Raises
    ------
    SettingsError
        If nothing of that name can be run.
    """
    if shutil.which(command[0]) is None:
        raise SettingsError(
            f"{what}: there is no program {command[0]!r} that can be run; give its whole path."
        )


def number_in(printed: str, pattern: str, command: Sequence[str]) -> float:
    """Find the number in what a program printed.

    Parameters
    ----------
    printed : str
        What it printed.
    pattern : str
        Regular expression whose one group is the number.
    command : sequence of str
        The program, for the sentence.

    Returns
    -------
    float
        The number.

    Raises
    ------
    HardwareFault
        If there is none.
    """
    found = re.search(pattern, printed)
    said = _words(printed) or "nothing"
    if found is None or found[1] is None:
        raise HardwareFault(
            f"{_called(command)} printed {said!r}, in which the pattern {pattern!r} finds nothing; "
            "correct the one or the other."
        )
    with contextlib.suppress(ValueError):
        if math.isfinite(number := float(found[1])):
            return number
    raise HardwareFault(
        f"{_called(command)} printed {said!r}, of which {_words(found[1])!r} is no number."
    )


def _output(command: Sequence[str], time_limit_s: float) -> str:
    """Run a program to its end and return what it printed."""
    process = _start(command)
    out = _Output(process.stdout, "evenhush-program-output")
    err = _Output(process.stderr, "evenhush-program-complaints")
    deadline_s = time.monotonic() + time_limit_s
    try:
        # Its pipes end with it, and waiting for them is quicker than asking for its status.
        out.join(time_limit_s)
        status = process.wait(max(deadline_s - time.monotonic(), _LAST_S))
        if not (out.join(_LAST_S) and err.join(_LAST_S)):
            _kill(process, out, err)
            raise HardwareFault(
                f"{_called(command)} has ended, but something it started keeps its output open; "
                "start that by itself before."
            )
    except subprocess.TimeoutExpired:
        killed = "was killed" if _kill(process, out, err) else "cannot be killed"
        said = err.text() or out.text()
        raise _Hung(
            f"{_called(command)} did not end within {time_limit_s:.3g} s and {killed}"
            f"{_saying(said)}"
        ) from None
    except KeyboardInterrupt:
        _kill(process, out, err)
        raise
    printed, complained = out.text(), err.text()
    if status != 0:
        how = f"status {status}" if status > 0 else f"signal {-status}"
        raise HardwareFault(
            f"{_called(command)} failed with {how}{_saying(complained or printed)}; try it by hand."
        )
    return printed


def _start(command: Sequence[str]) -> subprocess.Popen[bytes]:
    """Start a program, or raise."""
    try:
        return subprocess.Popen(  # noqa: S603 - the user names the program, and no shell runs it
            list(command),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            # Patterns are written for one language, and numbers with a point.
            env={**os.environ, "LC_ALL": "C"},
            start_new_session=os.name != "nt",
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise HardwareFault(
            f"{_called(command)} cannot be started ({reason}); check its name and that it may be "
            "run by this user."
        ) from error


def _kill(process: subprocess.Popen[bytes], *outputs: "_Output") -> bool:
    """End a program and what it has started; return whether it is gone."""
    if os.name == "nt":
        process.kill()
    else:
        # It may be another user's by now.
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    # One that waits for broken hardware does not even end when killed.
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(_END_S)
        return all(output.join(_END_S) for output in outputs)
    return False


class _Output:
    """Reads a pipe to its end, so that who writes to it never waits, and keeps its beginning."""

    def __init__(self, stream: IO[bytes] | None, name: str) -> None:
        if stream is None:
            raise AssertionError("the program was started without its pipes")
        self._stream = stream
        self._kept = bytearray()
        self._thread = threading.Thread(target=self._drain, name=name, daemon=True)
        self._thread.start()

    def join(self, timeout_s: float) -> bool:
        """Wait until the pipe is at its end; return whether it is."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def text(self) -> str:
        """Return what was printed, as far as it is there within a second."""
        self.join(_END_S)
        return bytes(self._kept).decode(errors="replace")

    def _drain(self) -> None:
        """Read to the end."""
        with self._stream:
            while chunk := self._stream.read1(4096):  # type: ignore[attr-defined] # buffered
                self._kept += chunk[: MOST_BYTES - len(self._kept)]


def _called(command: Sequence[str]) -> str:
    """Name a program with its arguments, for the beginning of a sentence."""
    return f"The program {_words(' '.join(command))!r}"


def _saying(said: str) -> str:
    """Give a program's words, if it had any."""
    return f", saying {_words(said)!r}" if said.strip() else ""


def _words(said: str) -> str:
    """Return words fit for one line."""
    line = " ".join("".join(c if c.isprintable() else " " for c in said).split())
    return line if len(line) <= _WORDS else f"{line[: _WORDS - 3]}..."
