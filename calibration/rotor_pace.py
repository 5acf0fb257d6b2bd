"""How fast a rotor follows a change of duty, and how to hurry it along.

A rotor approaches its new speed exponentially. Driving it past the goal for a moment and only then
to the goal takes it there in a fraction of the time, if its time constant is known roughly; the
tachometer shows it on the first moves.
"""

from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np

__all__ = ["HURRY_S", "RotorPace"]

HURRY_S: Final = 1.0
"""How long a rotor is driven past its goal."""
_USUAL_TIME_CONSTANT_S: Final = 1.5
"""Time constant of a cooler's fan before its own is known."""
_TRUSTED_S: Final = (0.4, 4.0)
"""Time constants of fans; an estimate outside is noise."""
_CLEAR_SHARE: Final = 0.08
"""Below this share of the way left, tachometer steps and hunting hide the approach."""


@dataclass(frozen=True, slots=True)
class RotorPace:
    """What earlier moves say about the time constant."""

    seen_s: tuple[float, ...] = ()
    """Time constants of earlier moves, in seconds."""

    @property
    def time_constant_s(self) -> float:
        """Time constant to count with, in seconds."""
        return (
            median((*self.seen_s, _USUAL_TIME_CONSTANT_S))
            if self.seen_s
            else (_USUAL_TIME_CONSTANT_S)
        )

    def learn(self, start_rpm: float, seconds: list[float], rpm: list[float]) -> "RotorPace":
        """Add what one undisturbed approach shows.

        Parameters
        ----------
        start_rpm : float
            Speed before the change.
        seconds, rpm : list of float
            Tachometer readings after it; the last is the speed it came to.

        Returns
        -------
        RotorPace
            The knowledge after it; unchanged when the move was too small to tell.
        """
        if not rpm or not rpm[-1]:
            return self
        way = rpm[-1] - start_rpm
        if abs(way) < 0.05 * max(rpm):
            return self
        left = (rpm[-1] - np.array(rpm)) / way
        clear = (left > _CLEAR_SHARE) & (left < 1.0)
        if np.count_nonzero(clear) < 2:
            return self
        times, logs = np.array(seconds)[clear], np.log(left[clear])
        fall = -float(np.polyfit(times, logs, 1)[0])
        low, high = _TRUSTED_S
        if not 1.0 / high <= fall <= 1.0 / low:
            return self
        return RotorPace((*self.seen_s, 1.0 / fall))

    def overdrive(self, from_rpm: float, to_rpm: float) -> float:
        """Speed to head for during `HURRY_S`, so that the rotor passes `to_rpm` at its end."""
        reached = 1.0 - np.exp(-HURRY_S / self.time_constant_s)
        return from_rpm + (to_rpm - from_rpm) / float(reached)
