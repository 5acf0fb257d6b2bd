"""Resonances of a fan: speeds at which it is louder than the straight law over speed.

Levels of settled settings and of the slow glides between them are explained together by one smooth
law. Resonances and whatever intrudes only ever add sound, so the law is fitted to the lower side.
What stands out of it for a few per cent of speed is a candidate; whether it is a resonance or a
vehicle that passed only hearing it again can tell.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples
from calibration.sweep_results import Resonance

__all__ = [
    "Candidate",
    "FanLevels",
    "SpeedLaw",
    "candidates",
    "describe",
    "fit_law",
    "flanks",
    "inside",
]

_BEND_SD_DB: Final = 1.5
"""Standard deviation of the bend of the law over a factor e of speed, in dB."""
_EXPONENT_DB: Final = 24.0
"""Usual slope of the law in dB per factor e of speed: 55 dB per decade."""
_EXPONENT_SD_DB: Final = 4.5
"""How far fans differ in it."""
_DELAY_SD_S: Final = 0.8
"""How far the sound may come before or after the tachometer, as a standard deviation."""
_POINT_WORTH: Final = 4.0
"""A settled setting weighs as much as so many half seconds of a glide."""
_UPPER_PULL: Final = 0.15
"""Weight of what lies above the law at first, and less the further above it is."""
_ABOVE_SPREADS: Final = 1.8
"""What lies further above the law than this no longer pulls it up."""
_LEAST_SPREAD_DB: Final = 0.12
"""Blocks of half a second scatter by this much at least."""
_ROUNDS: Final = 25
"""Rounds of fitting; the choice of what counts has settled by then."""
_CANDIDATE_SPREADS: Final = 3.5
"""Excess of a candidate over the scatter of smoothed levels."""
_CANDIDATE_DB: Final = 0.9
"""Smallest excess that is heard again: less does not stand out of the hunting of a fan."""
_TALLEST_DB: Final = 12.0
"""No resonance of a fan adds more than this; a door does."""
_LEAST_REACH: Final = 0.02
"""Relative range of speed beside a candidate that belongs to it at least."""
_MOST_REACH: Final = 0.08
"""And at most."""
_TOO_WIDE: Final = 0.5
"""What stands out over a larger relative range of speed is a law that does not fit there."""
_WIDEST: Final = 0.25
"""No resonance spans a larger relative range of speed."""


@dataclass(frozen=True, slots=True, eq=False)
class FanLevels:
    """Levels of the fans alone: of settled settings, or every half second of a glide."""

    log_speed: Samples
    """Natural logarithm of the speed, shape ``(levels,)``."""
    level_db: Samples
    """Level in dB, pump and floor taken out, same shape."""
    share: Samples
    """How much of the energy that was read is the fans', 0 to 1, same shape."""
    rate_per_s: Samples
    """Relative change of speed per second, same shape; 0 where it was settled."""


@dataclass(frozen=True, slots=True, eq=False)
class SpeedLaw:
    """The smooth part of a level over speed."""

    middle: float
    """Logarithm of the speed that the law is written around."""
    terms_db: Samples
    """Level there, slope, bend, and what a delay of a second adds at a change of e per second."""
    spread_db: float
    """Scatter of half seconds around it, in dB."""

    @property
    def delay_s(self) -> float:
        """By how much the sound came after the tachometer."""
        return float(self.terms_db[3] / max(self.terms_db[1], 0.3 * _EXPONENT_DB))

    def level_db(self, log_speed: Samples) -> Samples:
        """Level of the fans without resonances, in dB."""
        away = log_speed - self.middle
        level: Samples = self.terms_db[0] + self.terms_db[1] * away + self.terms_db[2] * away**2
        return level

    def true_log_speed(self, glide: FanLevels) -> Samples:
        """Speeds of a glide that its levels belong to, the delay taken out."""
        log_speed: Samples = glide.log_speed - glide.rate_per_s * self.delay_s
        return log_speed


@dataclass(frozen=True, slots=True)
class Candidate:
    """A range of speeds that sounded louder than the law."""

    centre: float
    """Logarithm of the speed at its top."""
    height_db: float
    """Excess at its top, in dB."""
    low: float
    """Logarithm of the speed below the top where half of the excess is left."""
    high: float
    """The same above the top."""

    @property
    def may_be_resonance(self) -> bool:
        """Whether a fan can do that; what only passes can be of any size."""
        return self.height_db <= _TALLEST_DB and self.high - self.low <= _WIDEST


def _columns(levels: FanLevels, middle: float) -> Samples:
    """Terms of the law for each level."""
    away = levels.log_speed - middle
    return np.column_stack([np.ones(away.size), away, away**2, -levels.rate_per_s])


