"""What is asked of a recheck and what it comes to, as plain data."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.fan_noise import Estimate
from calibration.results import AppliesTo, FloorReading, MatchedActuator

__all__ = ["RecheckOutcome", "RecheckRequest", "RecheckResult", "repeatability_db"]

RecheckOutcome = Literal["holds", "changed", "unheard", "stopped"]
"""How a recheck can end."""


@dataclass(frozen=True, slots=True)
class RecheckRequest:
    """What was matched once."""

    actuators: Mapping[str, MatchedActuator]
    """Duties and speeds that were given."""
    level: Estimate
    """Level then, of what the target applied to."""
    floor_then: Estimate
    """Room floor then."""
    between_u_db: float
    """Standard uncertainty of what else differs between then and now, such as placing and drift."""
    applies_to: AppliesTo = "cooler"
    """What the target was for."""
    floor: FloorReading | None = None
    """The room floor now, if it was measured; otherwise it is listened for."""


@dataclass(frozen=True, slots=True, eq=False)
class RecheckResult:
    """Whether the level holds."""

    outcome: RecheckOutcome
    """How it ended."""
    why: str
    """The reason in one plain sentence."""
    level: Estimate | None
    """Level now; None where nothing was heard."""
    as_read: Estimate | None
    """Level now as the microphone reads it."""
    difference: Estimate | None
    """Level now less the level then."""
    floor: Estimate
    """Level of the room."""
    actuators: Mapping[str, MatchedActuator]
    """Duties and speeds now."""
    listened_s: float
    """Sound that was listened to for levels, in seconds."""
    bench_s: float
    """All the time it took by the clock of the sound, in seconds."""
    warnings: tuple[str, ...]
    """What the person at the bench should know."""


def repeatability_db(differences_db: Sequence[float]) -> float | None:
    """Return how far the rechecks of a cooler scatter.

    Parameters
    ----------
    differences_db : sequence of float
        Level less the level then, of each recheck.

    Returns
    -------
    float or None
        Their standard deviation in dB; None for fewer than two.
    """
    return float(np.std(differences_db, ddof=1)) if len(differences_db) > 1 else None
