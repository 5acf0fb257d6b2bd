"""How a run warms up: where to, how quickly, and whether it got there."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from calibration.run_pieces import RunPieces

__all__ = ["WarmUp", "find_warm_up", "lag_of"]

_LEAST_SWING_K: Final = 3.0
"""A warm-up by less says nothing."""
_OVER_K: Final = 0.15
"""A warm-up is over when less than that is left."""
_DIE_S: Final = 10.0
"""The die itself follows at once; what comes after is the cooler."""
_FEWEST: Final = 6
_AS_WELL: Final = 1.5
"""How much more misfit still explains a run as well."""


@dataclass(frozen=True, slots=True)
class WarmUp:
    """A first-order warm-up."""

    final: float
    """Rise that it goes to, in K."""
    swing: float
    """Rise at `begin_s` less that, in K."""
    begin_s: float
    """When it begins, in seconds from the begin of the log."""
    constant_s: float
    """Time constant in seconds."""
    end_s: float
    """End of the load, in seconds from the begin of the log."""

    def left_at(self, time_s: float) -> float:
        """Return what is left of it at a time, in K."""
        return float(self.swing * np.exp(-(time_s - self.begin_s) / self.constant_s))

    @property
    def over(self) -> bool:
        """Whether hardly anything is left of it at the end of the load."""
        return abs(self.left_at(self.end_s)) < _OVER_K


def find_warm_up(pieces: RunPieces) -> WarmUp | None:
    """Fit a warm-up to a run.

    Parameters
    ----------
    pieces : RunPieces
        The whole run under load, with its rises in K.

    Returns
    -------
    WarmUp or None
        The warm-up; None where the run was warm from its begin.
    """
    distance_s = pieces.distance_s
    after = int(np.ceil(_DIE_S / distance_s)) if 0.0 < distance_s < _DIE_S else 0
    values = pieces.values[after:]
    known = np.isfinite(values)
    if np.count_nonzero(known) < _FEWEST or distance_s <= 0.0:
        return None
    time_s = (np.arange(values.size) * distance_s)[known]
    values = values[known]
    constants_s = np.geomspace(max(distance_s / 3.0, 3.0), 3.0 * float(time_s[-1]), 50)
    courses = np.exp(-time_s / constants_s[:, None])
    centred = courses - courses.mean(axis=1, keepdims=True)
    swings = centred @ (values - values.mean()) / np.sum(centred**2, axis=1)
    finals = values.mean() - swings * courses.mean(axis=1)
    misfits = np.sum((values - finals[:, None] - swings[:, None] * courses) ** 2, axis=1)
    best = int(np.argmin(misfits))
    over = np.abs(swings * courses[:, -1]) < _OVER_K
    if np.any(over):
        # A slow wander looks like a warm-up that never ends; one that ends explains it as well.
        ended = int(np.flatnonzero(over)[np.argmin(misfits[over])])
        best = ended if misfits[ended] < _AS_WELL * misfits[best] else best
    if abs(swings[best]) < _LEAST_SWING_K:
        return None
    begin_s = pieces.begin_s + after * distance_s
    return WarmUp(
        final=float(finals[best]),
        swing=float(swings[best]),
        begin_s=begin_s,
        constant_s=float(constants_s[best]),
        end_s=begin_s + float(time_s[-1]) + distance_s,
    )


def lag_of(warm_up: WarmUp | None) -> float:
    """Return by how many seconds a cooler follows the air; 0 where it is not known."""
    return warm_up.constant_s if warm_up is not None and warm_up.over else 0.0
