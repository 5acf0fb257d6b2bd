"""From what a sweep heard to its result: the curve, and what a later match can start from."""

from dataclasses import replace
from typing import Final

import numpy as np

from acoustic.decibels import energy_mean_db
from acoustic.signals import Samples
from calibration.fan_moves import FanMoves
from calibration.fan_noise import Estimate, SettingLevel, fit_noise_of_any
from calibration.learned import Learned, LearnedSetting
from calibration.results import LevelCurve
from calibration.standstill import stall_percent
from calibration.sweep_evidence import LEAST_MARGIN_DB, SweepEvidence
from calibration.sweep_results import GlideLevels, SweepOutcome, SweepResult

__all__ = ["summarise"]

_BIN: Final = 0.045
"""Relative range of speeds whose glide levels are taken together: a little over 2 s of sound."""
_FEWEST_IN_BIN: Final = 3
"""Half seconds that a range needs."""
_CORRELATED: Final = 2.0
"""What hunting leaves of the scatter of half seconds over so short a time."""
_LEAST_SD_DB: Final = 0.25
"""No range of a glide is known better."""
_SPEED_SD: Final = 0.006
"""Relative error of the speeds of a glide after the delay is taken out."""
_SHARED_ERROR: Final = 2.0
"""Neighbouring settings of one sweep err together, by its floor, its drift and slow hunting; a
match takes each for independent, so none of them counts for as much as it alone would."""
_CURVE_POINTS: Final = 160


def summarise(
    evidence: SweepEvidence,
    moves: FanMoves,
    outcome: SweepOutcome,
    why: str,
    *,
    restart_percent: float | None,
    warnings: list[str],
) -> SweepResult:
    """Put the result of a sweep together.

    Parameters
    ----------
    evidence : SweepEvidence
        What was heard.
    moves : FanMoves
        What was learned from moving the fans.
    outcome : {"complete", "floor-too-high", "stopped"}
        How it ended.
    why : str
        The reason in one sentence.
    restart_percent : float or None
        Duty at which standing fans start.
    warnings : list of str
        What the person at the bench should know.

    Returns
    -------
    SweepResult
        The result.
    """
    glide = evidence.glide()
    between = _between(evidence, glide)
    found = sorted((found for _, found in evidence.resonances), key=lambda one: one.centre)
    hands = moves.hands
    return SweepResult(
        outcome=outcome,
        why=why,
        points=tuple(evidence.points()),
        glide=glide,
        floor=evidence.floor,
        curve=_curve(evidence, between),
        exponent_db=evidence.exponent_db(),
        resonances=tuple(found),
        stall_percent=stall_percent(moves),
        restart_percent=restart_percent,
        learned=Learned(
            settings=tuple(_learned_settings(evidence, between)),
            running_percent=moves.range.running_percent,
            standing_percent=moves.range.standing_percent,
            time_constants_s=moves.pace.seen_s,
        ),
        listened_s=round(hands.listened_s, 1),
        bench_s=round(hands.bench_s, 1),
        warnings=tuple(warnings),
    )


def _between(evidence: SweepEvidence, glide: GlideLevels) -> list[SettingLevel]:
    """Levels of the glide as if they were settings: a few per cent of speed each."""
    if not evidence.visits or glide.speed.size == 0:
        return []
    usable = (glide.usable > 0) & np.isfinite(glide.level_db)
    log_speed, level_db = np.log(glide.speed[usable]), glide.level_db[usable]
    if log_speed.size == 0:
        return []
    pump_percent = evidence.visits[-1].pump_percent
    own_sd = max(_CORRELATED * evidence.spread_db, _LEAST_SD_DB)
    which = np.floor((log_speed.max() - log_speed) / _BIN).astype(np.int_)
    settled = np.log([visit.speed for visit in evidence.visits])
    found = []
    for number in range(int(which.max()) + 1):
        inside = which == number
        if np.count_nonzero(inside) < _FEWEST_IN_BIN:
            continue
        middle = float(log_speed[inside].mean())
        if np.abs(settled - middle).min() < 0.5 * _BIN:
            continue
        slope = _slope_db(log_speed, level_db, middle)
        sd = float(np.hypot(own_sd, slope * _SPEED_SD))
        reading = Estimate(energy_mean_db(level_db[inside]), sd)
        found.append(SettingLevel(float(np.exp(middle)), pump_percent, reading))
    return found


def _slope_db(log_speed: Samples, level_db: Samples, middle: float) -> float:
    """Steepness of the level around a speed, in dB per factor e."""
    near = np.abs(log_speed - middle) < _BIN
    away = log_speed[near] - middle
    spread = float((away**2).sum())
    if spread == 0.0:
        return 0.0
    return float(abs((away * (level_db[near] - level_db[near].mean())).sum() / spread))


def _curve(evidence: SweepEvidence, between: list[SettingLevel]) -> LevelCurve | None:
    """Level of the cooler alone over the whole range of speeds."""
    settings = evidence.settings
    if not settings:
        return None
    speeds = [setting.rpm for setting in settings]
    over = np.geomspace(min(speeds), max(speeds), _CURVE_POINTS)
    posterior = fit_noise_of_any([*settings, *between], evidence.priors)
    return LevelCurve(over, *posterior.cooler_over_speed(over, evidence.visits[-1].pump_percent))


def _learned_settings(evidence: SweepEvidence, between: list[SettingLevel]) -> list[LearnedSetting]:
    """Settings for later matches, in an order that shows the play; bounds are none.

    The lowest first, then what was reached from below, then from full speed down.
    """
    floor = evidence.floor
    up: list[LearnedSetting] = []
    down: list[LearnedSetting] = []
    for visit, level in evidence.clear_levels():
        known = visit.approach in ("up", "down")
        percent = visit.percent if known else evidence.percent_for(visit.speed)
        (up if visit.approach == "up" else down).append(
            LearnedSetting(percent, visit.speed, visit.pump_percent, level)
        )
    for heard in between:
        margin = heard.reading.mean_db - floor.mean_db
        if margin < LEAST_MARGIN_DB:
            continue
        share = -float(np.expm1(-margin * np.log(10.0) / 10.0))
        sd = float(np.hypot(heard.reading.sd_db, (1.0 - share) * floor.sd_db)) / share
        level = Estimate(heard.reading.mean_db + 10.0 * float(np.log10(share)), sd)
        percent = evidence.percent_for(heard.rpm)
        down.append(LearnedSetting(percent, heard.rpm, heard.pump_percent, level))
    down.sort(key=lambda one: -one.speed)
    return [
        replace(one, level=Estimate(one.level.mean_db, _SHARED_ERROR * one.level.sd_db))
        for one in [*down[-1:], *up, *down[:-1]]
    ]
