"""How the lab is, and what happened, over HTTP."""

from fastapi import APIRouter

from service.records.lab import EventRecord
from service.web.answers import Before, Limit, ListAnswer, errors
from service.wiring.lab import Lab
from service.wiring.lab_status import LabStatus

__all__ = ["status_routes"]


def status_routes(lab: Lab) -> APIRouter:
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
    router = APIRouter(responses=errors())

    @router.get("/status")
    def status() -> LabStatus:
        """Say how everything is now."""
        return lab.status()

    @router.post("/live/reset", status_code=204)
    def reset_live() -> None:
        """Begin the running mean of the live level anew."""
        lab.reset_live()

    @router.get("/events", responses=errors(422))
    def events(limit: Limit = 50, before: Before = None) -> ListAnswer[EventRecord]:
        """List what happened."""
        page = lab.archive.events.list(limit=limit, before=before)
        return ListAnswer(items=list(page.items), next=page.next)

    return router
