"""From the results of matches to the matched-settings document and its table."""

import csv
import io
from collections.abc import Sequence
from datetime import datetime
from itertools import combinations
from typing import Final

from acoustic.budget import Budget, difference
from calibration.chain import chain_budget, chain_uncertainty
from calibration.drift import Drift, is_void, judge_drift
from calibration.fan_noise import Estimate
from calibration.goal import CoolerLoudness
from calibration.match_budget import match_budget
from calibration.results import MatchRequest, MatchResult
from service.documents.bands import DiscreteTone
from service.documents.budget import budget_from, rows_of
from service.documents.calibration import CalibrationDocument
from service.documents.matched_settings import (
    AbsoluteLevel,
    ChainChannel,
    ChainPart,
    CoolerPart,
    FloorPart,
    LevelDifference,
    LevelPart,
    LoudnessPart,
    MatchedSettingsDocument,
    SettingPart,
    TargetPart,
)
from service.errors import DocumentError

__all__ = ["close_series", "cooler_part", "settings_csv", "settings_document"]

_K95: Final = 1.96
_COLUMNS: Final = (
    "cooler",
    "outcome",
    "bench",
    "fan_duty_percent",
    "fan_rpm",
    "pump_duty_percent",
    "pump_rpm",
    "LAeq_db",
    "U95_db",
    "as_read_db",
    "N_sone",
    "N_U95_sone",
    "floor_LAeq_db",
    "floor_U95_db",
    "margin_db",
    "settings_visited",
    "listened_s",
    "bench_s",
    "warnings",
)


def _half_width_db(estimate: Estimate) -> float:
    """Half-width of the 95 % interval, in dB."""
    return round(_K95 * estimate.sd_db, 3)


def cooler_part(
    cooler: str,
    bench: str,
    request: MatchRequest,
    result: MatchResult,
    tones: Sequence[DiscreteTone],
) -> CoolerPart:
    """Put the result of one match into the document's form.

    Parameters
    ----------
    cooler, bench : str
        What was matched, and where.
    request : MatchRequest
        What was asked.
    result : MatchResult
        How it ended.
    tones : sequence of DiscreteTone
        Tones at the given speeds.

    Returns
    -------
    CoolerPart
        Its entry.
    """
    settings = level = None
    if result.actuators is not None:
        settings = {
            name: SettingPart(
                duty_percent=actuator.duty_percent,
                rpm=None if actuator.rpm is None else round(actuator.rpm, 1),
            )
            for name, actuator in result.actuators.items()
        }
    if result.level is not None and result.as_read is not None:
        budget = match_budget(request, result)
        level = LevelPart(
            LAeq_db=round(result.level.mean_db, 3),
            U95_db=0.0 if budget is None else round(budget.U95_db, 3),
            as_read_db=round(result.as_read.mean_db, 3),
            budget=[] if budget is None else rows_of(budget),
            loudness=_loudness_part(result.loudness),
        )
    return CoolerPart(
        cooler=cooler,
        outcome=result.outcome,
        why=result.why,
        bench=bench,
        settings=settings,
        level=level,
        floor=FloorPart(
            LAeq_db=round(result.floor.mean_db, 3), U95_db=_half_width_db(result.floor)
        ),
        margin_db=None if result.margin_db is None else round(result.margin_db, 2),
        settings_visited=result.settings_visited,
        listened_s=result.listened_s,
        bench_s=result.bench_s,
        tones=list(tones),
        warnings=list(result.warnings),
    )


def _loudness_part(loudness: CoolerLoudness | None) -> LoudnessPart | None:
    """Put a loudness into the document's form."""
    if loudness is None:
        return None
    return LoudnessPart(
        field=loudness.field,
        N_sone=round(loudness.N_sone, 3),
        U95_sone=round(loudness.U95_sone, 3),
        LN_phon=round(loudness.LN_phon, 2),
    )


def settings_document(
    request: MatchRequest,
    coolers: Sequence[CoolerPart],
    *,
    time: datetime,
    calibration: CalibrationDocument,
    drift: Drift | None,
) -> MatchedSettingsDocument:
    """Put the results of a series together.

    Parameters
    ----------
    request : MatchRequest
        What was asked of every match.
    coolers : sequence of CoolerPart
        One entry a cooler.
    time : datetime
        When the series ended.
    calibration : CalibrationDocument
        Calibration of the microphone before the series.
    drift : Drift or None
        Calibration after against before; None when it was not repeated.

    Returns
    -------
    MatchedSettingsDocument
        The document.
    """
    each = calibration.by_channel()
    chain = _chain_part(
        calibration.time,
        calibration.pascal_per_unit,
        calibration.U95_db,
        drift_db=None if drift is None else drift.drift_db,
        void=drift is not None and drift.void,
        channels=[
            ChainChannel(channel=channel, pascal_per_unit=one.pascal_per_unit)
            for channel, one in each.items()
            if len(each) > 1 and one.pascal_per_unit is not None
        ],
    )
    return MatchedSettingsDocument(
        time=time,
        target=TargetPart(
            LAeq_db=request.target_db,
            N_sone=None if request.loudness is None else request.loudness.N_sone,
            field=None if request.loudness is None else request.loudness.field,
            tolerance_db=request.tolerance_db,
            applies_to=request.applies_to,
        ),
        chain=chain,
        coolers=list(coolers),
        absolute=_absolute(coolers, chain),
        differences=_differences(coolers, chain),
    )


