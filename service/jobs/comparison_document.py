"""Runs beside one another as a document: common power, slopes, differences, and what disagrees."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from calibration.common_power import (
    CommonPower,
    Leakage,
    PoweredRun,
    at_common_power,
    fit_leakage,
)
from calibration.rise_comparison import (
    ComparedRun,
    differences_of,
    front_of,
    slopes_of,
)
from service.clock import utc_now
from service.documents.comparison import (
    CommonPowerPart,
    ComparedRunPart,
    ComparisonDocument,
    ComparisonPart,
    LeakagePart,
    RunSpeedPart,
    TemperatureDifferencePart,
)
from service.errors import SettingsError
from service.jobs.evaluated_runs import EvaluatedRun, disagreements_of, is_too_loud, powered_runs

__all__ = ["comparison_document"]

_SAME_SPEED: Final = 0.02


def comparison_document(
    runs: Sequence[EvaluatedRun],
    *,
    same_power: bool = False,
    power_w: float | None = None,
    mounting_k: float = 0.0,
) -> ComparisonDocument:
    """Compare runs.

    Parameters
    ----------
    runs : sequence of EvaluatedRun
        The runs, at least one.
    same_power : bool, optional
        Whether rises are brought to one power for each load.
    power_w : float, optional
        That power in W; by default the median of the runs.
    mounting_k : float, optional
        What mounting a cooler again changes in its rise, as the half-width of a 95 % interval in
        K; added to every run.

    Returns
    -------
    ComparisonDocument
        The comparison.

    Raises
    ------
    SettingsError
        If a common power is asked for and a run has no power.
    """
    parts: list[ComparedRunPart] = [None] * len(runs)  # type: ignore[list-item] # filled below
    comparisons: list[ComparisonPart] = []
    leakages: list[LeakagePart] = []
    warnings: list[str] = []
    for load in dict.fromkeys(run.load for run in runs):
        places = [place for place, run in enumerate(runs) if run.load == load]
        group = [runs[place] for place in places]
        common: Sequence[CommonPower | None] = [None] * len(group)
        powered = powered_runs(group)
        leakage = fit_leakage(powered) if powered else None
        if same_power:
            common, leaked = _common(load, group, powered, leakage, power_w)
            leakages.append(leaked)
        compared = [
            _compared(run, at_power, mounting_k)
            for run, at_power in zip(group, common, strict=True)
        ]
        slopes = slopes_of(compared)
        front = front_of(compared)
        flags = disagreements_of(group, leakage, brought=same_power)
        for number, place in enumerate(places):
            parts[place] = _part(
                group[number], common[number], slopes[number], flags[number], front=front[number]
            )
        made = _comparisons(load, group, compared, slopes)
        comparisons += made
        if any(each.target_db is not None for each in made) and not any(slopes):
            warnings.append(
                "the runs are at one level each, so how the rise changes with the level is not "
                "known, and what the noise leaves open is in no interval; run one cooler at two "
                "levels"
            )
    if not comparisons and len(runs) > 1:
        warnings.append("no two coolers have the same load and setting, so none are compared")
    return ComparisonDocument(
        time=utc_now(),
        runs=parts,
        comparisons=comparisons,
        leakage=leakages,
        warnings=list(dict.fromkeys(warnings)),
    )


def _common(
    load: str,
    group: Sequence[EvaluatedRun],
    powered: Sequence[PoweredRun],
    leakage: Leakage | None,
    power_w: float | None,
) -> tuple[list[CommonPower | None], LeakagePart]:
    """Bring the runs of a load to one power."""
    if leakage is None:
        without = next(run for run in group if run.result.resistance is None)
        raise SettingsError(
            f"{without.logs[0]} has no power, so it cannot be brought to a common one; name its "
            "column with --column power=NAME, or leave --same-power out."
        )
    if power_w is None:
        power_w = float(np.median([leakage.referred_w(run) for run in powered]))
    ambient_c = float(np.median([run.ambient_c for run in powered]))
    brought: list[CommonPower | None] = [
        at_common_power(run, leakage, power_w=power_w, ambient_c=ambient_c) for run in powered
    ]
    return brought, LeakagePart(
        load=load,
        percent_per_10_k=1000.0 * leakage.per_k,
        reference_c=leakage.reference_c,
        power_w=power_w,
    )


def _compared(run: EvaluatedRun, common: CommonPower | None, mounting_k: float) -> ComparedRun:
    """What of a run enters the comparison."""
    rise_k, U95_k = run.result.rise.mean, run.result.rise.U95
    if common is not None:
        rise_k, U95_k = common.rise_k, common.U95_k
    return ComparedRun(
        cooler=run.cooler,
        rise_k=rise_k,
        U95_k=float(np.hypot(U95_k, mounting_k)),
        level_db=None if run.level is None else run.level.LAeq_db,
        level_U95_db=0.0 if run.level is None else run.level.U95_db,
    )


def _comparisons(
    load: str,
    group: Sequence[EvaluatedRun],
    compared: Sequence[ComparedRun],
    slopes: Sequence[tuple[float, float] | None],
) -> list[ComparisonPart]:
    """Compare the runs of a load, setting by setting."""
    made = []
    for at in dict.fromkeys(run.at for run in group):
        members = [
            place for place, run in enumerate(group) if run.at == at and not is_too_loud(run)
        ]
        labels = _labels([group[place] for place in members])
        if len(members) < 2:
            continue
        target_db = group[members[0]].target_db
        found = differences_of(
            [compared[place] for place in members],
            [slopes[place] for place in members],
            target_db=target_db,
        )
        # Against the first of all, so that all are ordered by the same corrected rises.
        over_first_k = [0.0] + [-each.difference_k for each in found[: len(members) - 1]]
        coldest = int(np.argmin(over_first_k))
        made.append(
            ComparisonPart(
                load=load,
                at=at,
                target_db=target_db,
                coldest=labels[coldest],
                coldest_for_sure=all(
                    each.outside_error for each in found if coldest in (each.first, each.second)
                ),
                differences=[
                    TemperatureDifferencePart(
                        first=labels[each.first],
                        second=labels[each.second],
                        as_run_k=each.as_run_k,
                        difference_k=each.difference_k,
                        U95_k=each.U95_k,
                        outside_error=each.outside_error,
                    )
                    for each in found
                ],
            )
        )
    return made


def _labels(members: Sequence[EvaluatedRun]) -> list[str]:
    """Name runs at one setting: by cooler, and where it has several, by speed or number."""
    labels = []
    for run in members:
        same = [other for other in members if other.cooler == run.cooler]
        label = run.cooler
        if len(same) > 1:
            role = next((name for name in ("pump", "fan") if _told_apart(same, name)), None)
            label += (
                f", {role} {run.result.speeds[role].mean_rpm:.0f} rpm"
                if role
                else f", run {[other is run for other in same].index(True) + 1}"
            )
        labels.append(label)
    return labels


def _told_apart(runs: Sequence[EvaluatedRun], role: str) -> bool:
    """Whether all runs have another speed of a role."""
    speeds = [run.result.speeds[role].mean_rpm for run in runs if role in run.result.speeds]
    ordered = np.sort(speeds)
    return len(speeds) == len(runs) and bool(
        np.all(np.diff(ordered) > _SAME_SPEED * np.maximum(ordered[1:], 1.0))
    )


def _part(
    run: EvaluatedRun,
    common: CommonPower | None,
    slope: tuple[float, float] | None,
    flags: Sequence[str],
    *,
    front: bool,
) -> ComparedRunPart:
    """Put one run into the document."""
    result = run.result
    return ComparedRunPart(
        cooler=run.cooler,
        load=run.load,
        at=run.at,
        logs=list(run.logs),
        columns=run.columns,
        rise_k=result.rise.mean,
        U95_k=result.rise.U95,
        highest_10_s_k=result.highest_10_s_k,
        processor_c=result.processor_c,
        ambient_c=result.ambient_c,
        ambient_change_k=result.ambient_change_k,
        power_w=None if result.power is None else result.power.mean,
        power_U95_w=None if result.power is None else result.power.U95,
        resistance_k_per_w=None if result.resistance is None else result.resistance.mean,
        resistance_U95_k_per_w=None if result.resistance is None else result.resistance.U95,
        level=run.level,
        slope_k_per_db=None if slope is None else slope[0],
        slope_U95_k_per_db=None if slope is None else slope[1],
        speeds={
            name: RunSpeedPart(
                rpm=speed.mean_rpm,
                sd_rpm=speed.sd_rpm,
                matched_rpm=run.matched_rpm.get(name.split()[0]),
            )
            for name, speed in result.speeds.items()
        },
        cycling=result.phases.cycling,
        cycles=len(result.phases.cycles),
        period_s=result.phases.period_s if result.phases.cycling else None,
        used_from_s=result.used_from_s,
        used_s=result.used_s,
        common_power=None
        if common is None
        else CommonPowerPart(rise_k=common.rise_k, U95_k=common.U95_k, power_w=common.power_w),
        on_front=front,
        price=run.price,
        remarks=[*run.remarks, *result.mended],
        flags=list(flags),
    )
