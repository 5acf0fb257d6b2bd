"""Runs of one load beside one another: what each is known for, and what sets it apart."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from calibration.common_power import Leakage, PoweredRun
from calibration.temperature_rise import ThermalRun
from service.documents.comparison import RunLevelPart

__all__ = ["EvaluatedRun", "disagreements_of", "is_too_loud", "powered_runs"]

_OTHER_POWER: Final = 0.02
_OTHER_SPEED: Final = 0.01
_OTHER_AMBIENT_K: Final = 3.0
_OTHER_PERIOD: Final = 0.1
_OFF_TARGET_DB: Final = 0.5
_TOO_LOUD_DB: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class EvaluatedRun:
    """One run with all that is known of it."""

    cooler: str
    """What was mounted."""
    load: str
    """Name of the load; empty where there is only one."""
    at: str
    """Where it was set, in words."""
    target_db: float | None
    """Level that it was matched to; None at full speed."""
    logs: tuple[str, ...]
    """Its files."""
    columns: str
    """Which column was taken for what."""
    result: ThermalRun
    """What it came to."""
    level: RunLevelPart | None = None
    """Its level; None where it is not known."""
    matched_rpm: Mapping[str, float] = field(default_factory=dict)
    """Mean speeds that the matched settings give to the fans and to the pump."""
    price: float | None = None
    """Price of the cooler."""
    remarks: tuple[str, ...] = ()
    """What was mended in its logs."""
    flags: tuple[str, ...] = ()
    """What is known to speak against it from elsewhere."""


def powered_runs(group: Sequence[EvaluatedRun]) -> list[PoweredRun]:
    """Tell what is known of the power of runs.

    Parameters
    ----------
    group : sequence of EvaluatedRun
        Runs of one load.

    Returns
    -------
    list of PoweredRun
        One a run; empty unless all have a power.
    """
    found = []
    for run in group:
        power, resistance = run.result.power, run.result.resistance
        if power is None or resistance is None:
            return []
        found.append(
            PoweredRun(
                power_w=power.mean,
                processor_c=run.result.processor_c,
                ambient_c=run.result.ambient_c,
                resistance_k_per_w=resistance.mean,
                U95_k_per_w=resistance.U95,
            )
        )
    return found


def disagreements_of(
    group: Sequence[EvaluatedRun], leakage: Leakage | None, *, brought: bool
) -> list[list[str]]:
    """Say of each run of a load what sets it apart from the others or from its settings.

    Parameters
    ----------
    group : sequence of EvaluatedRun
        The runs.
    leakage : Leakage or None
        How the power of the load rises with temperature; None where no power is known.
    brought : bool
        Whether the rises are brought to one power.

    Returns
    -------
    list of list of str
        Parts of sentences for each run, its own flags first.
    """
    flags: list[list[str]] = [[*run.flags, *run.result.flags] for run in group]
    powered = powered_runs(group)
    if leakage is not None and len(group) > 1:
        referred = np.array([leakage.referred_w(run) for run in powered])
        usual_w = float(np.median(referred))
        for place, each in enumerate(referred.tolist()):
            if abs(each / usual_w - 1.0) > _OTHER_POWER:
                then = "" if brought else "; --same-power brings all to one power"
                flags[place].append(
                    f"its power is {100.0 * (each / usual_w - 1.0):+.1f} % off the usual "
                    f"{usual_w:.1f} W, leakage apart{then}"
                )
    usual_c = float(np.median([run.result.ambient_c for run in group]))
    cycling = sum(run.result.phases.cycling for run in group) * 2 > len(group)
    periods = [run.result.phases.period_s for run in group if run.result.phases.cycling]
    for place, run in enumerate(group):
        if abs(run.result.ambient_c - usual_c) > _OTHER_AMBIENT_K:
            flags[place].append(
                f"the air was at {run.result.ambient_c:.1f} C, in the other runs at {usual_c:.1f} C"
            )
        if run.result.phases.cycling != cycling:
            kind = (
                "cycles, that of the others is steady"
                if not cycling
                else ("is steady, that of the others cycles")
            )
            flags[place].append(f"its load {kind}; give the loads names, with @NAME")
        elif cycling and abs(run.result.phases.period_s / float(np.median(periods)) - 1.0) > (
            _OTHER_PERIOD
        ):
            flags[place].append(
                f"its load cycles every {run.result.phases.period_s:.0f} s, those of the others "
                f"every {float(np.median(periods)):.0f} s"
            )
        flags[place] += _off_settings(run)
    return flags


def is_too_loud(run: EvaluatedRun) -> bool:
    """Tell whether a run is louder than its target by more than any match leaves open.

    Parameters
    ----------
    run : EvaluatedRun
        The run.

    Returns
    -------
    bool
        Whether it is; a quieter one is compared, as it only gives away an advantage.
    """
    if run.level is None or run.target_db is None:
        return False
    return run.level.LAeq_db - run.target_db > _TOO_LOUD_DB


def _off_settings(run: EvaluatedRun) -> list[str]:
    """Say where a run is off its matched settings."""
    flags = []
    for role, rpm in run.matched_rpm.items():
        mean = _mean_speed(run.result, role)
        if mean is not None and abs(mean / rpm - 1.0) > _OTHER_SPEED:
            flags.append(
                f"its {role} speed was {mean:.0f} rpm, matched were {rpm:.0f} rpm "
                f"({100.0 * (mean / rpm - 1.0):+.1f} %)"
            )
    logged = run.result.level
    if run.level is not None and run.level.source != "log" and logged is not None:
        apart_db = logged.mean - run.level.LAeq_db
        if abs(apart_db) > _OFF_TARGET_DB + logged.U95 + run.level.U95_db:
            flags.append(
                f"its log has {logged.mean:.1f} dB(A), its settings {run.level.LAeq_db:.1f} dB(A)"
            )
    if run.level is not None and run.target_db is not None:
        off_db = run.level.LAeq_db - run.target_db
        if is_too_loud(run):
            flags.append(
                f"it is {off_db:.1f} dB louder than the target, so it is not compared at equal "
                "noise"
            )
        elif abs(off_db) > _OFF_TARGET_DB:
            flags.append(f"its level is {off_db:+.1f} dB off the target")
    return flags


def _mean_speed(result: ThermalRun, role: str) -> float | None:
    """Mean speed of the fans or of the pump."""
    speeds = [each.mean_rpm for name, each in result.speeds.items() if name.startswith(role)]
    return float(np.mean(speeds)) if speeds else None
