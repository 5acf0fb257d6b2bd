"""Jobs and events in the archive."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.clock import utc_now
from service.errors import NotKept
from service.records.lab import EventRecord, JobRecord, JobResult
from service.records.paging import Page
from service.storage.archive_kind import page_of, record_of, within
from service.storage.database import Database
from service.storage.keys import random_key
from service.storage.tables import Event, Job

__all__ = ["Events", "Jobs"]


class Jobs:
    """Every measurement that was asked for.

    Parameters
    ----------
    database : Database
        Where they are.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(
        self,
        *,
        kind: str,
        request: Mapping[str, Any],
        who: str,
        state: str = "queued",
        created: datetime | None = None,
    ) -> JobRecord:
        """Take up a job, behind all that wait.

        Parameters
        ----------
        kind : str
            What is to be done.
        request : mapping
            What is asked, as JSON types.
        who : str
            Who asks.
        state : str, optional
            Where it stands.
        created : datetime, optional
            When it was asked; by default now.

        Returns
        -------
        JobRecord
            The job.

        Raises
        ------
        StorageError
            If it cannot be written.
        """

        def work(session: Session) -> JobRecord:
            now = created or utc_now()
            last = session.scalar(select(func.max(Job.position)))
            row = Job(
                id=random_key(),
                kind=kind,
                state=state,
                who=who,
                request=dict(request),
                created=now,
                changed=now,
                position=0 if last is None else last + 1,
                results=[],
            )
            session.add(row)
            session.flush()
            session.refresh(row)
            return _job(row)

        return self._database.write(work).result()

    def save(self, job: JobRecord) -> None:
        """Write down how a job stands.

        Parameters
        ----------
        job : JobRecord
            The job; its place in the queue is left as it is, unless it has none any more.

        Raises
        ------
        NotKept
            If there is no such job.
        StorageError
            If it cannot be written.
        """
        columns = {field.name: getattr(job, field.name) for field in fields(JobRecord)}
        columns |= {"results": [asdict(result) for result in job.results]}
        columns |= {"request": dict(job.request)}
        columns |= {"progress": None if job.progress is None else dict(job.progress)}

        def work(session: Session) -> None:
            row = _known(session, job.id)
            if job.position is not None:
                columns["position"] = row.position
            for name, value in columns.items():
                setattr(row, name, value)
            row.changed = utc_now()

        self._database.write(work).result()

    def order(self, ids: Sequence[str]) -> None:
        """Put the queue in order, all of it at once.

        Parameters
        ----------
        ids : sequence of str
            The jobs that wait, next first; every other job has no place any more.

        Raises
        ------
        NotKept
            If one is not there.
        StorageError
            If it cannot be written.
        """

        def work(session: Session) -> None:
            now = utc_now()
            for row in session.scalars(select(Job).where(Job.position.is_not(None))):
                if row.id not in ids:
                    row.position, row.changed = None, now
            for place, entry_id in enumerate(ids):
                row = _known(session, entry_id)
                if row.position != place:
                    row.position, row.changed = place, now

        self._database.write(work).result()

    def get(self, entry_id: str) -> JobRecord:
        """Return a job.

        Parameters
        ----------
        entry_id : str
            Its id.

        Returns
        -------
        JobRecord
            The job.

        Raises
        ------
        NotKept
            If there is none.
        StorageError
            If the database fails.
        """
        with self._database.reading() as session:
            return _job(_known(session, entry_id))

    def waiting(self) -> tuple[JobRecord, ...]:
        """Return the jobs with a place in the queue, next first.

        Returns
        -------
        tuple of JobRecord
            The jobs.

        Raises
        ------
        StorageError
            If the database fails.
        """
        query = select(Job).where(Job.position.is_not(None)).order_by(Job.position, Job.created)
        with self._database.reading() as session:
            return tuple(_job(row) for row in session.scalars(query))

    def list(
        self,
        *,
        states: Collection[str] | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[JobRecord]:
        """List jobs, newest first.

        Parameters
        ----------
        states : collection of str, optional
            Only those in one of these states.
        since, until : datetime, optional
            Asked from when on, and before when.
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
        query = select(Job).where(*within(Job.created, since, until))
        if states is not None:
            query = query.where(Job.state.in_(states))
        with self._database.reading() as session:
            rows, following = page_of(
                session, query, time=Job.created, key=Job.id, limit=limit, before=before
            )
            return Page(tuple(_job(row) for row in rows), following)


def _known(session: Session, key: str) -> Job:
    """Return a job that must be there."""
    row = session.get(Job, key)
    if row is None:
        raise NotKept(f"There is no job {key!r} in the archive.")
    return row


def _job(row: Job) -> JobRecord:
    """Return the columns of a job as a record."""
    columns = {field.name: getattr(row, field.name) for field in fields(JobRecord)}
    columns["results"] = tuple(JobResult(**result) for result in row.results)
    return JobRecord(**columns)


class Events:
    """Everything that happened and is worth knowing.

    Parameters
    ----------
    database : Database
        Where they are.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, *, kind: str, who: str, what: str, time: datetime | None = None) -> str:
        """Keep an event.

        Parameters
        ----------
        kind : str
            What sort of thing, such as ``calibration-overdue``.
        who : str
            Who or what did or found it.
        what : str
            What happened, in one sentence.
        time : datetime, optional
            When; by default now.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        key = random_key()
        moment = time or utc_now()

        def work(session: Session) -> str:
            session.add(Event(id=key, time=moment, kind=kind, who=who, what=what))
            return key

        return self._database.write(work).result()

    def list(
        self,
        *,
        kind: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[EventRecord]:
        """List events, newest first.

        Parameters
        ----------
        kind : str, optional
            Only those of this sort.
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
        query = select(Event).where(*within(Event.time, since, until))
        if kind is not None:
            query = query.where(Event.kind == kind)
        with self._database.reading() as session:
            rows, following = page_of(
                session, query, time=Event.time, key=Event.id, limit=limit, before=before
            )
            return Page(tuple(record_of(EventRecord, row) for row in rows), following)
