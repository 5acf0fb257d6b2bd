"""Checks of the room floor in the archive, and how the floor develops."""

from datetime import datetime
from typing import ClassVar

from sqlalchemy import BigInteger, func, select, type_coerce
from sqlalchemy.orm import Session

from acoustic.errors import InputError
from service.documents.floor import FloorDocument
from service.records.measured import FloorRecord, FloorTrendPoint
from service.records.paging import Page
from service.storage.archive_kind import DocumentKind, within
from service.storage.column_types import time_from_milliseconds
from service.storage.document_columns import checked_plain, columns_of
from service.storage.keys import content_key
from service.storage.tables import FloorCheck

__all__ = ["Floors"]


class Floors(DocumentKind[FloorCheck, FloorRecord, FloorDocument]):
    """Every check of the room floor."""

    row: ClassVar = FloorCheck
    record: ClassVar = FloorRecord
    content: ClassVar = FloorDocument
    called: ClassVar = "floor check"

    def add(
        self, document: FloorDocument, *, scheduled: bool = False, job: str | None = None
    ) -> str:
        """Keep a check of the floor; one that is kept already stays as it is.

        Parameters
        ----------
        document : FloorDocument
            The check.
        scheduled : bool, optional
            Whether nobody asked for it.
        job : str, optional
            Job that made it.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        DocumentError
            If the document does not keep to its schema.
        StorageError
            If it cannot be written.
        """
        plain = checked_plain(document)
        key = content_key("floor check", plain)

        def work(session: Session) -> str:
            if session.get(FloorCheck, key) is None:
                columns = columns_of(FloorCheck, plain, "The floor check")
                session.add(
                    FloorCheck(id=key, scheduled=scheduled, job=job, document=plain, **columns)
                )
            return key

        return self._database.write(work).result()

    def list(
        self,
        *,
        source: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[FloorRecord]:
        """List checks of the floor, newest first.

        Parameters
        ----------
        source : str, optional
            Only those heard through this input.
        since, until : datetime, optional
            From when on, and before when.
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
        conditions = within(FloorCheck.time, since, until)
        if source is not None:
            conditions.append(FloorCheck.input == source)
        return self._page(conditions, limit, before)

    def trend(
        self,
        *,
        since: datetime,
        until: datetime,
        source: str | None = None,
        points: int = 500,
    ) -> tuple[FloorTrendPoint, ...]:
        """Return how the floor developed, oldest first.

        Parameters
        ----------
        since, until : datetime
            From when on, and before when.
        source : str, optional
            Only what was heard through this input.
        points : int, optional
            How many points at most, each over an equal part of that time.

        Returns
        -------
        tuple of FloorTrendPoint
            The points; parts without a check are left out.

        Raises
        ------
        InputError
            If there is no such time, or no point is asked for.
        StorageError
            If the database fails.
        """
        if points < 1 or since >= until:
            raise InputError("A trend needs a time that ends after it begins, and a point.")
        time = type_coerce(FloorCheck.time, BigInteger)
        span_ms = max(1, int((until - since).total_seconds() * 1000))
        start_ms = type_coerce(since, FloorCheck.time.type)
        part = ((time - type_coerce(start_ms, BigInteger)) * points) // span_ms
        query = (
            select(
                func.avg(time),
                func.count(),
                func.avg(FloorCheck.LAeq_db),
                func.min(FloorCheck.LAeq_db),
                func.max(FloorCheck.LAeq_db),
                func.avg(FloorCheck.LA90_db),
                func.max(FloorCheck.fit_for_target_db),
            )
            .where(*within(FloorCheck.time, since, until))
            .group_by(part)
            .order_by(func.min(time))
        )
        if source is not None:
            query = query.where(FloorCheck.input == source)
        with self._database.reading() as session:
            return tuple(
                FloorTrendPoint(time_from_milliseconds(int(mean_ms)), *levels)
                for mean_ms, *levels in session.execute(query)
            )
