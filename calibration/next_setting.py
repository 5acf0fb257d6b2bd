"""How good a setting is believed to be, and which speed promises most."""

from statistics import NormalDist

import numpy as np

from acoustic.signals import Samples
from calibration.fan_noise import Estimate

__all__ = ["most_probable_speed", "probability_within"]


def probability_within(missed_by: Estimate, tolerance_db: float) -> float:
    """Probability that a level lies within the tolerance of the target.

    Parameters
    ----------
    missed_by : Estimate
        What is believed of the level less the target.
    tolerance_db : float
        The tolerance, in dB.

    Returns
    -------
    float
        Probability from 0 to 1.
    """
    belief = NormalDist(missed_by.mean_db, max(missed_by.sd_db, 1e-6))
    return belief.cdf(tolerance_db) - belief.cdf(-tolerance_db)


def most_probable_speed(
    rpm: Samples, mean_db: Samples, sd_db: Samples, target_db: float, tolerance_db: float
) -> float:
    """Speed at which the level is most likely to be within the tolerance.

    Parameters
    ----------
    rpm : ndarray of float64, shape (speeds,)
        Candidate speeds in rising order.
    mean_db, sd_db : ndarray of float64, shape (speeds,)
        What is believed of the level at each.
    target_db, tolerance_db : float
        The target and the tolerance, in dB.

    Returns
    -------
    float
        The speed; where the mean crosses the target between two candidates, the crossing itself.
    """
    # Expected loss with a wide tolerance ranks candidates also where none is likely to hit. Where
    # even the nearest misses by far, it is as wide as that: else the speed that is known least
    # would win over the one that comes nearest.
    nearest_db = float(np.abs(mean_db - target_db).min())
    reach = np.hypot(sd_db, max(0.5 * tolerance_db, nearest_db))
    score = np.exp(-0.5 * ((mean_db - target_db) / reach) ** 2) / reach
    # The level goes over from one side to the other somewhere, but need not reach what it comes
    # near to: beside a resonance it may turn back.
    away = mean_db - target_db
    crossings = np.flatnonzero(away[:-1] * away[1:] < 0.0)
    if not crossings.size:
        return float(rpm[int(np.argmax(score))])
    first = crossings[int(np.argmax(score[crossings]))]
    below, above = away[first], away[first + 1]
    return float(rpm[first] + (rpm[first + 1] - rpm[first]) * below / (below - above))
