"""What every kind of entry in the archive has in common: getting one, and lists page by page."""

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any, ClassVar, Final, Generic, TypeVar

from sqlalchemy import ColumnElement, Select, literal, select, tuple_
from sqlalchemy.orm import InstrumentedAttribute, Session, undefer

from acoustic.errors import InputError
from service.documents.base import Document
from service.errors import NotKept
from service.records.paging import Kept, Page
from service.storage.column_types import milliseconds_since_1970, time_from_milliseconds
from service.storage.database import Database
from service.storage.tables import Base

__all__ = ["DocumentKind", "page_of", "record_of", "within"]

Row = TypeVar("Row", bound=Base)
Record = TypeVar("Record")
Content = TypeVar("Content", bound=Document)

_MOST: Final = 10_000
"""Entries of a page."""


class DocumentKind(Generic[Row, Record, Content]):
    """Entries of one kind, each with a document.

    Parameters
    ----------
    database : Database
        Where they are.
    """

    row: ClassVar[type[Any]]
    """Their table."""
    record: ClassVar[type[Any]]
    """What a list gives of each."""
    content: ClassVar[type[Any]]
    """What their document is."""
    called: ClassVar[str]
    """What one is called in a sentence."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def get(self, entry_id: str) -> Kept[Record, Content]:
        """Return one entry with its document.

        Parameters
        ----------
        entry_id : str
            Its id.

        Returns
        -------
        Kept
            The entry.

        Raises
        ------
        NotKept
            If there is none.
        DocumentError
            If its document is damaged.
        StorageError
            If the database fails.
        """
        return self.get_all([entry_id])[0]

    def get_all(self, ids: Sequence[str]) -> list[Kept[Record, Content]]:
        """Return several entries with their documents, in the order asked.

        Parameters
        ----------
        ids : sequence of str
            Their ids.

        Returns
        -------
        list of Kept
            The entries.

        Raises
        ------
        NotKept
            If one is not there.
        DocumentError
            If a document is damaged.
        StorageError
            If the database fails.
        """
        with self._database.reading() as session:
            query = select(self.row).where(self.row.id.in_(ids)).options(undefer(self.row.document))
            found = {row.id: row for row in session.scalars(query)}
            return [self._kept(session, self._one_of(found, each)) for each in ids]

    def _one_of(self, found: dict[str, Any], entry_id: str) -> Any:
        if entry_id not in found:
            raise NotKept(f"There is no {self.called} {entry_id!r} in the archive.")
        return found[entry_id]

    def _kept(self, session: Session, row: Any) -> Kept[Record, Content]:
        """Put an entry and its document together."""
        where = f"The {self.called} {row.id} in {self._database.name}"
        document: Content = self.content.from_json(json.dumps(row.document), where)
        return Kept(self._record(session, row), document, row.document)

    def _record(self, session: Session, row: Any) -> Record:  # noqa: ARG002 - some look further
        """Return the searched columns of an entry."""
        record: Record = record_of(self.record, row)
        return record

    def _page(
        self, conditions: Sequence[ColumnElement[bool]], limit: int, before: str | None
    ) -> Page[Record]:
        """Return a part of the list, newest first."""
        query = select(self.row).where(*conditions)
        with self._database.reading() as session:
            rows, following = page_of(
                session, query, time=self.row.time, key=self.row.id, limit=limit, before=before
            )
            return Page(tuple(self._record(session, row) for row in rows), following)


def record_of(kind: type[Record], row: Any) -> Record:
    """Return the columns of a row as a record that names them alike."""
    return kind(**{field.name: getattr(row, field.name) for field in fields(kind)})  # type: ignore[arg-type]


def within(
    column: InstrumentedAttribute[datetime], since: datetime | None, until: datetime | None
) -> list[ColumnElement[bool]]:
    """Return the conditions that a time is not before one and before another."""
    conditions = []
    if since is not None:
        conditions.append(column >= since)
    if until is not None:
        conditions.append(column < until)
    return conditions


def page_of(
    session: Session,
    query: Select[Any],
    *,
    time: InstrumentedAttribute[datetime],
    key: InstrumentedAttribute[str],
    limit: int,
    before: str | None,
) -> tuple[list[Any], str | None]:
    """Return a part of what a query finds, newest first.

    A part begins after the last entry of the part before, whatever was added in between.

    Parameters
    ----------
    session : Session
        The database.
    query : Select
        What is to be found.
    time, key : InstrumentedAttribute
        Columns with the time and, among entries of the same time, the order.
    limit : int
        How many at most.
    before : str or None
        What the part before gave as `next`; None for the first part.

    Returns
    -------
    list
        What was found.
    str or None
        Where the following part begins; None where there is none.

    Raises
    ------
    InputError
        If `limit` or `before` is none.
    """
    if not 1 <= limit <= _MOST:
        raise InputError(f"A page holds 1 to {_MOST} entries, not {limit}.")
    if before is not None:
        moment, last_key = _place_of(before)
        place = tuple_(literal(moment, time.type), literal(last_key, key.type))
        query = query.where(tuple_(time, key) < place)
    found = list(session.scalars(query.order_by(time.desc(), key.desc()).limit(limit + 1)))
    if len(found) <= limit:
        return found, None
    last = found[limit - 1]
    return found[:limit], _cursor(getattr(last, time.key), getattr(last, key.key))


def _cursor(time: datetime, key: str) -> str:
    """Return a place in a list as one word."""
    text = f"{milliseconds_since_1970(time)} {key}"
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _place_of(cursor: str) -> tuple[datetime, str]:
    """Return the place that a word stands for."""
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
        milliseconds, _, key = text.partition(" ")
        if key.isalnum():
            return time_from_milliseconds(int(milliseconds)), key
    except (binascii.Error, ValueError, OverflowError):
        pass
    raise InputError(
        f"{cursor[:80]!r} is no place in a list; take what the part before gives as next."
    )
