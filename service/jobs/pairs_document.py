"""From the pairs of fan and pump speed to their part of the matched-settings document."""

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.pump_curve import USUAL_PUMP_PERCENT, CurvePoint, CurveResult
from service.documents.bands import DiscreteTone
from service.documents.matched_settings import CoolerPart, MatchedSettingsDocument, PairPart
from service.jobs.settings_document import cooler_part

__all__ = ["part_of_pairs", "with_a_row_a_pair"]


def part_of_pairs(
    cooler: str,
    bench: str,
    curve: CurveResult,
    tones: Mapping[float, Sequence[DiscreteTone]],
) -> CoolerPart:
    """Put the pairs of one cooler into the document's form.

    Parameters
    ----------
    cooler, bench : str
        What was matched, and where.
    curve : CurveResult
        How every pair ended.
    tones : mapping of float to sequence of DiscreteTone
        Tones at each pump duty.

    Returns
    -------
    CoolerPart
        Its entry: settings and level of the pair that stands for it, time and settings visited of
        all.
    """
    parts = [
        cooler_part(cooler, bench, point.request, point.result, tones.get(point.pump_percent, ()))
        for point in curve.points
    ]
    given = parts[curve.points.index(curve.given)]
    pairs = [_pair(point, part) for point, part in zip(curve.points, parts, strict=True)]
    return given.model_copy(
        update={
            "settings_visited": sum(part.settings_visited for part in parts),
            "listened_s": round(sum(part.listened_s for part in parts), 1),
            "bench_s": round(sum(part.bench_s for part in parts), 1),
            "warnings": [*given.warnings, *_remarks(curve)],
            "curve": pairs,
        }
    )


def _pair(point: CurvePoint, part: CoolerPart) -> PairPart:
    """One pair in the document's form."""
    speeds = [
        actuator.rpm
        for name, actuator in (point.result.actuators or {}).items()
        if name.startswith("fan") and actuator.rpm is not None
    ]
    interval = point.speed_U95(float(np.mean(speeds))) if speeds else None
    shared = part.model_dump(
        include=set(PairPart.model_fields) - {"pump_duty_percent", "fan_rpm_U95"}
    )
    return PairPart(
        pump_duty_percent=point.pump_percent,
        fan_rpm_U95=None if interval is None else round(interval, 1),
        **shared,
    )


def _remarks(curve: CurveResult) -> list[str]:
    """Say which pair is given, and which were not matched."""
    given = curve.given
    remarks = []
    if given.result.actuators is not None:
        matched = given.result.outcome == "matched"
        remarks.append(
            f"Settings and level are those of the pair with the pump at {given.pump_percent:g} %, "
            f"the nearest {'matched one ' if matched else ''}to the usual {USUAL_PUMP_PERCENT:g} %."
        )
    remarks += [
        f"Pump at {point.pump_percent:g} %: {point.result.outcome}. {point.result.why}"
        for point in curve.points
        if point is not given and point.result.outcome != "matched"
    ]
    return remarks


def with_a_row_a_pair(document: MatchedSettingsDocument) -> MatchedSettingsDocument:
    """Give each pair an entry of its own, for the table.

    Parameters
    ----------
    document : MatchedSettingsDocument
        The settings.

    Returns
    -------
    MatchedSettingsDocument
        The same with the pairs in the place of their cooler; others stay.
    """
    rows: list[CoolerPart] = []
    for part in document.coolers:
        if not part.curve:
            rows.append(part)
            continue
        shared = set(PairPart.model_fields) & set(CoolerPart.model_fields)
        rows += [
            part.model_copy(update={name: getattr(pair, name) for name in shared})
            for pair in part.curve
        ]
    return document.model_copy(update={"coolers": rows})
