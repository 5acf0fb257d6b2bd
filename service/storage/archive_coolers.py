"""The coolers of the lab."""

from dataclasses import fields
from datetime import datetime
from typing import Any, ClassVar

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from acoustic.errors import InputError
from service.clock import utc_now
from service.documents.cooler import CoolerDocument
from service.errors import NotKept
from service.records.lab import CoolerRecord
from service.records.paging import Page
from service.storage.archive_kind import DocumentKind, page_of
from service.storage.document_columns import checked_plain
from service.storage.keys import content_key
from service.storage.tables import Cooler, Match

__all__ = ["Coolers", "keep_cooler"]

_COUNTED = {"matches", "last_match"}
"""What stands in no column of a cooler."""


class Coolers(DocumentKind[Cooler, CoolerRecord, CoolerDocument]):
    """Every cooler that was ever described or measured.

    A cooler's name is never changed, as every document calls it so; its id is made from the name
    and is the same in every archive.
    """

    row: ClassVar = Cooler
    record: ClassVar = CoolerRecord
    content: ClassVar = CoolerDocument
    called: ClassVar = "cooler"

    def add(self, document: CoolerDocument) -> str:
        """Take up a cooler.

        Parameters
        ----------
        document : CoolerDocument
            Its description.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        InputError
            If there is one of that name.
        DocumentError
            If the document does not keep to its schema.
        StorageError
            If it cannot be written.
        """
        plain = checked_plain(document)
        key = content_key("cooler", document.cooler)

        def work(session: Session) -> str:
            if session.get(Cooler, key) is not None:
                raise InputError(
                    f"There is a cooler {document.cooler!r} already; change its description, or "
                    "give this one another name."
                )
            now = utc_now()
            session.add(
                Cooler(id=key, name=document.cooler, created=now, changed=now, document=plain)
            )
            return key

        return self._database.write(work).result()

    def describe(self, document: CoolerDocument) -> None:
        """Give a cooler another description.

        Parameters
        ----------
        document : CoolerDocument
            Its description, under the name it has.

        Raises
        ------
        NotKept
            If there is no cooler of that name.
        DocumentError
            If the document does not keep to its schema.
        StorageError
            If it cannot be written.
        """
        plain = checked_plain(document)

        def work(session: Session) -> None:
            row = _known(session, content_key("cooler", document.cooler), document.cooler)
            row.document = plain
            row.changed = utc_now()

        self._database.write(work).result()

    def retire(self, entry_id: str, since: datetime | None) -> None:
        """Say that a cooler is no longer in use, or that it is again.

        Parameters
        ----------
        entry_id : str
            Its id.
        since : datetime or None
            Since when; None where it is in use.

        Raises
        ------
        NotKept
            If there is no such cooler.
        StorageError
            If it cannot be written.
        """

        def work(session: Session) -> None:
            row = _known(session, entry_id, entry_id)
            row.retired = since
            row.changed = utc_now()

        self._database.write(work).result()

    def id_of(self, name: str) -> str:
        """Return the id that a cooler of a name has, whether it is there or not."""
        return content_key("cooler", name)

    def list(
        self, *, retired: bool | None = None, limit: int = 50, before: str | None = None
    ) -> Page[CoolerRecord]:
        """List coolers, newest first.

        Parameters
        ----------
        retired : bool, optional
            Only those that are no longer in use, or only those that are.
        limit : int, optional
            How many at most.
        before : str, optional
            What the part before gave as `next`.

        Returns
        -------
        Page
            A part of the list.

        Raises
        ------
        InputError
            If `limit` or `before` is none.
        StorageError
            If the database fails.
        """
        query = select(Cooler)
        if retired is not None:
            query = query.where(
                Cooler.retired.is_not(None) if retired else Cooler.retired.is_(None)
            )
        with self._database.reading() as session:
            rows, following = page_of(
                session, query, time=Cooler.created, key=Cooler.id, limit=limit, before=before
            )
            counted = _matches_of(session, [row.name for row in rows])
            return Page(tuple(_record(row, counted) for row in rows), following)

    def _record(self, session: Session, row: Any) -> CoolerRecord:
        return _record(row, _matches_of(session, [row.name]))


def keep_cooler(session: Session, name: str) -> None:
    """Take up a cooler within a transaction unless it is there.

    Parameters
    ----------
    session : Session
        The transaction.
    name : str
        Its name.

    Raises
    ------
    DocumentError
        If the name is none.
    """
    key = content_key("cooler", name)
    if session.get(Cooler, key) is None:
        plain = checked_plain(CoolerDocument.model_construct(cooler=name))
        now = utc_now()
        session.add(Cooler(id=key, name=name, created=now, changed=now, document=plain))
        session.flush()


def _known(session: Session, key: str, called: str) -> Cooler:
    """Return a cooler that must be there."""
    row = session.get(Cooler, key)
    if row is None:
        raise NotKept(f"There is no cooler {called!r} in the archive.")
    return row


def _matches_of(session: Session, names: list[str]) -> dict[str, tuple[int, datetime]]:
    """Count the matches of coolers and find when the newest ended."""
    query = (
        select(Match.cooler, func.count(), func.max(Match.time))
        .where(Match.cooler.in_(names))
        .group_by(Match.cooler)
    )
    return {name: (count, last) for name, count, last in session.execute(query)}


def _record(row: Cooler, counted: dict[str, tuple[int, datetime]]) -> CoolerRecord:
    """Put the columns of a cooler and what was counted together."""
    matches, last_match = counted.get(row.name, (0, None))
    columns = {
        field.name: getattr(row, field.name)
        for field in fields(CoolerRecord)
        if field.name not in _COUNTED
    }
    return CoolerRecord(matches=matches, last_match=last_match, **columns)
