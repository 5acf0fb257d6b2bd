"""How quickly an input is read."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

__all__ = ["OWN_PACE", "Pace", "PaceKeeper"]

_MOST_BEHIND_S: Final = 0.3
"""A delay longer than this is not caught up with."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How quickly an input is read, and whether it can be kept waiting."""

    speed: float | None
    """How many times faster than real time at most; None for as fast as it delivers."""
    waits: bool
    """Whether the input loses nothing when it is read late."""
    on_demand: bool = False
    """Whether it is read only while somebody wants to hear: for inputs without a clock."""


OWN_PACE: Final = Pace(speed=None, waits=False)
"""A device, which delivers by its own clock and waits for nobody."""


class PaceKeeper:
    """Says how long to wait before the next block.

    Parameters
    ----------
    pace : Pace
        The pace.
    monotonic : callable, optional
        A clock in seconds.
    """

    def __init__(self, pace: Pace, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._speed = pace.speed
        self._monotonic = monotonic
        self._due_s = monotonic()

    def wait_s(self, block_s: float) -> float:
        """Return how long to wait before a block that lasts so long is read, in seconds."""
        if self._speed is None:
            return 0.0
        now_s = self._monotonic()
        # The block must have sounded before it can be read.
        self._due_s = max(self._due_s + block_s / self._speed, now_s - _MOST_BEHIND_S)
        return max(self._due_s - now_s, 0.0)
