"""Levels that were only ever heard together, estimated from what they read together.

Parts of a sound add up in energy, so what is read says much of the loudest part and little of the
others. Such an estimate can have more than one mode: a reading at the lowest speed may be the fan
or the room. The search therefore begins from both.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples

__all__ = ["EnergyFit", "EnergySums", "fit_energy_sums"]

_MOST_STEPS: Final = 40
"""Gauss-Newton steps at most; ten are usual, half steps included."""
_STILL_DB: Final = 1e-3
"""A step that moves no unknown further than this ends the search."""
_BELOW_DB: Final = 0.5
"""How far below the quietest reading a part begins that may be all of it."""
_LEAST_SHARE: Final = 0.03
"""Share of a reading that is left for a part that may be next to nothing of it."""


@dataclass(frozen=True, slots=True, eq=False)
class EnergySums:
    """What was read, and what was believed beforehand."""

    readings_db: Samples
    """What was read, in dB, shape ``(readings,)``."""
    noise_db2: Samples
    """Covariance of its errors in dB^2, shape ``(readings, readings)``."""
    hears: npt.NDArray[np.bool_]
    """Which unknowns each reading holds, shape ``(readings, unknowns)``."""
    mean_db: Samples
    """Prior mean of the unknowns in dB, shape ``(unknowns,)``."""
    covariance_db2: Samples
    """Their prior covariance in dB^2, shape ``(unknowns, unknowns)``."""


@dataclass(frozen=True, slots=True, eq=False)
class EnergyFit:
    """What is believed of the unknowns afterwards."""

    unknowns_db: Samples
    """Their posterior mode in dB, shape ``(unknowns,)``."""
    covariance_db2: Samples
    """Their covariance around it in dB^2, shape ``(unknowns, unknowns)``."""
    prior_inverse: Samples
    """Inverse of their prior covariance."""
    log_evidence: float
    """How well they were foretold: Laplace's approximation, up to a constant."""


def fit_energy_sums(sums: EnergySums, shared: Sequence[int]) -> EnergyFit:
    """Estimate levels from readings of their energy sums.

    Parameters
    ----------
    sums : EnergySums
        Readings and priors.
    shared : sequence of int
        Unknowns that all readings hold, and any of which may be what the quietest of them reads.

    Returns
    -------
    EnergyFit
        The most probable of the modes that are found, by Gauss-Newton steps.
    """
    prior_inverse = np.asarray(np.linalg.inv(sums.covariance_db2), dtype=np.float64)
    noise_inverse = np.asarray(np.linalg.inv(sums.noise_db2), dtype=np.float64)
    starts = [_quiet_start(sums), *(_loud_start(sums, unknown) for unknown in shared)]
    fits = [_search(sums, start, prior_inverse, noise_inverse) for start in starts]
    return max(fits, key=lambda fit: fit.log_evidence)


def _own_columns(sums: EnergySums) -> list[tuple[int, int]]:
    """Readings with the unknown that no other one holds."""
    alone = sums.hears.sum(axis=0) == 1
    rows, columns = np.nonzero(sums.hears & alone)
    # The first such unknown of a reading is its fan; a pump's is told by its prior.
    _, first = np.unique(rows, return_index=True)
    return [(int(rows[i]), int(columns[i])) for i in first]


def _quiet_start(sums: EnergySums) -> Samples:
    """Begin where no part exceeds what was read: the energy sum is well behaved from there."""
    unknowns = sums.mean_db.copy()
    for column in range(unknowns.size):
        quietest_db = sums.readings_db[sums.hears[:, column]].min()
        unknowns[column] = min(unknowns[column], quietest_db - _BELOW_DB)
    for row, column in _own_columns(sums):
        unknowns[column] = sums.readings_db[row] - _BELOW_DB
    return unknowns


def _loud_start(sums: EnergySums, unknown: int) -> Samples:
    """Begin where one part is next to all that the quietest reading holds."""
    unknowns = _quiet_start(sums)
    unknowns[unknown] = sums.readings_db[sums.hears[:, unknown]].min() - _BELOW_DB
    for row, column in _own_columns(sums):
        if column != unknown:
            rest = 1.0 - 10.0 ** ((unknowns[unknown] - sums.readings_db[row]) / 10.0)
            left = 10.0 * np.log10(max(rest, _LEAST_SHARE))
            unknowns[column] = min(sums.readings_db[row] + left, unknowns[column])
    return unknowns


def _sums_db(unknowns_db: Samples, hears: npt.NDArray[np.bool_]) -> tuple[Samples, Samples]:
    """Level each reading should have, and its slope against each unknown."""
    heard_db = np.where(hears, unknowns_db, -np.inf)
    # Relative to the loudest part, so that no level however absurd overflows.
    loudest_db = heard_db.max(axis=1)
    powers = 10.0 ** ((heard_db - loudest_db[:, None]) / 10.0)
    total = powers.sum(axis=1)
    return loudest_db + 10.0 * np.log10(total), powers / total[:, None]


def _search(
    sums: EnergySums, start: Samples, prior_inverse: Samples, noise_inverse: Samples
) -> EnergyFit:
    """Go to the nearest mode by Gauss-Newton steps."""
    mean, covariance = sums.mean_db, sums.covariance_db2

    def misfit(candidate: Samples) -> float:
        """Twice the negative log posterior, up to a constant."""
        residual = sums.readings_db - _sums_db(candidate, sums.hears)[0]
        away = candidate - mean
        return float(residual @ noise_inverse @ residual + away @ prior_inverse @ away)

    unknowns, step_size, best = start, 1.0, misfit(start)
    for _ in range(_MOST_STEPS):
        predicted, slope = _sums_db(unknowns, sums.hears)
        spread = slope @ covariance
        foretold = spread @ slope.T + sums.noise_db2
        gain = np.linalg.solve(foretold, spread).T
        away = sums.readings_db - predicted - slope @ (mean - unknowns)
        step = mean + gain @ away - unknowns
        moved = misfit(unknowns + step_size * step)
        if moved <= best:
            unknowns, best, step_size = unknowns + step_size * step, moved, min(1.0, 2 * step_size)
        else:
            step_size *= 0.5
        if np.abs(step).max() < _STILL_DB:
            break
    return EnergyFit(
        unknowns_db=unknowns,
        covariance_db2=covariance - gain @ spread,
        prior_inverse=prior_inverse,
        log_evidence=-0.5 * (best + float(np.linalg.slogdet(foretold)[1])),
    )
