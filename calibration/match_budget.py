"""What makes the level of a matched cooler uncertain, part by part.

The level comes from one estimate of fan, pump and floor together (`fan_noise`). Its error is a
weighted sum of independent causes: the errors of all readings, and how far fan, pump and floor are
from what was believed of them beforehand. The weights follow from the estimate itself, and the
squares of the parts add up to its variance.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from acoustic.budget import Budget, Component
from acoustic.decibels import energy_sum_db
from acoustic.signals import Samples
from calibration.fan_noise import NoisePosterior, reading_covariance
from calibration.results import FLOOR_WANDER_DB, FloorReading, MatchRequest, MatchResult

__all__ = ["match_budget"]

_LARGEST_DISAGREEMENT: Final = 0.1
"""Relative difference from the stated standard deviation up to which the parts are believed."""
_MATTERS_DB: Final = 5e-4
"""A part below this is no line of a table."""


def match_budget(request: MatchRequest, result: MatchResult) -> Budget | None:
    """Split the uncertainty of a matched level into its causes, calibration apart.

    Parameters
    ----------
    request : MatchRequest
        What was asked.
    result : MatchResult
        How it ended.

    Returns
    -------
    Budget or None
        Its combined uncertainty is the standard deviation of the level that is given; None where
        no level is. The measured floor is shared by all coolers that were matched with it.

    Notes
    -----
    With weights ``H`` of the unknowns in the readings, their prior covariance ``P``, the noise
    ``R`` of the readings and the gain ``K``, the posterior covariance is
    ``(I - K H) P (I - K H)' + K R K'``: one term for each independent cause. As standard errors of
    listening allow for not knowing how much a fan hunts, no part has finite degrees of freedom.
    """
    level = result.level
    if level is None or result.as_read is None or level.sd_db == 0.0:
        return None
    if request.applies_to == "reading":
        return Budget((Component("listening", level.sd_db),))
    posterior = result.posterior
    if posterior is not None and posterior.settings[-1].rpm > 0:
        parts = _causes(posterior, request.floor)
        if abs(_combined_db(parts) / level.sd_db - 1.0) < _LARGEST_DISAGREEMENT:
            return _without_what_is_nothing(parts, level.sd_db)
    return Budget((Component("listening, floor and level over speed together", level.sd_db),))


@dataclass(frozen=True, slots=True, eq=False)
class _Weights:
    """How the error of the last setting's level depends on each cause."""

    readings: Samples
    """On the error of each reading, in dB per dB."""
    beliefs: Samples
    """On the error of what was believed of each unknown, in dB per dB."""
    fans: int
    """How many unknowns are levels of the fan; pumps follow, and the floor is last."""


def _causes(posterior: NoisePosterior, floor: FloorReading | None) -> list[Component]:
    """List the causes with their sensitivities."""
    weights = _weights(posterior)
    fans, priors = weights.fans, posterior.priors
    prior = np.linalg.inv(posterior.prior_inverse)
    noise_sd_db = _noise_sd_db(posterior)
    of_fans, of_pumps = weights.beliefs[:fans], weights.beliefs[fans:-1]
    of_floor = float(weights.beliefs[-1])
    repeated = priors.setting_sd_db**2
    law = of_fans @ (prior[:fans, :fans] - repeated * np.eye(fans)) @ of_fans
    pumps = of_pumps @ prior[fans:-1, fans:-1] @ of_pumps
    parts = [
        Component(
            "listening here", float(noise_sd_db[-1]), sensitivity=float(weights.readings[-1])
        ),
        _sum("listening at other speeds", (weights.readings[:-1] * noise_sd_db[:-1]) ** 2),
        _of_another_day(posterior, weights),
        _of_unrest(posterior, weights),
        _sum("fan's level over speed", law),
        _sum("coming back to a speed", repeated * of_fans**2),
        _sum("pump's level", pumps),
    ]
    if floor is None:
        parts.append(Component("usual room floor", priors.floor.sd_db, sensitivity=of_floor))
    else:
        measured = floor.U95_db / 1.96
        parts += [
            Component("measured room floor", measured, sensitivity=of_floor, correlation=1.0),
            Component("room floor since", FLOOR_WANDER_DB, sensitivity=of_floor),
        ]
    return parts


def _sum(name: str, variances: Samples | float) -> Component:
    """Put many small causes of one kind into one component."""
    return Component(name, float(np.sqrt(max(np.sum(variances), 0.0))))


def _weights(posterior: NoisePosterior) -> _Weights:
    """Weights of all causes in the level of the last setting, which runs."""
    settings, unknowns_db = posterior.settings, posterior.unknowns_db
    running = [row for row, setting in enumerate(settings) if setting.rpm > 0]
    pump_percents: list[float] = []
    if posterior.priors.pump_at_80_percent is not None:
        pump_percents = sorted({setting.pump_percent for setting in settings})
    floor = unknowns_db.size - 1
    cooler: list[int] = []
    slope = np.zeros((len(settings), unknowns_db.size))
    for row, setting in enumerate(settings):
        cooler = [running.index(row)] if setting.rpm > 0 else []
        if pump_percents:
            cooler.append(len(running) + pump_percents.index(setting.pump_percent))
        slope[row, [*cooler, floor]] = _shares(unknowns_db[[*cooler, floor]])
    level = np.zeros(unknowns_db.size)
    level[cooler] = _shares(unknowns_db[cooler])
    prior = np.linalg.inv(posterior.prior_inverse)
    foretold = slope @ prior @ slope.T + reading_covariance(settings, posterior.priors)
    of_readings = np.asarray(np.linalg.solve(foretold, slope @ prior @ level), dtype=np.float64)
    return _Weights(of_readings, level - of_readings @ slope, len(running))


def _of_another_day(posterior: NoisePosterior, weights: _Weights) -> Component:
    """What readings of another day are off together."""
    earlier = np.array([setting.earlier for setting in posterior.settings])
    return Component(
        "levels of another day",
        posterior.priors.earlier_sd_db,
        sensitivity=float(weights.readings[earlier].sum()),
    )


def _of_unrest(posterior: NoisePosterior, weights: _Weights) -> Component:
    """What readings that were taken soon after a change of speed are off together."""
    unrest = np.array([setting.unrest for setting in posterior.settings])
    return Component(
        "coming to rest",
        posterior.priors.unrest_sd_db,
        sensitivity=float(weights.readings @ unrest),
    )


def _noise_sd_db(posterior: NoisePosterior) -> Samples:
    """Standard uncertainty of each reading by itself, as the estimate counted with it."""
    alone = replace(posterior.priors, earlier_sd_db=0.0, unrest_sd_db=0.0)
    noise: Samples = np.sqrt(np.diag(reading_covariance(posterior.settings, alone)))
    return noise


def _shares(levels_db: Samples) -> Samples:
    """Share of each level in the energy of all."""
    shares: Samples = 10.0 ** ((levels_db - energy_sum_db(levels_db)) / 10.0)
    return shares


def _combined_db(parts: Sequence[Component]) -> float:
    """Root sum of squares of the contributions."""
    return float(np.linalg.norm([part.contribution_db for part in parts]))


def _without_what_is_nothing(parts: Sequence[Component], sd_db: float) -> Budget:
    """Leave out parts too small to show; the others then make up the stated deviation exactly."""
    kept = [part for part in parts if part.contribution_db >= _MATTERS_DB] or list(parts[:1])
    scale = sd_db / _combined_db(kept)
    return Budget(tuple(replace(part, sensitivity=scale * part.sensitivity) for part in kept))