def fit_law(points: FanLevels, glide: FanLevels) -> SpeedLaw:
    """Fit the smooth law to what was heard.

    Parameters
    ----------
    points : FanLevels
        Settled settings, at least two.
    glide : FanLevels
        Half seconds of the glides between them.

    Returns
    -------
    SpeedLaw
        The law.
    """
    middle = float(np.mean(points.log_speed))
    terms = np.concatenate([_columns(points, middle), _columns(glide, middle)])
    levels = np.concatenate([points.level_db, glide.level_db])
    share = np.concatenate([points.share, glide.share])
    worth = share * np.concatenate(
        [np.full(points.level_db.size, _POINT_WORTH), np.ones(glide.level_db.size)]
    )
    # What is believed of any fan keeps terms in bounds that few levels leave open.
    prior = np.array([0.0, _EXPONENT_DB, 0.0, 0.0])
    sd = np.array([1e3, _EXPONENT_SD_DB, _BEND_SD_DB, _DELAY_SD_S * _EXPONENT_DB])
    spread = 1.0
    # First the lower side alone, so that no resonance holds the law up.
    weight = worth.copy()
    fitted = prior.copy()
    for round_number in range(_ROUNDS):
        scaled = weight / spread**2
        normal = terms.T @ (terms * scaled[:, None]) + np.diag(1.0 / sd**2)
        fitted = np.linalg.solve(normal, terms.T @ (scaled * levels) + prior / sd**2)
        excess = (levels - terms @ fitted) * np.sqrt(share)
        if round_number < _ROUNDS // 3:
            weight = worth * np.where(excess > 0.0, _UPPER_PULL / (1.0 + excess**2), 1.0)
            continue
        near = excess < _ABOVE_SPREADS * spread
        below = excess[near & (worth < _POINT_WORTH * 0.99)] if near.any() else excess
        spread = max(_spread_db(below), _LEAST_SPREAD_DB)
        weight = worth * (excess < _ABOVE_SPREADS * spread)
    return SpeedLaw(middle, fitted, spread)


def _spread_db(excess: Samples) -> float:
    """Scatter of what counts, from the half of it below its middle."""
    if excess.size < 4:
        return 0.3
    middle = float(np.median(excess))
    below = excess[excess <= middle] - middle
    return float(np.median(np.abs(below)) / 0.6745)


def _smoothed_excess(law: SpeedLaw, glide: FanLevels) -> tuple[Samples, Samples, Samples]:
    """Speeds in rising order, the excess without single outliers, and the fans' share there."""
    log_speed = law.true_log_speed(glide)
    order = np.argsort(log_speed, kind="stable")
    excess = (glide.level_db - law.level_db(log_speed))[order]
    if excess.size >= 3:
        padded = np.concatenate([excess[:1], excess, excess[-1:]])
        excess = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    return log_speed[order], excess, glide.share[order]


def candidates(law: SpeedLaw, glide: FanLevels) -> list[Candidate]:
    """Find what stands out of the law.

    Parameters
    ----------
    law : SpeedLaw
        The smooth law.
    glide : FanLevels
        Half seconds of the glides.

    Returns
    -------
    list of Candidate
        Slowest first.
    """
    log_speed, excess, share = _smoothed_excess(law, glide)
    if excess.size < 3:
        return []
    enough = max(_CANDIDATE_SPREADS * law.spread_db, _CANDIDATE_DB)
    found = []
    # Near the floor the fans' own level scatters more than what was read.
    left = excess * share
    while left.max() >= enough:
        top = int(np.argmax(left))
        first, last = _half_height(excess, top)
        lifted = excess[first : last + 1]
        centre = float((lifted * log_speed[first : last + 1]).sum() / lifted.sum())
        low, high = _crossing(log_speed, excess, top, -1), _crossing(log_speed, excess, top, 1)
        one = Candidate(centre, float(excess[top]), low, high)
        if high - low <= _TOO_WIDE:
            found.append(one)
        # Its flanks are no candidates of their own, and those of others end here.
        taken = inside(one, log_speed) if one.may_be_resonance else np.zeros(left.size, np.bool_)
        taken[first : last + 1] = True
        left[taken] = -np.inf
        excess = np.where(taken, 0.0, excess)
    return sorted(found, key=lambda one: one.centre)


def _half_height(excess: Samples, top: int) -> tuple[int, int]:
    """First and last level around a top that keep half of its excess."""
    half = 0.5 * excess[top]
    first = last = top
    while first > 0 and excess[first - 1] > half:
        first -= 1
    while last < excess.size - 1 and excess[last + 1] > half:
        last += 1
    return first, last


def _crossing(log_speed: Samples, excess: Samples, top: int, direction: int) -> float:
    """Speed on one side of a top at which half of its excess is left."""
    half = 0.5 * excess[top]
    here = _half_height(excess, top)[0 if direction < 0 else 1]
    beyond = here + direction
    if not 0 <= beyond < excess.size:
        return float(log_speed[here])
    fall = excess[here] - excess[beyond]
    share = (excess[here] - half) / fall if fall > 0 else 0.0
    return float(log_speed[here] + share * (log_speed[beyond] - log_speed[here]))


def flanks(candidate: Candidate) -> tuple[float, float]:
    """Lowest and highest logarithm of speed that a candidate lifts."""
    reach = min(max(0.7 * (candidate.high - candidate.low), _LEAST_REACH), _MOST_REACH)
    return candidate.low - reach, candidate.high + reach


def inside(candidate: Candidate, log_speed: Samples) -> npt.NDArray[np.bool_]:
    """Which speeds lie in what a candidate lifts, its flanks included."""
    low, high = flanks(candidate)
    lifted: npt.NDArray[np.bool_] = (log_speed > low) & (log_speed < high)
    return lifted


def describe(candidate: Candidate, height_db: float, height_sd_db: float) -> Resonance:
    """Turn a candidate that was heard again into a resonance.

    Parameters
    ----------
    candidate : Candidate
        Where it is.
    height_db, height_sd_db : float
        Its height, and how well it is known.

    Returns
    -------
    Resonance
        The resonance.
    """
    centre, low, high = (
        float(np.exp(x)) for x in (candidate.centre, candidate.low, candidate.high)
    )
    return Resonance(centre, height_db, height_sd_db, low, high)
