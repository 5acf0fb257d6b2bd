"""Coolers and what was measured of them over HTTP."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from service.clock import utc_now
from service.documents.cooler import CoolerDocument
from service.documents.jobs import MatchJob, RecheckJob, SweepJob
from service.jobs.job_views import JobView
from service.records.lab import CoolerRecord
from service.records.measured import MatchRecord, ProfileRecord, RecheckRecord
from service.web.answers import Before, Entry, Limit, ListAnswer, entry, errors
from service.web.work_routes import WHO
from service.wiring.lab import Lab

__all__ = ["cooler_routes", "cooler_work_routes"]

Ids = Annotated[list[str], Query(alias="id", min_length=1, max_length=200)]
"""Ids of several matches."""


class NewCooler(BaseModel):
    """A cooler to register."""

    model_config = ConfigDict(extra="forbid")

    cooler: str = Field(min_length=1, max_length=200)
    """Its name."""
    fans: Annotated[int, Field(ge=1, le=100)] | None = None
    """How many fans it has."""
    blades: Annotated[int, Field(ge=1, le=1000)] | None = None
    """Blades of a fan."""
    pump_poles: Annotated[int, Field(ge=1, le=1000)] | None = None
    """Poles of the pump's motor."""
    price: Annotated[float, Field(ge=0.0, le=1e9)] | None = None
    """What it costs."""
    currency: Annotated[str, Field(pattern="^[A-Z]{3}$")] | None = None
    """Currency of the price."""
    notes: str = Field(default="", max_length=4000)
    """Anything else."""


class CoolerChange(BaseModel):
    """A new description of a cooler, or that it is retired."""

    model_config = ConfigDict(extra="forbid")

    retired: bool | None = None
    """Whether it is no longer in use; null to leave that as it is."""
    notes: Annotated[str, Field(max_length=4000)] | None = None
    """New notes; null to leave them."""


class MatchOptions(MatchJob):
    """A match of the cooler in the address."""

    cooler: Literal[""] = ""
    """Not to be given."""


class History(BaseModel):
    """What was measured of a cooler, newest first, the newest fifty of each kind."""

    matches: list[MatchRecord]
    """Matches."""
    profiles: list[ProfileRecord]
    """Sweeps."""
    rechecks: list[RecheckRecord]
    """Rechecks."""


def cooler_routes(lab: Lab) -> APIRouter:
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
    coolers = archive.coolers

    @router.get("/coolers")
    def list_coolers(
        retired: bool | None = None,  # noqa: FBT001 - of a query
        limit: Limit = 50,
        before: Before = None,
    ) -> ListAnswer[CoolerRecord]:
        """List coolers."""
        page = coolers.list(retired=retired, limit=limit, before=before)
        return ListAnswer(items=list(page.items), next=page.next)

    @router.post("/coolers", status_code=201)
    def register(cooler: NewCooler) -> Entry[CoolerRecord]:
        """Register a cooler."""
        return Entry(**entry(coolers.get(coolers.add(CoolerDocument(**cooler.model_dump())))))

    @router.get("/coolers/{entry_id}", responses=errors(404, 422))
    def show_cooler(entry_id: str) -> Entry[CoolerRecord]:
        """Show a cooler."""
        return Entry(**entry(coolers.get(entry_id)))

    @router.patch("/coolers/{entry_id}", responses=errors(404, 422))
    def change_cooler(entry_id: str, change: CoolerChange) -> Entry[CoolerRecord]:
        """Change a cooler's notes, or retire it."""
        kept = coolers.get(entry_id)
        if change.notes is not None:
            coolers.describe(kept.document.model_copy(update={"notes": change.notes}))
        if change.retired is not None:
            coolers.retire(entry_id, utc_now() if change.retired else None)
        return Entry(**entry(coolers.get(entry_id)))

    @router.get("/coolers/{entry_id}/history", responses=errors(404, 422))
    def history(entry_id: str) -> History:
        """Show what was measured of a cooler."""
        name = coolers.get(entry_id).record.name
        return History(
            matches=list(archive.matches.list(cooler=name).items),
            profiles=list(archive.profiles.list(cooler=name).items),
            rechecks=list(archive.rechecks.list(cooler=name).items),
        )

    @router.get("/profiles/{entry_id}", responses=errors(404, 422))
    def profile(entry_id: str) -> Entry[ProfileRecord]:
        """Show a sweep."""
        return Entry(**entry(archive.profiles.get(entry_id)))

    return router


def cooler_work_routes(lab: Lab) -> APIRouter:
    """Make the routes by which a cooler is measured.

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
    coolers = lab.archive.coolers

    @router.post("/coolers/{entry_id}/match", status_code=201, responses=errors(404, 422))
    def match(entry_id: str, options: MatchOptions) -> JobView:
        """Ask for a match of a cooler."""
        name = coolers.get(entry_id).record.name
        return lab.queue.add(MatchJob(**(options.model_dump() | {"cooler": name})), WHO)

    @router.post("/coolers/{entry_id}/sweep", status_code=201, responses=errors(404, 422))
    def sweep(entry_id: str) -> JobView:
        """Ask for a sweep of a cooler; all its options are taken by `POST jobs`."""
        return lab.queue.add(SweepJob(cooler=coolers.get(entry_id).record.name), WHO)

    @router.post("/coolers/{entry_id}/recheck", status_code=201, responses=errors(404, 422))
    def recheck(entry_id: str) -> JobView:
        """Ask for a recheck of a cooler's newest match."""
        return lab.queue.add(RecheckJob(cooler=coolers.get(entry_id).record.name), WHO)

    return router
