"""How far a microphone moved between the calibration before and the one after a series."""

from dataclasses import dataclass
from typing import Final

import numpy as np

__all__ = ["Drift", "is_void", "judge_drift"]

_VOID_DB: Final = 0.5
"""Beyond this the levels between the two calibrations are void."""
_ALARM_DB: Final = 0.2
"""Beyond this they stand, but a tolerance of a few tenths is in question."""


@dataclass(frozen=True, slots=True)
class Drift:
    """The judgement of a pair of calibrations."""

    drift_db: float
    """Sensitivity after against before, in dB; positive when the microphone reads higher now."""
    void: bool
    """Whether the levels measured in between must not be used."""
    remark: str | None
    """What to tell the person at the bench; None when all is well."""


def is_void(drift_db: float) -> bool:
    """Tell whether a drift, in dB, is so large that the levels since must not be used."""
    return abs(drift_db) > _VOID_DB


def judge_drift(before_pascal_per_unit: float, after_pascal_per_unit: float) -> Drift:
    """Compare the calibrations before and after a series.

    Parameters
    ----------
    before_pascal_per_unit, after_pascal_per_unit : float
        The two factors.

    Returns
    -------
    Drift
        The difference and whether the series stands.

    Examples
    --------
    A microphone that delivers a tenth more for the same tone reads 0.83 dB higher.

    >>> drift = judge_drift(2.0, 2.0 / 1.1)
    >>> round(drift.drift_db, 2), drift.void
    (0.83, True)
    """
    drift_db = float(20.0 * np.log10(before_pascal_per_unit / after_pascal_per_unit))
    if is_void(drift_db):
        return Drift(
            drift_db,
            void=True,
            remark=f"The microphone drifted by {drift_db:+.2f} dB, more than {_VOID_DB:g} dB: the "
            "levels since the first calibration are void; repeat the series.",
        )
    if abs(drift_db) > _ALARM_DB:
        return Drift(
            drift_db,
            void=False,
            remark=f"The microphone drifted by {drift_db:+.2f} dB during the series; find out "
            "why before the next one.",
        )
    return Drift(drift_db, void=False, remark=None)
