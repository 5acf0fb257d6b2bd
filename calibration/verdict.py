"""When to stop listening at a setting, and what follows from what was heard there."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from calibration.fan_noise import Estimate
from calibration.next_setting import probability_within

__all__ = ["LONGEST_LISTEN_S", "ONE_SIDED_SPREADS", "SURE", "HeardSoFar", "Verdict", "judge"]

Verdict = Literal["matched", "move", "quiet", "loud", "unsteady"]
"""Sure of the target; off it; too quiet with no speed left; too loud likewise; never sure."""

SURE: Final = 0.95
"""Probability within the tolerance at which a setting counts as matched."""
LONGEST_LISTEN_S: Final = 60.0
"""Beyond a minute usual hunting averages out too slowly to be worth the wait."""
LONGEST_HUNTING_S: Final = 90.0
"""The same for a cooler that hunts far more than usual: after a minute its level may still be half
a decibel off."""
_HUNTS_MUCH_DB: Final = 0.55
"""Hunting that is far more than usual."""
ONE_SIDED_SPREADS: Final = 1.645
"""Standard deviations of a one-sided 95 % statement."""

_SHORTEST_S: Final = 2.0
"""Shortest listening that tells whether a setting is worth more."""
_SHORTEST_LAST_S: Final = 6.0
"""No setting is the last one on less sound than this."""
_CROWDED_SHARE: Final = 0.4
"""With more than this left out, the rest may be the weaker part of the same intrusion."""
_CROWDED_S: Final = 12.0
"""How long to wait for an intrusion to pass."""
_SURPRISING_SPREADS: Final = 2.5
"""A reading this far above the expected one is more often an intrusion than the cooler."""
_SURPRISING_S: Final = 9.0
"""How long to listen before a surprise is believed."""
_MOVING_SPREADS: Final = 1.3
"""Off by so many standard deviations, another speed promises more than another second."""


@dataclass(frozen=True, slots=True)
class HeardSoFar:
    """What is known at a setting while it is listened to."""

    missed_by: Estimate
    """Level of what the target applies to, less the target."""
    reading: Estimate
    """Level as read."""
    expected: Estimate | None
    """Reading that was expected before listening; None for the first setting."""
    heard_s: float
    """Sound taken here, in seconds."""
    hunts_db: float
    """How much the level hunts."""
    rejected_s: float
    """How much of it was left out."""
    at_highest: bool
    """Whether no higher speed is left."""
    at_lowest: bool
    """Whether no lower speed is left."""
    again: bool = False
    """Whether it was left and come back to at once, as no other setting promised more."""

    @property
    def longest_enough(self) -> bool:
        """Whether listening on is not worth the wait, whatever is known."""
        longest_s = LONGEST_HUNTING_S if self.hunts_db > _HUNTS_MUCH_DB else LONGEST_LISTEN_S
        return self.heard_s >= longest_s


def judge(heard: HeardSoFar, tolerance_db: float) -> Verdict | None:
    """Decide whether enough was heard at a setting.

    Parameters
    ----------
    heard : HeardSoFar
        What is known of it so far.
    tolerance_db : float
        How far from the target counts as matched, in dB.

    Returns
    -------
    Verdict or None
        None while listening on promises more than anything else.
    """
    offset, sd_db = heard.missed_by.mean_db, heard.missed_by.sd_db
    crowded = heard.rejected_s > _CROWDED_SHARE * heard.heard_s
    patient = crowded or heard.again
    wait_s = _CROWDED_S if patient else _SURPRISING_S if _surprising(heard) else _SHORTEST_S
    long_enough_to_end = heard.heard_s >= max(_SHORTEST_LAST_S, wait_s)
    within = probability_within(heard.missed_by, tolerance_db)
    verdict: Verdict | None = None
    if heard.longest_enough:
        verdict = _last_word(heard, offset, within)
    elif within >= SURE and not crowded:
        verdict = "matched" if long_enough_to_end else None
    elif (heard.at_highest and offset < 0) or (heard.at_lowest and offset > 0):
        outside = abs(offset) - tolerance_db > ONE_SIDED_SPREADS * sd_db
        if outside and long_enough_to_end:
            verdict = "quiet" if offset < 0 else "loud"
    elif heard.heard_s >= wait_s and _worth_moving(offset, sd_db, tolerance_db):
        verdict = "move"
    return verdict


def _surprising(heard: HeardSoFar) -> bool:
    """Whether the reading stands far above the expected one."""
    if heard.expected is None:
        return False
    spread = float(np.hypot(heard.expected.sd_db, heard.reading.sd_db))
    return heard.reading.mean_db - heard.expected.mean_db > _SURPRISING_SPREADS * spread


def _worth_moving(offset_db: float, sd_db: float, tolerance_db: float) -> bool:
    """Whether another speed promises more than another second here."""
    far = abs(offset_db) > max(1.0, 3.0 * sd_db)
    clearly_off = abs(offset_db) > max(0.43 * tolerance_db, _MOVING_SPREADS * sd_db)
    return far or clearly_off


def _last_word(heard: HeardSoFar, offset_db: float, within: float) -> Verdict:
    """Decide after a minute: the more probable side, with its wide interval."""
    if within >= 0.5:
        return "matched"
    if heard.at_highest and offset_db < 0:
        return "quiet"
    if heard.at_lowest and offset_db > 0:
        return "loud"
    return "unsteady"
