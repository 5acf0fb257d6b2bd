"""What one thermal run comes to: how much hotter than the air the processor is, and how sure.

The rise is taken moment by moment, so that a room that warms up during the run does not count.
The warm-up is dropped, and what is left of it at the begin of the steady part is fitted and taken
out. Of a load that cycles only the second half of each high phase counts.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples
from calibration.correlated_mean import (
    CorrelatedEstimate,
    Settling,
    correlated_mean,
    resolution_uncertainty,
)
from calibration.power_cycles import LoadPhases, find_phases
from calibration.run_log import BlockedRun, RunLog, blocked, cleaned, resolution_of
from calibration.run_pieces import RunPieces, load_range, pieces_of
from calibration.warm_up import WarmUp, find_warm_up, lag_of

__all__ = ["SpeedKept", "ThermalRun", "evaluate_run"]

_SETTLING_K: Final = 1.0
"""The warm-up is dropped until the rise is this near to where it stays."""
_FEWEST_PIECES: Final = 8
_LEVELS: Final = 250
_WANDER_S: Final = 10.0
"""Levels of a fan wander over some seconds."""
_HIGHEST_S: Final = 10.0
_DRIFTING_AMBIENT_K: Final = 3.0
_STILL_SETTLING_K: Final = 0.3
_UNSTEADY_SPEED: Final = 0.02
_MISSING: Final = 0.1


@dataclass(frozen=True, slots=True)
class SpeedKept:
    """A speed during the part that counts."""

    mean_rpm: float
    """Its mean."""
    sd_rpm: float
    """How much it varied."""


@dataclass(frozen=True, slots=True)
class ThermalRun:
    """The result of one run."""

    rise: CorrelatedEstimate
    """Temperature rise over ambient in K, the resolution of the sensors in its interval."""
    highest_10_s_k: float
    """Highest mean of the rise over 10 s under load, in K."""
    processor_c: float
    """Mean temperature of the processor in the part that counts."""
    ambient_c: float
    """Mean temperature of the air in the part that counts."""
    ambient_change_k: float
    """Highest less lowest temperature of the air, smoothed, under load."""
    power: CorrelatedEstimate | None
    """Power in W in the part that counts; None where it was not logged."""
    resistance: CorrelatedEstimate | None
    """Rise over power in K/W; None where no power was logged."""
    level: CorrelatedEstimate | None
    """Logged A-weighted level in dB; None where it was not logged."""
    speeds: Mapping[str, SpeedKept]
    """Speeds by name."""
    phases: LoadPhases
    """When the load was on."""
    used_from_s: float
    """Begin of the part that counts, in seconds from the begin of the log."""
    used_s: float
    """How much of the run counts, in seconds: of a load that cycles only the parts of its high
    phases."""
    mended: tuple[str, ...]
    """What was taken out of the log, as parts of sentences."""
    flags: tuple[str, ...]
    """What speaks against using the number as it is, as parts of sentences."""


def evaluate_run(log: RunLog) -> ThermalRun:
    """Work out the temperature rise of a run.

    Parameters
    ----------
    log : RunLog
        Its log, with the temperature of the air.

    Returns
    -------
    ThermalRun
        The result.

    Raises
    ------
    InputError
        If the log is too short or something that is needed is missing.
    """
    if log.ambient_c is None:
        raise InputError(
            "it has no temperature of the air, so there is no rise over it; log it, or say what "
            "it was"
        )
    log, taken_out = cleaned(log)
    run = blocked(log)
    has_power = "power_w" in run.columns and bool(np.any(run.columns["power_w"] > 0.0))
    phases = find_phases(
        run.columns["power_w" if has_power else "processor_c"], run.block_s, is_power=has_power
    )
    rough = pieces_of(run, phases, run.columns["processor_c"] - _at(run, 0.0))
    run = _with_rise(run, lag_of(find_warm_up(rough)))
    pieces = pieces_of(run, phases, run.columns["rise_k"])
    warm_up = find_warm_up(pieces)
    first = _settled_from(pieces, warm_up)
    used = pieces.from_place(first)
    if np.count_nonzero(np.isfinite(used.values)) < (4 if phases.cycling else _FEWEST_PIECES):
        raise InputError(
            f"only {used.seconds:.0f} s of it can be used, which is too short for a mean; let the "
            "load run for longer"
        )
    rise = used.settled(used.values, _settling(warm_up, used, 1.0))
    rise = _with_resolution(rise, run, used, log)
    of_power = None
    resistance = None
    if has_power:
        watts = used.means_of(run.columns["power_w"])
        of_power = used.mean_of(watts)
        ratio = used.values / np.where(watts > 0.0, watts, np.nan)
        if of_power is not None and np.count_nonzero(np.isfinite(ratio)) >= 4:
            found = used.settled(ratio, _settling(warm_up, used, of_power.mean))
            widened = np.hypot(found.U95, _resolution_U95(run, used, log) / of_power.mean)
            resistance = replace(found, U95=float(widened))
    under_load = run.columns["ambient_c"][load_range(run, phases)]
    result = ThermalRun(
        rise=rise,
        highest_10_s_k=_highest_k(run, phases),
        processor_c=float(np.nanmean(used.means_of(run.columns["processor_c"]))),
        ambient_c=float(np.nanmean(used.means_of(run.columns["ambient_c"]))),
        ambient_change_k=_change_of(under_load, run.block_s),
        power=of_power,
        resistance=resistance,
        level=_level(run, used) if "level_db" in run.columns else None,
        speeds=_speeds(run, used),
        phases=phases,
        used_from_s=used.begin_s,
        used_s=used.seconds,
        mended=_mended(taken_out),
        flags=(),
    )
    return replace(result, flags=_flags(result, run, warm_up))


def _at(run: BlockedRun, lag_s: float) -> Samples:
    """Temperature of the air some time before each block, what is missing filled in."""
    ambient = run.columns["ambient_c"]
    known = np.isfinite(ambient)
    if not np.any(known):
        raise InputError("its temperature of the air is empty; log it, or say what it was")
    return np.interp(run.time_s - lag_s, run.time_s[known], ambient[known])


def _with_rise(run: BlockedRun, lag_s: float) -> BlockedRun:
    """Add the rise over the air as it was when the cooler felt it."""
    ambient = _at(run, lag_s)
    columns = {**run.columns, "ambient_c": ambient}
    columns["rise_k"] = run.columns["processor_c"] - ambient
    return BlockedRun(run.block_s, columns)


def _settling(warm_up: WarmUp | None, used: RunPieces, over: float) -> Settling | None:
    """How far the pieces that are used may still be from where they settle, over something."""
    if warm_up is None:
        return None
    size = max(_SETTLING_K, abs(warm_up.left_at(used.begin_s)))
    return Settling(size / over, max(warm_up.constant_s / used.distance_s, 0.2))


def _settled_from(pieces: RunPieces, warm_up: WarmUp | None) -> int:
    """First piece that is near to where the run stays; at most two thirds are dropped."""
    values = pieces.values
    known = np.isfinite(values)
    if not np.any(known):
        raise InputError("its temperature is missing under load")
    filled = np.interp(np.arange(values.size), np.flatnonzero(known), values[known])
    last = filled[-max(values.size // 3, 1) :]
    final = float(np.median(last))
    usual = 3.0 * 1.4826 * float(np.median(np.abs(last - final)))
    if warm_up is not None and not warm_up.over:
        final = warm_up.final
    near = np.abs(filled - final) < max(_SETTLING_K, usual)
    # Two in a row, as a single one may be near by chance.
    settled = np.flatnonzero(near[:-1] & near[1:])
    first = int(settled[0]) if settled.size else values.size
    return min(first, 2 * values.size // 3)


def _resolution_U95(run: BlockedRun, used: RunPieces, log: RunLog) -> float:
    """What the steps of both sensors leave open, half-width at 95 % in K."""
    parts = []
    begin_s, end_s = used.begin_s, used.slices[-1].stop * run.block_s
    inside = slice(*np.searchsorted(log.time_s, (begin_s, end_s)).tolist())
    for values in (log.processor_c, log.ambient_c):
        part = values[inside] if values is not None else np.zeros(0)
        part = part[np.isfinite(part)]
        if part.size:
            parts.append(resolution_uncertainty(resolution_of(part), float(np.std(part))))
    return 2.0 * float(np.hypot.reduce(parts)) if parts else 0.0


def _with_resolution(
    rise: CorrelatedEstimate, run: BlockedRun, used: RunPieces, log: RunLog
) -> CorrelatedEstimate:
    """Widen the interval by what the steps of the sensors leave open."""
    return replace(rise, U95=float(np.hypot(rise.U95, _resolution_U95(run, used, log))))


def _highest_k(run: BlockedRun, phases: LoadPhases) -> float:
    """Highest mean of the rise over 10 s under load."""
    rise = run.columns["rise_k"][load_range(run, phases)]
    length = max(1, round(_HIGHEST_S / run.block_s))
    known = np.isfinite(rise).astype(np.float64)
    window = np.ones(length)
    counts = np.convolve(known, window, "valid")
    sums = np.convolve(np.nan_to_num(rise), window, "valid")
    enough = counts >= 0.8 * length
    if not np.any(enough):
        return float(np.nanmax(rise))
    return float(np.max(sums[enough] / counts[enough]))


def _change_of(ambient: Samples, block_s: float) -> float:
    """Highest less lowest temperature of the air over a minute."""
    length = min(max(1, round(60.0 / block_s)), ambient.size)
    smooth = np.convolve(ambient, np.ones(length) / length, "valid")
    return float(smooth.max() - smooth.min())


def _level(run: BlockedRun, used: RunPieces) -> CorrelatedEstimate | None:
    """Level over all of the part that counts: it does not follow the load while speeds are held."""
    level_db = run.columns["level_db"][used.slices[0].start : used.slices[-1].stop]
    known = level_db[np.isfinite(level_db)]
    if known.size < _FEWEST_PIECES:
        return None
    means = np.array([part.mean() for part in np.array_split(known, min(known.size, _LEVELS))])
    distance_s = level_db.size * run.block_s / means.size
    return correlated_mean(means, usual_memory=_WANDER_S / distance_s)


def _speeds(run: BlockedRun, used: RunPieces) -> dict[str, SpeedKept]:
    """Speeds in the part that counts."""
    speeds = {}
    for name, values in run.columns.items():
        if name.startswith("rpm "):
            means = used.means_of(values)
            means = means[np.isfinite(means)]
            if means.size:
                speeds[name[4:]] = SpeedKept(float(means.mean()), float(means.std()))
    return speeds


_COLUMN_WORDS: Final[Mapping[str, str]] = {
    "processor_c": "the processor's temperature",
    "ambient_c": "the temperature of the air",
    "power_w": "the power",
    "level_db": "the level",
}


def _mended(taken_out: Mapping[str, int]) -> tuple[str, ...]:
    """Say what was taken out."""
    parts = []
    for name, count in taken_out.items():
        words = _COLUMN_WORDS.get(name, f"the speed of the {name[4:]}")
        what = "1 reading" if count == 1 else f"{count} readings"
        left = "was" if count == 1 else "were"
        parts.append(f"{what} of {words} cannot have been, and {left} left out")
    return tuple(parts)


def _flags(result: ThermalRun, run: BlockedRun, warm_up: WarmUp | None) -> tuple[str, ...]:
    """Say what speaks against using the number as it is."""
    notes = []
    under_load = run.columns["processor_c"][load_range(run, result.phases)]
    missing = float(np.mean(~np.isfinite(under_load)))
    if missing > _MISSING:
        notes.append(f"{100 * missing:.0f} % of the time under load is missing")
    if result.phases.left_out:
        notes.append(
            f"{result.phases.left_out} cycles were longer or shorter than the others, and were "
            "left out"
        )
    if (warm_up is not None and not warm_up.over) or abs(result.rise.left) > _STILL_SETTLING_K:
        notes.append(
            "it had not settled by its end; the rise is where it goes to, so let it run for longer"
        )
    if result.ambient_change_k > _DRIFTING_AMBIENT_K:
        notes.append(f"the air changed by {result.ambient_change_k:.1f} K during the run")
    for name, speed in result.speeds.items():
        if speed.mean_rpm > 0.0 and speed.sd_rpm > _UNSTEADY_SPEED * speed.mean_rpm:
            notes.append(
                f"the speed of the {name} varied by {100 * speed.sd_rpm / speed.mean_rpm:.1f} %, "
                "so it was not held"
            )
    return tuple(notes)
