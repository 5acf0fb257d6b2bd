"""How sure the equivalent level of a recording is, where one steady sound was recorded.

LAeq of a finished recording is what it is; an interval says how far the same sound, listened to
for longer, may read from it. That makes sense only for sound that goes on as it was heard, so
everything that speaks against this is looked for first, and said in words.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.budget import Budget, Component
from acoustic.decibels import energy_mean_db
from acoustic.errors import SignalError
from acoustic.intrusions import INTERVAL_S, find_intrusions, white_spread_db
from acoustic.signals import Samples
from acoustic.steadiness import judge_steadiness
from acoustic.uncertainty import HuntingKnowledge, LevelBlocks

__all__ = ["LONGEST_S", "SteadyInterval", "judge_recording"]

LONGEST_S: Final = 3600.0
"""Longer recordings are rarely one state, and their levels are not kept."""

_SHORTEST_S: Final = 5.0
"""Shorter sound does not show whether it is steady."""
_DRIFT_DB: Final = 0.3
"""A sure drift below this changes the level by less than listening leaves open."""
_BEAT_DB: Final = 0.8
"""A shallower beat changes the mean by less than a hundredth of a decibel."""
_RAISED_DB: Final = 0.1
"""What stands out may raise the level by this much."""
_SWING_DB: Final = 1.0
"""Largest hunting that the standard error knows of, as deviation of seconds."""


@dataclass(frozen=True, slots=True)
class SteadyInterval:
    """The interval of a recording's level, or why there is none."""

    budget: Budget | None
    """What makes the level uncertain, calibration apart; None where an interval would mislead."""
    why_not: str | None
    """The reason in one sentence; None where there is an interval."""


def judge_recording(levels_db: Samples | None) -> SteadyInterval:
    """State how sure the equivalent level of a recording is.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (intervals,), or None
        LAeq of each 100 ms, in dB re anything; None for a recording longer than an hour.

    Returns
    -------
    SteadyInterval
        A budget of listening alone, or the reason why there is none.

    Notes
    -----
    The standard error is that of a level that hunts by an unknown amount, and allows for not
    knowing it: of drawn levels 93 to 96 % of the intervals with k = 1.96 hold the truth. Student's
    t would allow for it a second time.
    """
    problem = _problem(levels_db)
    if problem is not None or levels_db is None:
        return SteadyInterval(None, f"LAeq is given without an interval: {problem}.")
    everything = np.ones(levels_db.size, dtype=np.bool_)
    blocks = LevelBlocks.from_intervals(levels_db, everything, white_spread_db(levels_db))
    mean = HuntingKnowledge().mean(blocks)
    return SteadyInterval(Budget((Component("listening", mean.standard_error_db),)), None)


def _problem(levels_db: Samples | None) -> str | None:
    """What speaks against an interval, as the end of a sentence."""
    if levels_db is None:
        return "more than an hour is rarely one steady sound; analyse a part of it"
    if INTERVAL_S * levels_db.size < _SHORTEST_S:
        return f"less than {_SHORTEST_S:g} s do not show whether the sound is steady"
    if not np.isfinite(levels_db).all():
        return "parts of it are silent"
    return _unsteadiness(levels_db) or _outstanding(levels_db)


def _unsteadiness(levels_db: Samples) -> str | None:
    """How the level changes in the course of the recording, as the end of a sentence."""
    everything = np.ones(levels_db.size, dtype=np.bool_)
    try:
        found = judge_steadiness(levels_db, everything)
    except SignalError:
        return "most of it stands out of the rest"
    if found.beat is not None and found.beat.depth_db > _BEAT_DB:
        return f"the level beats by {found.beat.depth_db:.1f} dB every {found.beat.period_s:.1f} s"
    if found.trend.sure and abs(found.trend.change_db) > _DRIFT_DB:
        return f"the level drifts by {found.trend.change_db:+.1f} dB from beginning to end"
    return None


def _outstanding(levels_db: Samples) -> str | None:
    """What does not belong to one steady sound, as the end of a sentence."""
    marked = find_intrusions(levels_db)
    if marked.any() and not marked.all():
        raised_db = energy_mean_db(levels_db) - energy_mean_db(levels_db[~marked])
        if raised_db > _RAISED_DB:
            return (
                f"{INTERVAL_S * np.count_nonzero(marked):.1f} s stand out of the steady sound and "
                f"raise it by {raised_db:.1f} dB"
            )
    everything = np.ones(levels_db.size, dtype=np.bool_)
    seconds_db = LevelBlocks.from_intervals(levels_db, everything, 0.0).levels_db
    if float(np.std(seconds_db)) > _SWING_DB:
        return f"seconds of it differ by {np.std(seconds_db):.1f} dB (standard deviation)"
    return None
