"""How far a cooler is from rest after changes of speed, beyond what its tachometer shows.

Bearings, blades and coils warm up or cool down for about a minute after a change of speed, and on
some coolers the level trails along with them by up to half a decibel. A level that is heard early
is off by that; how far early it was heard is known exactly, from the tachometer.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

__all__ = ["AT_REST", "Unrest"]

_REST_S: Final = 20.0
"""Time constant of coming to rest: over but for a twentieth in a minute."""


@dataclass(frozen=True, slots=True)
class Unrest:
    """Changes of speed that have not come to rest."""

    change: float = 0.0
    """Sum of all changes of speed as natural logarithms of ratios, each faded by its age."""

    def after(self, seconds: float, before_rpm: float | None, now_rpm: float | None) -> "Unrest":
        """Go on in time.

        Parameters
        ----------
        seconds : float
            How long.
        before_rpm, now_rpm : float or None
            Speed at the beginning and at the end; a change from or to standing, or one that
            nobody reads, tells nothing.

        Returns
        -------
        Unrest
            What is left then.
        """
        change = float(np.log(now_rpm / before_rpm)) if before_rpm and now_rpm else 0.0
        return Unrest(float(np.exp(-seconds / _REST_S)) * self.change + change)


AT_REST: Final = Unrest()
"""Nothing has changed for long."""
