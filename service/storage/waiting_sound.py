"""Sound between the one who hears it and the one who writes it: a queue with an end to it."""

import threading
from collections import deque

from acoustic.signals import Samples

__all__ = ["WaitingSound"]


class WaitingSound:
    """A queue of stretches of sound, bounded by the memory they take.

    Parameters
    ----------
    most_bytes : int
        How much may wait; one stretch may, however long it is.
    """

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._waiting: deque[Samples | int] = deque()
        self._bytes = 0
        self._changed = threading.Condition()
        self._busy = False
        self._finished = False

    def put(self, samples: Samples, patience_s: float) -> bool:
        """Add a stretch; it is not copied.

        Parameters
        ----------
        samples : ndarray, shape (frames, channels)
            The sound.
        patience_s : float
            How long to wait for room, in seconds.

        Returns
        -------
        bool
            Whether it was added; False where there was no room in time.
        """

        def room() -> bool:
            return not self._bytes or self._bytes + samples.nbytes <= self._most_bytes

        with self._changed:
            if not self._changed.wait_for(room, patience_s):
                return False
            self._waiting.append(samples)
            self._bytes += samples.nbytes
            self._changed.notify_all()
        return True

    def put_gap(self, frames: int) -> None:
        """Say that this many frames are missing here; there is always room for that."""
        with self._changed:
            self._waiting.append(frames)
            self._changed.notify_all()

    @property
    def half_empty(self) -> bool:
        """Whether there is much room again."""
        return self._bytes <= self._most_bytes // 2

    def take(self) -> Samples | int | None:
        """Wait for the next stretch; whoever asks has done with the one before.

        Returns
        -------
        ndarray, int or None
            A stretch, or the length of one that is missing; None when nothing more will come.
        """
        with self._changed:
            self._busy = False
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._waiting or self._finished)
            if not self._waiting:
                return None
            self._busy = True
            stretch = self._waiting.popleft()
            if not isinstance(stretch, int):
                self._bytes -= stretch.nbytes
            self._changed.notify_all()
            return stretch

    def wait_until_done(self, patience_s: float) -> bool:
        """Wait until everything was taken and done with.

        Parameters
        ----------
        patience_s : float
            How long, in seconds.

        Returns
        -------
        bool
            Whether it was.
        """
        with self._changed:
            return self._changed.wait_for(lambda: not self._waiting and not self._busy, patience_s)

    def finish(self) -> None:
        """Say that nothing more will come."""
        with self._changed:
            self._finished = True
            self._changed.notify_all()
