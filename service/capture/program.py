"""A program's output as a sound input: raw float32 from a pipe, read on demand.

The program is started as its own group, so that it and what it starts end with it. Nothing is read
that nobody asked for, and the pipe is small, so a program that makes sound when it is read is
never far ahead of what is heard.
"""

import contextlib
import os
import shlex
import signal
import subprocess
from typing import IO, Final

from service.capture.blocks import block_from_float32
from service.capture.pipe_reader import LastLine, PipeReader
from service.errors import CaptureStalled, SettingsError, SoundEnded
from service.ports import SoundBlock

__all__ = ["ProgramSource", "split_command"]

_BYTES_PER_SAMPLE: Final = 4
_AHEAD_S: Final = 0.1
"""Sound that the pipe may hold, in seconds; half of what the rules for inputs allow."""
_PIPE_BYTES: Final = (4096, 65_536)
"""Smallest pipe there is, and the usual one; to ask for more may be forbidden."""
_CLOSE_S: Final = 1.0
"""How long a program gets to end by itself, and again after it was told to, in seconds."""


class ProgramSource:
    """A program that writes interleaved little-endian float32 samples to its standard output.

    Parameters
    ----------
    command : str
        The program and its arguments; split into words, but no shell runs it.
    rate_hz : int
        Sampling rate in hertz of what it writes.
    channels : int
        Number of channels of what it writes.
    stall_s : float, optional
        How long it may write nothing while it is read, in seconds.

    Raises
    ------
    SettingsError
        If the command, the rate or the number of channels is unusable, or the program cannot be
        started.
    """

    def __init__(self, command: str, *, rate_hz: int, channels: int, stall_s: float = 10.0) -> None:
        if rate_hz < 1 or channels < 1:
            raise SettingsError(
                f"A program cannot give {channels} channels at {rate_hz} Hz; both must be positive."
            )
        words = split_command(command)
        self.name = f"exec:{command}"
        """What the user called it."""
        self.rate_hz = rate_hz
        """Sampling rate in hertz."""
        self.channels = channels
        """Number of channels."""
        self._stall_s = stall_s
        self._frame_bytes = _BYTES_PER_SAMPLE * channels
        self._taken = 0
        self._program = words[0]
        self._process = _start(words, _pipe_bytes(rate_hz * self._frame_bytes))
        self._output = PipeReader(_pipe(self._process.stdout), "evenhush-program-sound")
        self._remarks = LastLine(_pipe(self._process.stderr), "evenhush-program-remarks")

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The sound.

        Raises
        ------
        SoundEnded
            If the program ended before.
        CaptureStalled
            If it writes nothing any more.
        """
        data = self._output.take(frames * self._frame_bytes, self._stall_s)
        if data is None:
            raise CaptureStalled(
                f"The program {self._program} has delivered no sound for "
                f"{self._stall_s:g} s; check what it waits for."
            )
        if len(data) < frames * self._frame_bytes:
            self._taken += len(data) // self._frame_bytes
            raise SoundEnded(self._ended())
        self._taken += frames
        return block_from_float32(data, self.rate_hz, self.channels)

    def close(self) -> None:
        """Close its output, and make it end if it does not by itself; harmless when done twice."""
        if self._output.stop():
            self._wait()
        for end in (self._terminate, self._kill):
            if self._process.poll() is None:
                end()
                self._wait()
        self._output.join(_CLOSE_S)
        self._remarks.join(_CLOSE_S)

    def _ended(self) -> str:
        """Say how it ended."""
        status = self._wait()
        how = {None: "closed its output", 0: "ended"}.get(status, f"failed with status {status}")
        if status is not None and status < 0:
            how = f"was ended by signal {-status}"
        self._remarks.join(_CLOSE_S)
        said = f", saying {self._remarks.text!r}" if self._remarks.text else ""
        heard = f"after {self._taken / self.rate_hz:.1f} s of sound"
        return f"The program {self._program} {how} {heard}{said}."

    def _wait(self) -> int | None:
        """Give it time to end; return its status if it did."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            return self._process.wait(_CLOSE_S)
        return None

    def _terminate(self) -> None:
        """Tell it to end."""
        if os.name == "nt":
            self._process.terminate()
        else:
            self._signal_group(signal.SIGTERM)

    def _kill(self) -> None:
        """End it."""
        if os.name == "nt":
            self._process.kill()
        else:
            self._signal_group(signal.SIGKILL)

    def _signal_group(self, number: int) -> None:
        """Send a signal to it and to what it started."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, number)


def split_command(command: str, *, backslash_escapes: bool = os.name != "nt") -> list[str]:
    r"""Split a command into words as a shell does.

    Parameters
    ----------
    command : str
        The program and its arguments; words with spaces stand in quotes.
    backslash_escapes : bool, optional
        Whether a backslash takes the meaning from the next character. On Windows it does not, as
        it stands in every path there.

    Returns
    -------
    list of str
        The program, then its arguments.

    Raises
    ------
    SettingsError
        If there is no word, or a quote is not closed.

    Examples
    --------
    >>> split_command("'my tool' --gain 3", backslash_escapes=True)
    ['my tool', '--gain', '3']
    >>> split_command(r"C:\tools\hear.exe 'a b'", backslash_escapes=False)
    ['C:\\tools\\hear.exe', 'a b']
    """
    splitter = shlex.shlex(command, posix=True, punctuation_chars=False)
    splitter.whitespace_split = True
    splitter.commenters = ""
    if not backslash_escapes:
        splitter.escape = ""
    try:
        words = list(splitter)
    except ValueError as error:
        raise SettingsError(
            f"The command {command!r} cannot be split into words ({error}); check its quotes."
        ) from error
    if not words or not words[0]:
        raise SettingsError("The input exec: names no program; give exec:PROGRAM ARGUMENTS.")
    return words


def _pipe_bytes(bytes_per_s: int) -> int:
    """Return a size of pipe: a power of two, as the system would round it up to one."""
    affordable = max(int(_AHEAD_S * bytes_per_s), 1)
    return min(max(1 << (affordable.bit_length() - 1), _PIPE_BYTES[0]), _PIPE_BYTES[1])


def _start(words: list[str], pipe_bytes: int) -> subprocess.Popen[bytes]:
    """Start the program, or raise."""
    try:
        return subprocess.Popen(  # noqa: S603 - the user names the program, and no shell runs it
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            pipesize=pipe_bytes,
            start_new_session=os.name != "nt",
        )
    except FileNotFoundError as error:
        raise SettingsError(
            f"There is no program {words[0]}; check its name, or give its whole path."
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise SettingsError(
            f"The program {words[0]} cannot be started ({reason}); check that it can be run."
        ) from error


def _pipe(stream: IO[bytes] | None) -> IO[bytes]:
    """Return a stream that is there, as it was asked for."""
    if stream is None:
        raise AssertionError("the program was started without its pipes")
    return stream
