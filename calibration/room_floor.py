"""The level of the room with everything stopped, and which targets it is fit for."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.intrusions import INTERVAL_S
from acoustic.signals import Samples
from acoustic.steady_level import steady_level
from calibration.matching import MARGIN_REFUSED_DB, MARGIN_WARNED_DB

__all__ = ["RoomFloor", "judge_floor"]

_SHORTEST_S: Final = 5.0
"""Shortest usable listening that a floor is stated from."""
_REJECTED_SHARE_WARNED: Final = 0.3
"""With more than this left out the room is too restless to trust the rest."""


@dataclass(frozen=True, slots=True, eq=False)
class RoomFloor:
    """The room floor, or why there is none."""

    LAeq_db: float
    """Equivalent level of the undisturbed part, in dB."""
    LA90_db: float
    """Level exceeded 90 % of the undisturbed time, in dB, from levels of 100 ms."""
    U95_db: float
    """Half-width of the 95 % interval of `LAeq_db` for this room now, in dB."""
    listened_s: float
    """Sound taken, in seconds."""
    rejected_s: float
    """How much of it was left out."""
    fit_for_target_db: float
    """Lowest target that a match is not refused for, in dB."""
    comfortable_target_db: float
    """Lowest target whose match carries no warning about the floor, in dB."""
    usable: npt.NDArray[np.bool_]
    """Which 100 ms intervals belong to the undisturbed room, shape ``(intervals,)``."""
    warnings: tuple[str, ...]
    """What the person at the bench should know."""


def judge_floor(levels_db: Samples, valid: npt.NDArray[np.bool_]) -> RoomFloor | None:
    """State the floor of a room from what was heard with everything stopped.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        LAeq of each 100 ms, in dB.
    valid : ndarray of bool, shape (intervals,)
        False where the capture says that an interval must not enter a level.

    Returns
    -------
    RoomFloor or None
        None when less than 5 s of it is undisturbed.
    """
    room = steady_level(levels_db, valid)
    clean = levels_db[room.usable]
    if INTERVAL_S * clean.size < _SHORTEST_S or room.mean is None:
        return None
    level_db, U95_db = room.mean.mean_db, 1.96 * room.mean.standard_error_db
    listened_s = INTERVAL_S * levels_db.size
    rejected_s = INTERVAL_S * np.count_nonzero(~room.usable)
    warnings = []
    if rejected_s > _REJECTED_SHARE_WARNED * listened_s:
        warnings.append(
            f"{rejected_s:.0f} of {listened_s:.0f} s were disturbed and left out; wait for a "
            "quieter time."
        )
    return RoomFloor(
        LAeq_db=level_db,
        LA90_db=float(np.quantile(clean, 0.1)),
        U95_db=U95_db,
        listened_s=listened_s,
        rejected_s=float(rejected_s),
        fit_for_target_db=level_db + U95_db + MARGIN_REFUSED_DB,
        comfortable_target_db=level_db + U95_db + MARGIN_WARNED_DB,
        usable=room.usable,
        warnings=tuple(warnings),
    )
