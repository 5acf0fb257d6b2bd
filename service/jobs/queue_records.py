"""Jobs on their way to and from the archive."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, get_args

from pydantic import TypeAdapter, ValidationError

from service.documents.jobs import request_from
from service.errors import DocumentError
from service.jobs.job_views import JobProgress, JobState, JobView
from service.records.lab import JobRecord

__all__ = ["record_of", "view_of"]

_PROGRESS = TypeAdapter(JobProgress)
_STATES = frozenset(get_args(JobState))


def view_of(record: JobRecord) -> JobView:
    """Read a job as the archive gives it.

    Parameters
    ----------
    record : JobRecord
        The job.

    Returns
    -------
    JobView
        The same; what it wants of a person is not kept.

    Raises
    ------
    DocumentError
        If it was made by another version that asked for something else.
    """
    try:
        request = request_from(record.request)
    except ValidationError as error:
        raise DocumentError(
            f"The job {record.id} asks for something that this version does not know."
        ) from error
    state = record.state
    if state not in _STATES:
        raise DocumentError(f"The job {record.id} is in the unknown state {state!r}.")
    return JobView(
        id=record.id,
        request=request,
        state=state,  # type: ignore[arg-type] # one of them, as was just seen
        who=record.who,
        created=record.created,
        started=record.started,
        ended=record.ended,
        position=None,
        wants=None,
        why=record.why,
        progress=_progress_of(record.progress),
        results=record.results,
    )


def _progress_of(plain: Mapping[str, Any] | None) -> JobProgress:
    """Read how far a job is; what cannot be read is not worth losing a job."""
    if plain is None:
        return JobProgress()
    try:
        return _PROGRESS.validate_python(dict(plain))
    except ValidationError:
        return JobProgress()


def record_of(view: JobView) -> JobRecord:
    """Put a job into the form that the archive keeps."""
    return JobRecord(
        id=view.id,
        kind=view.kind,
        state=view.state,
        who=view.who,
        request=view.request.model_dump(mode="json"),
        created=view.created,
        started=view.started,
        ended=view.ended,
        position=view.position,
        progress=asdict(view.progress),
        why=view.why,
        results=view.results,
    )
