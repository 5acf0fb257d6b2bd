"""Measurements over HTTP: asked for, led and watched."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from service.documents.jobs import CalibrateJob, FloorJob, JobRequest, MatchJob
from service.jobs.job_views import JobState, JobView
from service.web.answers import Before, Limit, ListAnswer, errors
from service.wiring.lab import Lab

__all__ = ["work_routes"]

WHO = "the page or a script"
"""Who asks, as the queue notes it."""


class Move(BaseModel):
    """Where a job is to wait."""

    model_config = ConfigDict(extra="forbid", strict=True)

    position: int = Field(ge=0, le=10_000)
    """Place among those that wait, 0 for the next."""


class MatchQueue(BaseModel):
    """Coolers to match one after the other."""

    model_config = ConfigDict(extra="forbid")

    coolers: list[Annotated[str, Field(min_length=1, max_length=200)]] = Field(
        min_length=1, max_length=200
    )
    """Their names, in the order they are to be mounted."""
    targets_db: list[Annotated[float, Field(ge=0.0, le=120.0)]] = Field(
        default_factory=list, max_length=20
    )
    """Levels to reach, dB(A); without any the configured one."""


def work_routes(lab: Lab) -> APIRouter:
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
    queue = lab.queue

    @router.get("/jobs", responses=errors(422))
    def jobs(
        state: Annotated[list[JobState] | None, Query()] = None,
        limit: Limit = 50,
        before: Before = None,
    ) -> ListAnswer[JobView]:
        """List measurements, the last asked for first."""
        page = queue.list(state, limit, before)
        return ListAnswer(items=list(page.items), next=page.next)

    @router.get("/queue")
    def show_queue() -> ListAnswer[JobView]:
        """List what is under way and what waits, in its order."""
        return ListAnswer(items=list(queue.active()))

    @router.post("/jobs", status_code=201, responses=errors(422))
    def add_job(request: JobRequest) -> JobView:
        """Ask for a measurement."""
        return queue.add(request, WHO)

    @router.post("/calibrations", status_code=201, responses=errors(422))
    def calibrate(request: CalibrateJob) -> JobView:
        """Ask for a calibration of the microphone."""
        return queue.add(request, WHO)

    @router.post("/floor-checks", status_code=201, responses=errors(422))
    def check_floor(request: FloorJob) -> JobView:
        """Ask for a check of the room floor."""
        return queue.add(request, WHO)

    @router.post("/match-queue", status_code=201, responses=errors(422))
    def queue_matches(request: MatchQueue) -> ListAnswer[JobView]:
        """Ask for matches of several coolers, one after the other."""
        asked = [
            MatchJob(cooler=cooler, targets_db=request.targets_db) for cooler in request.coolers
        ]
        return ListAnswer(items=[queue.add(job, WHO) for job in asked])

    @router.get("/jobs/{job_id}", responses=errors(404, 422))
    def job(job_id: str) -> JobView:
        """Say how a measurement is."""
        return queue.get(job_id)

    for verb, change in {
        "pause": queue.pause,
        "resume": queue.resume,
        "stop": queue.stop,
        "go-on": queue.go_on,
        "retake": queue.retake,
    }.items():
        router.add_api_route(
            f"/jobs/{{job_id}}/{verb}",
            _changing(change),
            methods=["POST"],
            response_model=JobView,
            responses=errors(404, 409, 422),
            operation_id=f"{verb}_job",
            summary=f"{verb.replace('-', ' ').capitalize()} a measurement",
        )

    @router.post("/jobs/{job_id}/move", responses=errors(404, 409, 422))
    def move(job_id: str, where: Move) -> JobView:
        """Give a measurement that waits another place."""
        return queue.move(job_id, where.position, WHO)

    return router


def _changing(change: Callable[[str, str], JobView]) -> Callable[[str], JobView]:
    """Make the function of a route that changes a job."""

    def changed(job_id: str) -> JobView:
        return change(job_id, WHO)

    return changed
