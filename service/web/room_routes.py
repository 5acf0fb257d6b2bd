"""Microphone and room over HTTP: calibrations, floor checks, the level log."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import AwareDatetime, BaseModel

from acoustic.errors import InputError
from service.records.levels import LevelTrend
from service.records.measured import CalibrationRecord, FloorRecord, FloorTrendPoint
from service.web.answers import Before, Entry, Limit, ListAnswer, entry, errors
from service.wiring.lab import Lab
from service.wiring.room_review import DoubtfulTime, RoomReview, doubtful_times, review_room

__all__ = ["room_routes"]


class LevelPoint(BaseModel):
    """Logged levels of a stretch of time."""

    time: datetime
    """When it begins."""
    heard: float
    """Share of it in which something valid was heard, 0 to 1."""
    LAeq_db: float | None
    """Equivalent level."""
    LA10_db: float | None
    """Level F exceeded a tenth of the time."""
    LA50_db: float | None
    """Level F exceeded half the time."""
    LA90_db: float | None
    """Level F exceeded nine tenths of the time."""
    LAFmax_db: float | None
    """Largest level F."""


class LevelLog(BaseModel):
    """The level log of a range of time."""

    interval_s: float
    """How much time a point stands for, in seconds."""
    items: list[LevelPoint]
    """The points; those without levels are left out."""


def room_routes(lab: Lab) -> APIRouter:
    """Make the routes.

    Parameters
    ----------
    lab : Lab
        The lab.

    Returns
    -------
    APIRouter
        The routes.
    """
    router = APIRouter(responses=errors(422))
    archive = lab.archive

    @router.get("/calibrations")
    def calibrations(limit: Limit = 50, before: Before = None) -> ListAnswer[CalibrationRecord]:
        """List calibrations and reference tones that were refused."""
        page = archive.calibrations.list(limit=limit, before=before)
        return ListAnswer(items=list(page.items), next=page.next)

    @router.get("/calibrations/trend")
    def calibration_trend(
        channel: Annotated[int, Query(ge=1, le=64)] = 1,
    ) -> ListAnswer[CalibrationRecord]:
        """List the accepted calibrations of this input, oldest first."""
        return ListAnswer(items=list(archive.calibrations.trend(lab.status().input.name, channel)))

    @router.get("/calibrations/doubts")
    def doubts() -> ListAnswer[DoubtfulTime]:
        """List the times whose levels stand on an overdue or drifted calibration, oldest first."""
        now = lab.status()
        return ListAnswer(
            items=doubtful_times(archive, now.input.name, now.input.used_channels, now=now.time)
        )

    @router.get("/room")
    def room(
        ahead_min: Annotated[float, Query(ge=-1440.0, le=1440.0)] = 0.0,
    ) -> RoomReview:
        """Say whether the room is fit, what hums in it, and which hours are quiet.

        `ahead_min` is how far the reader's clock is ahead of UTC.
        """
        now = lab.status()
        return review_room(
            archive,
            lab.settings,
            now.input.name,
            now=now.time,
            next_check=now.next_floor_check,
            ahead_min=ahead_min,
        )

    @router.get("/calibrations/{entry_id}", responses=errors(404, 422))
    def calibration(entry_id: str) -> Entry[CalibrationRecord]:
        """Show a calibration."""
        return Entry(**entry(archive.calibrations.get(entry_id)))

    @router.get("/floor-checks")
    def floor_checks(limit: Limit = 50, before: Before = None) -> ListAnswer[FloorRecord]:
        """List checks of the room floor."""
        page = archive.floors.list(limit=limit, before=before)
        return ListAnswer(items=list(page.items), next=page.next)

    @router.get("/floor-checks/trend")
    def floor_trend(
        since: AwareDatetime,
        until: AwareDatetime | None = None,
        points: Annotated[int, Query(ge=10, le=2000)] = 500,
    ) -> ListAnswer[FloorTrendPoint]:
        """Say how the room floor was over time."""
        first, last = _range(since, until, lab.status().time)
        return ListAnswer(items=list(archive.floors.trend(since=first, until=last, points=points)))

    @router.get("/floor-checks/{entry_id}", responses=errors(404, 422))
    def floor_check(entry_id: str) -> Entry[FloorRecord]:
        """Show a check of the room floor."""
        return Entry(**entry(archive.floors.get(entry_id)))

    @router.get("/level-log")
    def level_log(
        since: AwareDatetime,
        until: AwareDatetime | None = None,
        points: Annotated[int, Query(ge=10, le=5000)] = 1440,
    ) -> LevelLog:
        """Show logged levels of a range of time, taken together to at most so many points."""
        now = lab.status()
        first, last = _range(since, until, now.time)
        trend = archive.levels.trend(now.input.name, first, last, points=points)
        return LevelLog(interval_s=trend.interval_s, items=_points(trend))

    return router


def _range(since: datetime, until: datetime | None, now: datetime) -> tuple[datetime, datetime]:
    """Return a range of time, or say that it is none."""
    last = until or now
    if not since < last:
        raise InputError("The range of time ends before it begins; give a later `until`.")
    if since.year < 1970 or last.year > 9000:
        raise InputError("The range of time is out of any log's reach; choose a nearer one.")
    return since, last


def _points(trend: LevelTrend) -> list[LevelPoint]:
    """Return the points of a trend as they go out."""
    columns = (
        trend.start_s,
        trend.heard,
        trend.LAeq,
        trend.LA10,
        trend.LA50,
        trend.LA90,
        trend.LAFmax,
    )
    return [
        LevelPoint(
            time=datetime.fromtimestamp(start_s, UTC),
            heard=round(heard, 3),
            LAeq_db=_level(laeq),
            LA10_db=_level(la10),
            LA50_db=_level(la50),
            LA90_db=_level(la90),
            LAFmax_db=_level(lafmax),
        )
        for start_s, heard, laeq, la10, la50, la90, lafmax in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]


def _level(value: float) -> float | None:
    """Return a level to hundredths; None for silence and where there is none."""
    return round(value, 2) if abs(value) < 1e6 else None
