"""From the result of a sweep to the profile document and its tables."""

import csv
import io
from datetime import datetime
from typing import Final

from calibration.chain import chain_uncertainty
from calibration.sweep_results import GlideLevels, SweepPoint, SweepRequest, SweepResult
from service.documents.calibration import CalibrationDocument
from service.documents.learned import LearnedPart
from service.documents.matched_settings import FloorPart
from service.documents.profile import (
    ExponentPart,
    GlidePart,
    PointPart,
    ProfileDocument,
    ResonancePart,
)

__all__ = ["profile_csv", "profile_document"]

_K95: Final = 1.96
_COLUMNS: Final = (
    "kind",
    "fan_duty_percent",
    "speed",
    "pump_duty_percent",
    "LAeq_db",
    "U95_db",
    "upper_bound",
    "as_read_db",
    "usable",
)


def profile_document(
    cooler: str,
    bench: str,
    request: SweepRequest,
    result: SweepResult,
    *,
    source: str,
    calibration: CalibrationDocument,
    time: datetime,
) -> ProfileDocument:
    """Put the result of a sweep into the document's form.

    Parameters
    ----------
    cooler, bench : str
        What was mounted where.
    request : SweepRequest
        What was asked.
    result : SweepResult
        How it ended.
    source : str
        The input.
    calibration : CalibrationDocument
        Its calibration.
    time : datetime
        When it ended.

    Returns
    -------
    ProfileDocument
        The document.
    """
    pump_is_separate = request.pump != "follows"

    def part(point: SweepPoint | None) -> PointPart | None:
        return None if point is None else _point(point, pump_is_separate=pump_is_separate)

    exponent = result.exponent_db
    return ProfileDocument(
        time=time,
        cooler=cooler,
        bench=bench,
        input=source,
        calibration_time=calibration.time,
        U95_absolute_db=_absolute_db(calibration),
        outcome=result.outcome,
        why=result.why,
        pump=request.pump,
        floor=FloorPart(
            LAeq_db=round(result.floor.mean_db, 3), U95_db=round(_K95 * result.floor.sd_db, 3)
        ),
        highest=part(result.highest),
        lowest=part(result.lowest),
        exponent=None
        if exponent is None
        else ExponentPart(
            db_per_decade=round(exponent.mean_db, 2),
            U95_db_per_decade=round(_K95 * exponent.sd_db, 2),
        ),
        resonances=[
            ResonancePart(
                centre=round(one.centre, 1),
                height_db=round(one.height_db, 2),
                U95_db=round(_K95 * one.height_sd_db, 2),
                low=round(one.low, 1),
                high=round(one.high, 1),
            )
            for one in result.resonances
        ],
        stall_duty_percent=_rounded(result.stall_percent),
        restart_duty_percent=_rounded(result.restart_percent),
        points=[_point(point, pump_is_separate=pump_is_separate) for point in result.points],
        glide=_glide(result.glide),
        learned=LearnedPart.of(result.learned),
        listened_s=result.listened_s,
        bench_s=result.bench_s,
        warnings=list(result.warnings),
    )


def _rounded(percent: float | None) -> float | None:
    return None if percent is None else round(percent, 2)


def _absolute_db(calibration: CalibrationDocument) -> float:
    """What the microphone adds to each level."""
    return round(chain_uncertainty(calibration.U95_db or 0.0, None).U95_absolute_db, 3)


def _point(point: SweepPoint, *, pump_is_separate: bool) -> PointPart:
    """One settled setting."""
    pump = point.pump_percent if pump_is_separate and point.pump_percent else None
    return PointPart(
        fan_duty_percent=point.fan_percent,
        fan_rpm=None if point.rpm is None else round(point.rpm, 1),
        pump_duty_percent=pump,
        LAeq_db=round(point.level.mean_db, 3),
        U95_db=None if point.upper_bound else round(_K95 * point.level.sd_db, 3),
        upper_bound=point.upper_bound,
        as_read_db=round(point.reading.mean_db, 3),
        listened_s=point.listened_s,
        rejected_s=point.rejected_s,
    )


def _glide(glide: GlideLevels) -> GlidePart:
    """What was heard between the settings."""
    return GlidePart(
        speed=[round(speed, 1) for speed in glide.speed.tolist()],
        as_read_db=[round(level, 2) for level in glide.level_db.tolist()],
        usable=[bool(good) for good in glide.usable.tolist()],
        delay_s=round(glide.delay_s, 2),
    )


def profile_csv(document: ProfileDocument) -> str:
    """Return the points and the glide as one table.

    Parameters
    ----------
    document : ProfileDocument
        The profile.

    Returns
    -------
    str
        CSV text, a row a settled setting and then a row each half second of the glides; `speed` is
        in rpm, or the duty in per cent where no tachometer tells.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    for point in document.points:
        writer.writerow(
            {
                "kind": "setting",
                "fan_duty_percent": point.fan_duty_percent,
                "speed": point.fan_duty_percent if point.fan_rpm is None else point.fan_rpm,
                "pump_duty_percent": point.pump_duty_percent,
                "LAeq_db": point.LAeq_db,
                "U95_db": point.U95_db,
                "upper_bound": point.upper_bound,
                "as_read_db": point.as_read_db,
                "usable": True,
            }
        )
    glide = document.glide
    for speed, read, usable in zip(glide.speed, glide.as_read_db, glide.usable, strict=True):
        writer.writerow({"kind": "glide", "speed": speed, "as_read_db": read, "usable": usable})
    return text.getvalue()