def _budgets(coolers: Sequence[CoolerPart], chain: ChainPart) -> list[tuple[str, float, Budget]]:
    """Name, level and whole budget of every cooler that has them."""
    return [
        (part.cooler, part.level.LAeq_db, budget_from(part.level.budget, chain.budget))
        for part in coolers
        if part.level is not None and part.level.budget and chain.budget
    ]


def _absolute(coolers: Sequence[CoolerPart], chain: ChainPart) -> list[AbsoluteLevel]:
    """Every level against the true sound pressure level."""
    return [
        AbsoluteLevel(cooler=name, LAeq_db=level_db, U95_db=round(budget.U95_db, 3))
        for name, level_db, budget in _budgets(coolers, chain)
    ]


def _differences(coolers: Sequence[CoolerPart], chain: ChainPart) -> list[LevelDifference]:
    """Every pair of levels."""
    return [
        LevelDifference(
            first=first,
            second=second,
            LAeq_db=round(one_db - other_db, 3),
            U95_db=round(difference(one, other).U95_db, 3),
        )
        for (first, one_db, one), (second, other_db, other) in combinations(
            _budgets(coolers, chain), 2
        )
    ]


def _chain_part(
    calibration_time: datetime | None,
    pascal_per_unit: float | None,
    calibration_U95_db: float | None,
    *,
    drift_db: float | None,
    void: bool,
    channels: Sequence[ChainChannel],
) -> ChainPart:
    """Put the measuring chain into the document's form."""
    chain = chain_uncertainty(calibration_U95_db or 0.0, drift_db)
    return ChainPart(
        calibration_time=calibration_time,
        pascal_per_unit=pascal_per_unit,
        channels=list(channels),
        calibration_U95_db=calibration_U95_db,
        drift_db=None if drift_db is None else round(drift_db, 3),
        U95_absolute_db=round(chain.U95_absolute_db, 2),
        U95_comparative_db=round(chain.U95_comparative_db, 2),
        budget=rows_of(chain_budget(calibration_U95_db or 0.0, drift_db)),
        void=void,
    )


def close_series(
    document: MatchedSettingsDocument, after: CalibrationDocument, where: str
) -> tuple[MatchedSettingsDocument, Drift]:
    """Enter the calibration after a series into its settings.

    Parameters
    ----------
    document : MatchedSettingsDocument
        The settings of the series.
    after : CalibrationDocument
        An accepted calibration of the same microphone.
    where : str
        Where the settings stand, for an error's sentence.

    Returns
    -------
    MatchedSettingsDocument
        The settings with drift and uncertainty; void when the microphone drifted too far.
    Drift
        The drift.

    Raises
    ------
    DocumentError
        If the settings do not say what they were calibrated with, or not with that channel.
    """
    chain = document.chain
    before = {each.channel: each.pascal_per_unit for each in chain.channels}
    if chain.pascal_per_unit is None or after.pascal_per_unit is None:
        raise DocumentError(
            f"{where} does not say what it was calibrated with, so no drift can be told."
        )
    if before and after.channel not in before:
        raise DocumentError(
            f"{where} was measured with channels {', '.join(map(str, before))} and not with "
            f"channel {after.channel}; calibrate one of those again."
        )
    drift = judge_drift(before.get(after.channel, chain.pascal_per_unit), after.pascal_per_unit)
    channels = [
        each.model_copy(update={"drift_db": round(drift.drift_db, 3)})
        if each.channel == after.channel
        else each
        for each in chain.channels
    ]
    others = [each.drift_db for each in channels if each.channel != after.channel]
    known = [drift.drift_db, *(other for other in others if other is not None)]
    closed = _chain_part(
        chain.calibration_time,
        chain.pascal_per_unit,
        chain.calibration_U95_db,
        drift_db=None if None in others else max(known, key=abs),
        void=any(is_void(each) for each in known),
        channels=channels,
    )
    entered = {
        "chain": closed,
        "absolute": _absolute(document.coolers, closed),
        "differences": _differences(document.coolers, closed),
    }
    return document.model_copy(update=entered), drift


def settings_csv(document: MatchedSettingsDocument) -> str:
    """Return the same table as CSV.

    Parameters
    ----------
    document : MatchedSettingsDocument
        The document.

    Returns
    -------
    str
        One row a cooler; a bench with several fans has the first one's duty and speed here, as
        all of them are set alike. Empty where there is nothing to give.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    for cooler in document.coolers:
        row: dict[str, object] = {
            "cooler": cooler.cooler,
            "outcome": cooler.outcome,
            "bench": cooler.bench,
            "floor_LAeq_db": cooler.floor.LAeq_db,
            "floor_U95_db": cooler.floor.U95_db,
            "margin_db": cooler.margin_db,
            "settings_visited": cooler.settings_visited,
            "listened_s": cooler.listened_s,
            "bench_s": cooler.bench_s,
            "warnings": " ".join(cooler.warnings),
        }
        for role in ("fan", "pump"):
            setting = _first_of(cooler, role)
            if setting is not None:
                row[f"{role}_duty_percent"] = setting.duty_percent
                row[f"{role}_rpm"] = setting.rpm
        if cooler.level is not None:
            row |= cooler.level.model_dump(exclude={"budget", "loudness"})
            if cooler.level.loudness is not None:
                row["N_sone"] = cooler.level.loudness.N_sone
                row["N_U95_sone"] = cooler.level.loudness.U95_sone
        writer.writerow(row)
    return text.getvalue()


def _first_of(cooler: CoolerPart, role: str) -> SettingPart | None:
    """Return the setting of a role: actuators are named after it, as in ``fan`` or ``fan_2``."""
    for name, setting in sorted((cooler.settings or {}).items()):
        if name.startswith(role):
            return setting
    return None
