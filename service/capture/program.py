"""A program as a sound source: raw interleaved little-endian float32 on its standard output."""

import contextlib
import os
import queue
import shlex
import subprocess
import threading
from collections import deque
from typing import Final

import numpy as np

from acoustic.signals import DigitalSignal
from acoustic.soundness import faults_in
from service.errors import CaptureStalled, SettingsError, SoundEnded
from service.ports import SoundBlock

__all__ = ["ProgramSource"]

_SAMPLE_BYTES: Final = 4
_READ_AHEAD_S: Final = 0.2
"""Most sound that may wait in the pipe: what is heard belongs to the speeds that are set now."""
_SMALLEST_PIPE_BYTES: Final = 4096
_STALL_S: Final = 10.0
"""So long without a single byte, a program counts as hanging."""
_END_S: Final = 2.0
"""How long a program may take to end by itself, and then to obey."""


class ProgramSource:
    """A running program and what it says.

    Its output is read only as far as it is listened to; a thread does the reading, so that a
    program that hangs cannot take the rest with it.

    Parameters
    ----------
    command : str
        The program and its arguments, split as a shell splits words; no shell runs it.
    rate_hz, channels : int
        What it writes.
    stall_s : float, optional
        How long to wait for a byte, in seconds.

    Raises
    ------
    SettingsError
        If the command cannot be split or started.
    """

    def __init__(
        self, command: str, *, rate_hz: int, channels: int, stall_s: float = _STALL_S
    ) -> None:
        self._command = command
        self._rate_hz = rate_hz
        self._channels = channels
        self._stall_s = stall_s
        self._wanted: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._pieces: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._last_words: deque[str] = deque(maxlen=1)
        self._closed = False
        self._process = self._start(_words_of(command))
        self._reader = threading.Thread(
            target=self._read_on_demand, name="evenhush-program-reader", daemon=True
        )
        self._listener = threading.Thread(
            target=self._drain_errors, name="evenhush-program-errors", daemon=True
        )
        self._reader.start()
        self._listener.start()

    def _start(self, words: list[str]) -> subprocess.Popen[bytes]:
        """Start the program with a small pipe."""
        ahead = int(_READ_AHEAD_S * self._rate_hz) * self._channels * _SAMPLE_BYTES
        pipe_bytes = max(1 << (ahead.bit_length() - 1), _SMALLEST_PIPE_BYTES)
        try:
            return subprocess.Popen(  # noqa: S603 - running the user's own command is the purpose
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                bufsize=0,
                pipesize=pipe_bytes,
            )
        except (OSError, ValueError) as error:
            raise SettingsError(
                f"The program {words[0]!r} of the input cannot be started: "
                f"{getattr(error, 'strerror', None) or error}."
            ) from error

    @property
    def name(self) -> str:
        """What the user called it."""
        return f"exec:{self._command}"

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self._rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self._channels

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The samples; ones that are no numbers read 0 and are named as a fault.

        Raises
        ------
        SoundEnded
            If the program ends before.
        CaptureStalled
            If it delivers nothing any more.
        """
        if self._closed:
            raise SoundEnded(f"The input {self.name} was closed; open it again to go on.")
        left = frames * self._channels * _SAMPLE_BYTES
        self._wanted.put(left)
        taken = bytearray()
        while left:
            try:
                piece = self._pieces.get(timeout=self._stall_s)
            except queue.Empty as error:
                raise CaptureStalled(
                    f"The program {self._command!r} has delivered no sound for "
                    f"{self._stall_s:g} s; check what it waits for."
                ) from error
            if not piece:
                raise self._ended()
            taken += piece
            left -= len(piece)
        samples = np.frombuffer(taken, dtype="<f4").astype(np.float64)
        samples = samples.reshape(frames, self._channels)
        finite = np.isfinite(samples)
        signal = DigitalSignal(np.where(finite, samples, 0.0), self._rate_hz)
        faults = faults_in(signal)
        if not finite.all():
            faults = (*faults, "some samples are no numbers")
        return SoundBlock(signal, faults)

    def close(self) -> None:
        """Close the program's output, wait for it to end, and make it end; harmless twice."""
        if self._closed:
            return
        self._closed = True
        self._wanted.put(0)
        self._reader.join(0.2)
        if not self._reader.is_alive() and self._process.stdout is not None:
            # The usual end: its next write finds nobody listening.
            self._process.stdout.close()
        for insist in (None, self._process.terminate, self._process.kill):
            if insist is not None:
                insist()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_END_S)
                break
        for thread in (self._reader, self._listener):
            thread.join(_END_S)
        for stream in (self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()

    def _read_on_demand(self) -> None:
        """Read what is wanted, piece by piece, until told to stop or the program ends."""
        assert self._process.stdout is not None  # noqa: S101 - it was asked for
        while wanted := self._wanted.get():
            while wanted:
                piece = self._process.stdout.read(wanted)
                self._pieces.put(piece or b"")
                if not piece:
                    return
                wanted -= len(piece)

    def _drain_errors(self) -> None:
        """Take what the program says on standard error, so that it never blocks on it."""
        assert self._process.stderr is not None  # noqa: S101 - it was asked for
        with contextlib.suppress(ValueError, OSError):
            for line in self._process.stderr:
                text = line.decode(errors="replace").strip()
                if text:
                    self._last_words.append(text[:300])

    def _ended(self) -> SoundEnded:
        """Say how the program ended."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_END_S)
        self._listener.join(_END_S)
        code = self._process.returncode
        how = "closed its output" if code is None else f"ended with status {code}"
        said = f", saying: {self._last_words[0]}" if self._last_words else ""
        return SoundEnded(
            f"The program {self._command!r} {how} before enough was heard{said.rstrip('.')}."
        )


def _words_of(command: str) -> list[str]:
    """Split a command as a shell splits words."""
    try:
        words = shlex.split(command, posix=os.name == "posix")
    except ValueError as error:
        raise SettingsError(
            f"The program of the input exec:{command} cannot be split into words: {error}."
        ) from error
    if os.name != "posix":
        # That way of splitting leaves the quotes of a quoted word in place.
        words = [word[1:-1] if word[:1] == word[-1:] == '"' else word for word in words]
    if not words:
        raise SettingsError("The input exec: names no program.")
    return words
