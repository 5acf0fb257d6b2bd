"""What makes the seconds of a held run pass: the sound that is heard, or the clock."""

import threading
import time
from datetime import datetime, timedelta
from typing import Self

from service.clock import utc_now
from service.jobs.holding import level_of_second
from service.jobs.listening import LevelListener

__all__ = ["ClockSeconds", "SoundSeconds"]


class ClockSeconds:
    """Seconds of the clock, for a bench without a microphone."""

    def __init__(self) -> None:
        self._never = threading.Event()
        self._next_s = time.monotonic()

    def pass_one(self) -> float | None:
        """Wait for the next second; there is no level."""
        now_s = time.monotonic()
        # A machine that was suspended does not make up for what it missed.
        self._next_s = max(self._next_s + 1.0, now_s)
        self._never.wait(self._next_s - now_s)
        return None

    def now(self) -> datetime:
        """Return the time."""
        return utc_now()

    def without_sound(self) -> Self:
        """Return itself."""
        return self


class SoundSeconds:
    """Seconds of sound.

    Parameters
    ----------
    listener : LevelListener
        What is heard.
    """

    def __init__(self, listener: LevelListener) -> None:
        self._listener = listener
        self._start = utc_now()
        self._heard_s = 0

    def pass_one(self) -> float | None:
        """Take a second of sound and return its level."""
        level_db = level_of_second(self._listener)
        self._heard_s += 1
        return level_db

    def now(self) -> datetime:
        """Return the time; that of the sound where it comes quicker than the clock goes."""
        return max(utc_now(), self._start + timedelta(seconds=self._heard_s))

    def without_sound(self) -> ClockSeconds:
        """Return the clock's."""
        return ClockSeconds()
