"""Blocks that arrive from a device: a short queue, and frames counted against the clock."""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from service.capture.patience import wait_patiently

__all__ = ["Arrivals", "FrameCount", "Heard"]

_LATE_S: Final = 0.25
"""How much later than its frames say a block may come; servers deliver in lumps."""
_SETTLED_S: Final = 2.0
"""How long a block must not come earlier again before its lateness is taken for lost sound."""
_DRIFT_PPM: Final = 500.0
"""How much a converter's rate may differ from its name, in parts per million."""
_STALE_S: Final = 1.5
"""How old sound may be when it is taken: older sound belongs to speeds that were set before."""


class FrameCount:
    """Compares frames with the clock, as some servers lose sound without saying so.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in hertz.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._frames = 0
        self._usual_s: float | None = None  # least lateness so far
        self._time_s = 0.0
        self._least_late: tuple[float, float] | None = None  # since when, least lateness since
        self._begun_s = self._at_first_s = 0.0  # when it began, and least lateness then

    def fault_of(self, frames: int, time_s: float) -> str | None:
        """Count a block.

        Parameters
        ----------
        frames : int
            Its length.
        time_s : float
            When it arrived, on a monotonic clock.

        Returns
        -------
        str or None
            What speaks against it; None if it came about when the frames before it let expect. A
            late block may only be late; or sound is missing, and then the next blocks are late as
            well until that has lasted long enough to be the new usual. No block is early but from
            a device that runs faster than its rate says.
        """
        self._frames += frames
        lateness_s = time_s - self._frames / self._rate_hz
        if self._usual_s is None:
            self._usual_s = self._at_first_s = lateness_s
            self._begun_s = time_s
        else:
            allowed_s = self._usual_s + _DRIFT_PPM * 1e-6 * (time_s - self._time_s)
            self._usual_s = min(lateness_s, allowed_s)
        self._time_s = time_s
        running_s = time_s - self._begun_s
        if running_s < _SETTLED_S:
            self._at_first_s = min(self._at_first_s, lateness_s)
        if lateness_s < self._at_first_s - _LATE_S - _DRIFT_PPM * 1e-6 * running_s:
            return "it came early, as from a device that runs faster than its rate"
        if lateness_s - self._usual_s <= _LATE_S:
            self._least_late = None
            return None
        since_s, least_s = self._least_late or (time_s, lateness_s)
        least_s = min(least_s, lateness_s)
        self._least_late = (since_s, least_s)
        if time_s - since_s >= _SETTLED_S:
            self._usual_s = least_s
            self._least_late = None
        return "it came late, and sound may be missing"


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was taken from the queue."""

    samples: npt.NDArray[np.float32]
    """Samples re full scale, shape ``(frames, channels)``."""
    faults: tuple[str, ...] = field(default=())
    """What is known against them."""


@dataclass(frozen=True, slots=True, eq=False)
class _Waiting:
    """A block in the queue, or what is left of it."""

    samples: npt.NDArray[np.float32]
    faults: tuple[str, ...]
    time_s: float


class Arrivals:
    """A short queue of blocks; the oldest are dropped when nobody takes them.

    Sound that waited for long no longer belongs to the speeds that are set now.

    Parameters
    ----------
    longest : int
        Most blocks that may wait.
    clock : callable, optional
        Monotonic time in seconds, on which the blocks arrive.
    """

    def __init__(self, longest: int, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._blocks: deque[_Waiting] = deque()
        self._longest = longest
        self._clock = clock
        self._changed = threading.Condition()
        self._dropped = False
        self._finished = False

    def put(self, samples: npt.NDArray[np.float32], faults: tuple[str, ...], time_s: float) -> None:
        """Add a block; it is not copied.

        Parameters
        ----------
        samples : ndarray, shape (frames, channels)
            Samples re full scale.
        faults : tuple of str
            What is known against them.
        time_s : float
            When they arrived.
        """
        with self._changed:
            if len(self._blocks) == self._longest:
                self._blocks.popleft()
                self._dropped = True
            self._blocks.append(_Waiting(samples, faults, time_s))
            self._changed.notify_all()

    def finish(self) -> None:
        """Say that no more blocks will come."""
        with self._changed:
            self._finished = True
            self._changed.notify_all()

    @property
    def finished(self) -> bool:
        """Whether no more blocks will come."""
        return self._finished

    def take(self, frames: int, patience_s: float) -> Heard | None:
        """Wait for frames.

        Parameters
        ----------
        frames : int
            How many.
        patience_s : float
            How long to wait without any block coming, in seconds.

        Returns
        -------
        Heard or None
            Exactly `frames` frames with the faults of all blocks they come from; None if nothing
            came for too long, or if no more will come.
        """
        pieces: list[npt.NDArray[np.float32]] = []
        faults: dict[str, None] = {}
        left = frames
        with self._changed:
            while left:
                if not wait_patiently(self._wait, patience_s) or not self._blocks:
                    return None
                if self._dropped:
                    faults["sound was dropped, as nobody took it in time"] = None
                    self._dropped = False
                block = self._blocks.popleft()
                faults |= dict.fromkeys(block.faults)
                if self._clock() - block.time_s > _STALE_S:
                    faults["it waited too long to belong to what is set now"] = None
                pieces.append(block.samples[:left])
                if len(block.samples) > left:
                    rest = block.samples[left:]
                    self._blocks.appendleft(_Waiting(rest, block.faults, block.time_s))
                left -= len(pieces[-1])
        return Heard(np.concatenate(pieces), tuple(faults))

    def _wait(self, seconds: float) -> bool:
        """Wait for a block, or for the news that none will come."""
        return self._changed.wait_for(lambda: bool(self._blocks) or self._finished, seconds)
