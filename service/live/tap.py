"""The live sound as one measurement hears it, with a backlog that is bounded."""

import threading
from collections import deque
from collections.abc import Callable
from typing import Final

import numpy as np

from acoustic.errors import EvenhushError
from acoustic.signals import DigitalSignal, Samples
from service.errors import SoundEnded
from service.ports import SoundBlock

__all__ = ["READ_AHEAD_S", "SoundTap"]

_MOST_S: Final = 1.0
"""Backlog beyond which sound is left out: a speed that is set must soon be heard."""
READ_AHEAD_S: Final = 0.2
"""Sound that waits for a measurement where the input can be kept waiting."""


class SoundTap:
    """A sound input for one measurement; made by `service.live.hub.SoundHub`.

    The measurement reads in its thread, the hub gives in another. Where the measurement falls
    behind, the oldest sound is left out and the next block says so.

    Parameters
    ----------
    name : str
        What the user called the input.
    rate_hz, channels : int
        Its sampling rate in hertz, and number of channels.
    changed : threading.Condition
        Guards everything, and is told when sound is taken.
    let_go : callable
        Called once, when the measurement is done.
    """

    def __init__(
        self,
        name: str,
        rate_hz: int,
        channels: int,
        *,
        changed: threading.Condition,
        let_go: Callable[["SoundTap"], None],
    ) -> None:
        self.name = name
        """What the user called the input."""
        self.rate_hz = rate_hz
        """Sampling rate in hertz."""
        self.channels = channels
        """Number of channels."""
        self._changed = changed
        self._let_go = let_go
        self._blocks: deque[SoundBlock] = deque()
        self._taken_of_first = 0
        self._frames = 0
        self._wanted = 0
        self._left_out = 0
        self._end: Exception | None = None

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames, waiting for them.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The sound, with what speaks against any part of it.

        Raises
        ------
        SoundEnded
            If the input was closed.
        CaptureError
            If it failed.
        Halted
            If the measurement is to end.
        """
        with self._changed:
            self._wanted = frames
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._end is not None or self._frames >= frames)
            self._wanted = 0
            if self._end is not None:
                raise self._end
            taken = self._take(frames)
            self._changed.notify_all()
            return taken

    def close(self) -> None:
        """Hear no more; harmless when done twice."""
        self.end(SoundEnded(f"The input {self.name} was closed; open it again to go on."))
        self._let_go(self)

    def end(self, error: Exception) -> None:
        """Let the next read, or the one that waits, fail; the first reason counts."""
        with self._changed:
            if self._end is None:
                self._end = error
            self._blocks.clear()
            self._changed.notify_all()

    def gives_way(self, *, ahead_s: float) -> bool:
        """Tell whether more is wanted: by a read that waits, or to have so much ahead."""
        ahead = max(self._wanted, round(ahead_s * self.rate_hz))
        return self._end is not None or self._frames < ahead

    def give(self, block: SoundBlock) -> None:
        """Take the next block from the hub; never waits."""
        with self._changed:
            if self._end is not None:
                return
            arriving = len(block.signal.samples)
            if self._frames + arriving > max(_MOST_S * self.rate_hz, self._wanted + arriving):
                self._left_out += self._frames
                self._blocks.clear()
                self._taken_of_first = self._frames = 0
            self._blocks.append(block)
            self._frames += arriving
            self._changed.notify_all()

    def _take(self, frames: int) -> SoundBlock:
        """Cut the oldest frames off the backlog."""
        pieces: list[Samples] = []
        faults: dict[str, None] = {}
        of_channels: list[list[str]] = [[] for _ in range(self.channels)]
        if self._left_out:
            missing_s = self._left_out / self.rate_hz
            faults[f"the measurement fell behind by {missing_s:.1f} s, which are left out"] = None
            self._left_out = 0
        left = frames
        while left:
            block = self._blocks[0]
            samples = block.signal.samples[self._taken_of_first :][:left]
            pieces.append(samples)
            faults |= dict.fromkeys(block.faults)
            for known, found in zip(of_channels, block.channel_faults, strict=False):
                known.extend(found)
            left -= len(samples)
            self._taken_of_first += len(samples)
            if self._taken_of_first == len(block.signal.samples):
                self._blocks.popleft()
                self._taken_of_first = 0
        self._frames -= frames
        signal = DigitalSignal(np.concatenate(pieces), self.rate_hz)
        channel_faults = tuple(tuple(dict.fromkeys(known)) for known in of_channels)
        return SoundBlock(signal, tuple(faults), channel_faults if any(channel_faults) else ())


def failure_of(error: EvenhushError) -> Exception:
    """Return an error that can be raised in another thread than the one it happened in."""
    again = type(error)(str(error))
    again.__cause__ = error
    return again
