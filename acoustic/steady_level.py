"""Level of a sound that is steady but for hunting, beats and intrusions.

Crests of a slow beat look like intrusions, and an intrusion looks like a crest, so neither can be
decided before the other: a beat is looked for first, among everything that is not louder than the
crest of any beat; what stands out of the beat, or of the steady level where there is none, is an
intrusion.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.beats import LARGEST_CREST_DB, Beat, find_beat
from acoustic.decibels import energy_mean_db
from acoustic.errors import SignalError
from acoustic.intrusions import (
    INTERVAL_S,
    NO_SPREAD,
    GateSpread,
    find_intrusions,
    white_spread_db,
)
from acoustic.signals import Samples
from acoustic.steadiness import find_intrusions_beside_beat, mean_over_whole_beats
from acoustic.uncertainty import CorrelatedMean, HuntingKnowledge, LevelBlocks

__all__ = ["SteadyLevel", "steady_level"]

_LEAST_DEPTH_DB: Final = 0.8
"""A shallower beat neither sets off the gate nor moves the mean by more than 0.01 dB."""
_DOUBTFUL_SHARE: Final = 0.15
"""With more than this share of crest-sized sound left out, it may be part of a slow beat."""
_TOLD_BY_S: Final = 45.0
"""A listening this long would have shown any beat that is deep enough to matter, up to a period of
18 s."""
_CROWDED_SHARE: Final = 0.3
"""With more than this left out even of a long listening, it is rather the sound that jumps about
than the room."""
_SHORTEST_S: Final = 5.0
"""Shortest usable listening in which a beat is looked for."""
_MOST_KNOWN_INTERVALS: Final = 200.0
"""How much an earlier spread is worth at most, so that a changed sound can change it."""
_UNKNOWN_HUNTING: Final = HuntingKnowledge()
_NOTHING: Final = np.zeros(0)


@dataclass(frozen=True, slots=True, eq=False)
class SteadyLevel:
    """Level of one stretch of listening, and what of it counts."""

    usable: npt.NDArray[np.bool_]
    """Which intervals are neither invalid nor disturbed, shape ``(intervals,)``."""
    beat: Beat | None
    """Its beat; None where there is none for sure."""
    mean: CorrelatedMean | None
    """Its level with a standard error; None while not one second can be used."""
    hunting: HuntingKnowledge
    """What is known of the hunting with this stretch in it. A beat teaches nothing about it."""
    spread: GateSpread
    """White spread of the 100 ms levels with this stretch in it."""


def steady_level(
    levels_db: Samples,
    valid: npt.NDArray[np.bool_],
    *,
    hunting: HuntingKnowledge = _UNKNOWN_HUNTING,
    spread: GateSpread = NO_SPREAD,
    before_db: Samples = _NOTHING,
) -> SteadyLevel:
    """Find what disturbs a steady sound, and its level without that.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,)
        Levels in dB of consecutive 100 ms intervals.
    valid : ndarray of bool, shape (intervals,)
        False where the capture says that an interval must not enter a level.
    hunting : HuntingKnowledge, optional
        What earlier listening says about the hunting.
    spread : GateSpread, optional
        White spread known from earlier listening.
    before_db : ndarray of float64, shape (earlier,), optional
        Levels heard just before: no part of the level, but they show when an intrusion began
        before the listening did. Finite.

    Returns
    -------
    SteadyLevel
        What counts, the beat, the level and what was learned.

    Raises
    ------
    SignalError
        If the arrays do not fit together.

    Examples
    --------
    The crests of a beat of 3 dB stay, a door is left out.

    >>> time_s = 0.1 * np.arange(400)
    >>> beat = 10.0 * np.log10(1.0 + 0.33 * np.cos(2.0 * np.pi * time_s / 4.0))
    >>> levels = 40.0 + beat + 0.1 * np.cos(17.0 * time_s**2)
    >>> levels[200:206] += 15.0
    >>> heard = steady_level(levels, np.ones(400, dtype=bool))
    >>> round(heard.mean.mean_db, 1), int(np.count_nonzero(~heard.usable))
    (40.0, 14)
    """
    if levels_db.ndim != 1 or levels_db.shape != valid.shape:
        raise SignalError(
            f"Levels of shape {levels_db.shape} and marks of shape {valid.shape} do not fit; "
            "give one mark for each level of one row."
        )
    valid = valid & np.isfinite(levels_db)
    beating = _beside_beat(levels_db, valid, hunting, spread)
    if beating is not None:
        return beating
    usable = valid.copy()
    marked = find_intrusions(np.concatenate([before_db, levels_db[valid]]), spread)
    usable[valid] = ~marked[before_db.size :]
    pooled = _pooled(levels_db[usable], spread)
    blocks = LevelBlocks.from_intervals(levels_db, usable, pooled.spread_db)
    mean = None
    if blocks.levels_db.size:
        crest_db = float(np.median(levels_db[usable])) + LARGEST_CREST_DB
        crests = valid & ~usable & (levels_db < crest_db)
        mean = _with_doubt(hunting.mean(blocks), levels_db, usable, crests)
    return SteadyLevel(usable, None, mean, hunting.learn(blocks), _faded(pooled))


def _with_doubt(
    mean: CorrelatedMean,
    levels_db: Samples,
    usable: npt.NDArray[np.bool_],
    crests: npt.NDArray[np.bool_],
) -> CorrelatedMean:
    """Allow for a beat too slow to be told as yet, whose crests were left out as intrusions."""
    told = INTERVAL_S * levels_db.size >= _TOLD_BY_S
    share = np.count_nonzero(crests) / np.count_nonzero(usable | crests)
    if share < (_CROWDED_SHARE if told else _DOUBTFUL_SHARE):
        return mean
    # With and without the crests: either may be the level.
    crests_add_db = energy_mean_db(levels_db[usable | crests]) - energy_mean_db(levels_db[usable])
    return replace(
        mean,
        mean_db=mean.mean_db + 0.5 * crests_add_db,
        standard_error_db=float(np.hypot(mean.standard_error_db, 0.5 * crests_add_db)),
    )


def _beside_beat(
    levels_db: Samples,
    valid: npt.NDArray[np.bool_],
    hunting: HuntingKnowledge,
    spread: GateSpread,
) -> SteadyLevel | None:
    """Level of a sound that beats; None where it does not, for all that can be told."""
    try:
        beat = find_beat(levels_db, valid)
    except SignalError:
        # Too little of it is left to tell.
        return None
    if beat is None or beat.depth_db < _LEAST_DEPTH_DB:
        return None
    marked = find_intrusions_beside_beat(levels_db, valid, beat.period_s, spread)
    usable = valid & ~marked
    if INTERVAL_S * np.count_nonzero(usable) < _SHORTEST_S:
        return None
    mean = mean_over_whole_beats(levels_db, usable, beat.period_s, hunting)
    return SteadyLevel(usable, beat, mean, hunting, spread)


def _pooled(levels_db: Samples, known: GateSpread) -> GateSpread:
    """White spread of what counts together with what was known."""
    own, count = white_spread_db(levels_db), float(levels_db.size)
    weight = known.weight_intervals + count
    if weight == 0.0:
        return known
    spread = np.sqrt((known.weight_intervals * known.spread_db**2 + count * own**2) / weight)
    return GateSpread(float(spread), weight)


def _faded(spread: GateSpread) -> GateSpread:
    """Let older listening fade a little."""
    return GateSpread(spread.spread_db, min(spread.weight_intervals, _MOST_KNOWN_INTERVALS))
