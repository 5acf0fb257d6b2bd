"""How far a microphone moved between the calibration before and the one after a series."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

__all__ = ["Calibrated", "Doubt", "Drift", "doubtful_stretches", "is_void", "judge_drift"]

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


@dataclass(frozen=True, slots=True)
class Calibrated:
    """When a microphone was calibrated, and what that said of the time before."""

    time_s: float
    """When, in seconds of any clock."""
    due_s: float | None
    """When the next one was due; None where nobody said."""
    drift_db: float | None
    """By how much the microphone read higher than at the one before; None for a first."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch of time whose levels stand on a calibration that is not to be relied on."""

    since_s: float
    """When it begins."""
    until_s: float | None
    """When it ends; None while it lasts."""
    why: Literal["drifted", "overdue"]
    """Whether the microphone had drifted too far, or should have been calibrated."""
    drift_db: float | None
    """How far it drifted; None unless it did."""


def doubtful_stretches(calibrations: Sequence[Calibrated], now_s: float) -> list[Doubt]:
    """Find the times whose levels are in doubt.

    Between two calibrations that differ too much all levels are, as nobody knows when the
    microphone moved. Otherwise those are that were measured after the next one was due.

    Parameters
    ----------
    calibrations : sequence of Calibrated
        Those of one channel that were accepted, oldest first.
    now_s : float
        The time now.

    Returns
    -------
    list of Doubt
        The stretches, oldest first; none overlaps another.
    """
    found: list[Doubt] = []
    for place, one in enumerate(calibrations):
        after = calibrations[place + 1] if place + 1 < len(calibrations) else None
        end_s = now_s if after is None else after.time_s
        if after is not None and after.drift_db is not None and is_void(after.drift_db):
            found.append(Doubt(one.time_s, after.time_s, "drifted", after.drift_db))
        elif one.due_s is not None and one.due_s < end_s:
            found.append(Doubt(one.due_s, None if after is None else after.time_s, "overdue", None))
    return found


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
