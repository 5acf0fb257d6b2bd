"""Matches of the archive over HTTP: lists, exports, pictures, trails."""

from collections.abc import Sequence
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.documents.matched_settings import MatchedSettingsDocument
from service.errors import NotKept
from service.jobs.settings_document import settings_csv
from service.records.measured import MatchRecord
from service.storage.document_files import read_document_text
from service.web.answers import Before, Entry, Limit, ListAnswer, entry, errors
from service.wiring.lab import Lab
from service.wiring.match_pictures import match_picture

__all__ = ["match_routes"]

Ids = Annotated[list[str], Query(alias="id", min_length=1, max_length=200)]
"""Ids of several matches."""


class MatchFilter(BaseModel):
    """Which matches to list."""

    model_config = ConfigDict(extra="forbid")

    cooler: Annotated[str, Field(max_length=200)] | None = None
    """Name of the cooler."""
    outcome: Annotated[str, Field(max_length=50)] | None = None
    """How they ended."""
    target_db: Annotated[float, Field(ge=0.0, le=120.0)] | None = None
    """Level that was to be reached."""
    since: AwareDatetime | None = None
    """Not ended before."""
    until: AwareDatetime | None = None
    """Ended before."""
    limit: Limit = 50
    """How many at most."""
    before: Before = None
    """The `next` of the page before."""


def match_routes(lab: Lab) -> APIRouter:
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
    matches = archive.matches

    @router.get("/matches")
    def list_matches(chosen: Annotated[MatchFilter, Query()]) -> ListAnswer[MatchRecord]:
        """List matches."""
        page = matches.list(
            cooler=chosen.cooler or None,
            outcome=chosen.outcome or None,
            target_db=chosen.target_db,
            since=chosen.since,
            until=chosen.until,
            limit=chosen.limit,
            before=chosen.before,
        )
        return ListAnswer(items=list(page.items), next=page.next)

    @router.get(
        "/matches/export",
        response_class=Response,
        responses={
            200: {"content": {"application/json": {}, "text/csv": {}}},
            **errors(404, 422),
        },
    )
    def export(ids: Ids, form: Literal["json", "csv"] = "json") -> Response:
        """Take matched settings along, for the thermal runs: one document or table for each."""
        documents = [kept.document for kept in matches.get_all(ids)]
        if form == "csv":
            return Response(_table(documents), media_type="text/csv")
        text = ",\n".join(document.to_json() for document in documents)
        return Response(f"[{text}]", media_type="application/json")

    @router.get("/matches/{entry_id}", responses=errors(404, 422))
    def show_match(entry_id: str) -> Entry[MatchRecord]:
        """Show a match."""
        return Entry(**entry(matches.get(entry_id)))

    @router.get(
        "/matches/{entry_id}/picture.svg",
        response_class=Response,
        responses={200: {"content": {"image/svg+xml": {}}}, **errors(404, 422)},
    )
    def picture(entry_id: str) -> Response:
        """Draw a match with all its settings, as its trail decides it again."""
        return Response(match_picture(archive, entry_id, "svg"), media_type="image/svg+xml")

    @router.get(
        "/matches/{entry_id}/trail",
        response_class=Response,
        responses={200: {"content": {"application/x-ndjson": {}}}, **errors(404, 422)},
    )
    def trail(entry_id: str) -> Response:
        """Take the trail of a match along: every step with its answer."""
        record = matches.get(entry_id).record
        if record.trail is None:
            raise NotKept(f"No trail of the match {entry_id} is kept.")
        text = read_document_text(archive.files.path_of(record.trail), "trail")
        return Response(text, media_type="application/x-ndjson")

    return router


def _table(documents: Sequence[MatchedSettingsDocument]) -> str:
    """Return several documents as one table, each row with its time and target."""
    lines: list[str] = []
    for document in documents:
        head, *rows = settings_csv(document).splitlines()
        target = "" if document.target.LAeq_db is None else f"{document.target.LAeq_db:g}"
        lines = lines or [f"time,target_LAeq_db,{head}"]
        lines += [f"{document.time.isoformat()},{target},{row}" for row in rows]
    return "\n".join(lines) + "\n"
