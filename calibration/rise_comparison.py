"""Which cooler is colder at equal noise, by how much, and whether that is outside the error."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

__all__ = [
    "ComparedRun",
    "RiseDifference",
    "differences_of",
    "front_of",
    "slopes_of",
]

_SAME_LEVEL_DB: Final = 0.7
"""Runs nearer than this say nothing of a slope."""
_REACHED_DB: Final = 1.0
"""A cooler that is further from its target could not reach it, and is taken as it ran."""
_UNKNOWN_SLOPE: Final = 0.5
"""How much of a slope that was taken over from other coolers may be wrong, at 95 %."""


@dataclass(frozen=True, slots=True)
class ComparedRun:
    """What enters a comparison of one cooler at one setting under one load."""

    cooler: str
    """Its name."""
    rise_k: float
    """Temperature rise in K."""
    U95_k: float
    """Half-width of its 95 % interval from the runs."""
    level_db: float | None
    """A-weighted level in dB; None where it is not known."""
    level_U95_db: float
    """Half-width of the 95 % interval of that level against other coolers; what all of them
    share, such as the calibrator, left out."""


@dataclass(frozen=True, slots=True)
class RiseDifference:
    """Two runs against each other."""

    first: int
    """Place of the one."""
    second: int
    """Place of the other."""
    as_run_k: float
    """Rise of the first less that of the second, in K."""
    difference_k: float
    """The same, with both brought to exactly the target level along their slopes, if they came
    within 1 dB of it."""
    U95_k: float
    """Half-width of its 95 % interval, with what the noise leaves open."""

    @property
    def outside_error(self) -> bool:
        """Whether the difference is larger than its interval."""
        return abs(self.difference_k) > self.U95_k


def slopes_of(runs: Sequence[ComparedRun]) -> list[tuple[float, float] | None]:
    """How the rise of each cooler changes with its level, measured around each of its runs.

    Parameters
    ----------
    runs : sequence of ComparedRun
        Runs of one load, several a cooler.

    Returns
    -------
    list of tuple or None
        Slope in K/dB and half-width of its 95 % interval, for each run. A cooler with runs at one
        level only has the median of the others' slopes; None where no cooler tells one, or a level
        is missing.
    """
    own = [_own_slope(run, runs) for run in runs]
    known = [slope for slope, _ in filter(None, own)]
    if not known:
        return own
    usual = float(np.median(known))
    return [
        slope or (None if run.level_db is None else (usual, _UNKNOWN_SLOPE * abs(usual)))
        for run, slope in zip(runs, own, strict=True)
    ]


def _own_slope(run: ComparedRun, runs: Sequence[ComparedRun]) -> tuple[float, float] | None:
    """Slope between the nearest quieter and louder runs of the same cooler."""
    if run.level_db is None:
        return None
    others = [
        (each.level_db - run.level_db, each)
        for each in runs
        if each.cooler == run.cooler and each.level_db is not None
    ]
    quieter = max(
        (one for one in others if one[0] < -_SAME_LEVEL_DB), key=lambda one: one[0], default=None
    )
    louder = min(
        (one for one in others if one[0] > _SAME_LEVEL_DB), key=lambda one: one[0], default=None
    )
    ends = [end for end in (quieter, louder) if end is not None]
    if not ends:
        return None
    slopes = [(each.rise_k - run.rise_k) / step_db for step_db, each in ends]
    doubts = [float(np.hypot(each.U95_k, run.U95_k)) / abs(step_db) for step_db, each in ends]
    # A rise bends over level; between both sides lies the slope here.
    spread = abs(slopes[0] - slopes[-1]) / 2.0
    return float(np.mean(slopes)), float(np.hypot(np.mean(doubts), spread))


def differences_of(
    runs: Sequence[ComparedRun],
    slopes: Sequence[tuple[float, float] | None],
    *,
    target_db: float | None,
) -> list[RiseDifference]:
    """Compare every pair of runs.

    Parameters
    ----------
    runs : sequence of ComparedRun
        One run a cooler.
    slopes : sequence of tuple or None
        Slope of each in K/dB and half-width of its 95 % interval.
    target_db : float or None
        Level that all were to have; None where noise does not matter, as at full speed.

    Returns
    -------
    list of RiseDifference
        Every pair, in the order of the runs.
    """
    parts = [_at_target(run, slope, target_db) for run, slope in zip(runs, slopes, strict=True)]
    return [
        RiseDifference(
            first=first,
            second=second,
            as_run_k=runs[first].rise_k - runs[second].rise_k,
            difference_k=parts[first][0] - parts[second][0],
            U95_k=float(np.hypot(parts[first][1], parts[second][1])),
        )
        for first, second in combinations(range(len(runs)), 2)
    ]


def _at_target(
    run: ComparedRun, slope: tuple[float, float] | None, target_db: float | None
) -> tuple[float, float]:
    """Rise at exactly the target level, and half-width of its 95 % interval."""
    if target_db is None or slope is None or run.level_db is None:
        return run.rise_k, run.U95_k
    off_db = run.level_db - target_db
    if abs(off_db) > _REACHED_DB:
        return run.rise_k, run.U95_k
    parts = (run.U95_k, slope[0] * run.level_U95_db, slope[1] * off_db)
    return run.rise_k - slope[0] * off_db, float(np.sqrt(np.sum(np.square(parts))))


def front_of(runs: Sequence[ComparedRun]) -> list[bool]:
    """Mark the runs that no other one beats in both level and rise: the lower-left front.

    Parameters
    ----------
    runs : sequence of ComparedRun
        Runs of one load.

    Returns
    -------
    list of bool
        Whether each is on the front; a run without a level is not.
    """
    return [
        run.level_db is not None
        and not any(
            other.level_db is not None
            and other.level_db <= run.level_db
            and other.rise_k <= run.rise_k
            and (other.level_db < run.level_db or other.rise_k < run.rise_k)
            for other in runs
        )
        for run in runs
    ]
