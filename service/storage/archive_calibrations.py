"""Calibrations in the archive, with what each says about the one before."""

from datetime import datetime
from typing import ClassVar, Final

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from calibration.drift import judge_drift
from service.documents.calibration import CalibrationDocument
from service.records.measured import CalibrationRecord
from service.records.paging import Kept, Page
from service.storage.archive_kind import DocumentKind, record_of, within
from service.storage.document_columns import checked_plain, columns_of
from service.storage.keys import content_key
from service.storage.tables import Calibration

__all__ = ["Calibrations", "keep_calibration", "note_drifts"]

_WORDS: Final = ("reasons", "remarks")


class Calibrations(DocumentKind[Calibration, CalibrationRecord, CalibrationDocument]):
    """Every calibration."""

    row: ClassVar = Calibration
    record: ClassVar = CalibrationRecord
    content: ClassVar = CalibrationDocument
    called: ClassVar = "calibration"

    def add(
        self,
        document: CalibrationDocument,
        *,
        next_due: datetime | None = None,
        job: str | None = None,
    ) -> str:
        """Keep a calibration, or a refused tone; one that is kept already stays as it is.

        Parameters
        ----------
        document : CalibrationDocument
            The calibration; of several channels that of each is kept by itself.
        next_due : datetime, optional
            When the next one is due.
        job : str, optional
            Job that made it.

        Returns
        -------
        str
            Its id; of several channels that of the one whose fields are the document's own.

        Raises
        ------
        DocumentError
            If the document does not keep to its schema.
        StorageError
            If it cannot be written.
        """

        def work(session: Session) -> str:
            return keep_calibration(session, document, next_due=next_due, job=job)

        return self._database.write(work).result()

    def list(
        self,
        *,
        source: str | None = None,
        channel: int | None = None,
        accepted: bool | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[CalibrationRecord]:
        """List calibrations, newest first.

        Parameters
        ----------
        source, channel, accepted : optional
            Only these.
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
        conditions = within(Calibration.time, since, until)
        if source is not None:
            conditions.append(Calibration.input == source)
        if channel is not None:
            conditions.append(Calibration.channel == channel)
        if accepted is not None:
            conditions.append(Calibration.accepted == accepted)
        return self._page(conditions, limit, before)

    def latest(
        self,
        source: str,
        channel: int = 1,
    ) -> Kept[CalibrationRecord, CalibrationDocument] | None:
        """Return the newest accepted calibration of an input, or None.

        Parameters
        ----------
        source : str
            The input as it was given.
        channel : int, optional
            The channel, counted from 1.

        Returns
        -------
        Kept or None
            The calibration.

        Raises
        ------
        DocumentError
            If its document is damaged.
        StorageError
            If the database fails.
        """
        query = (
            select(Calibration)
            .where(Calibration.input == source, Calibration.channel == channel)
            .where(Calibration.accepted)
            .order_by(Calibration.time.desc(), Calibration.id.desc())
            .limit(1)
            .options(undefer(Calibration.document))
        )
        with self._database.reading() as session:
            row = session.scalar(query)
            return None if row is None else self._kept(session, row)

    def trend(
        self,
        source: str,
        channel: int = 1,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> tuple[CalibrationRecord, ...]:
        """Return every accepted calibration of an input, oldest first.

        Parameters
        ----------
        source : str
            The input as it was given.
        channel : int, optional
            The channel, counted from 1.
        since, until : datetime, optional
            From when on, and before when.

        Returns
        -------
        tuple of CalibrationRecord
            The calibrations.

        Raises
        ------
        StorageError
            If the database fails.
        """
        query = (
            select(Calibration)
            .where(Calibration.input == source, Calibration.channel == channel)
            .where(Calibration.accepted, *within(Calibration.time, since, until))
            .order_by(Calibration.time, Calibration.id)
        )
        with self._database.reading() as session:
            return tuple(record_of(CalibrationRecord, row) for row in session.scalars(query))


def keep_calibration(
    session: Session,
    document: CalibrationDocument,
    *,
    next_due: datetime | None = None,
    job: str | None = None,
) -> str:
    """Keep a calibration within a transaction; of several channels that of each by itself.

    Parameters
    ----------
    session : Session
        The transaction.
    document : CalibrationDocument
        The calibration.
    next_due : datetime, optional
        When the next one is due.
    job : str, optional
        Job that made it.

    Returns
    -------
    str
        Its id; of several channels that of the one whose fields are the document's own.

    Raises
    ------
    DocumentError
        If the document does not keep to its schema.
    """
    channels = document.by_channel() or {document.channel: document}
    keys = {
        channel: _keep_channel(session, each, next_due=next_due, job=job)
        for channel, each in channels.items()
    }
    return keys[document.channel]


def _keep_channel(
    session: Session, document: CalibrationDocument, *, next_due: datetime | None, job: str | None
) -> str:
    """Keep the calibration of one channel."""
    plain = checked_plain(document)
    # What was joined with others has lost its words.
    key = content_key("calibration", {k: v for k, v in plain.items() if k not in _WORDS})
    if session.get(Calibration, key) is None:
        columns = columns_of(Calibration, plain, "The calibration")
        session.add(
            Calibration(
                id=key, drift_db=None, next_due=next_due, job=job, document=plain, **columns
            )
        )
        session.flush()
        note_drifts(session, columns["input"], columns["channel"])
    return key


def note_drifts(session: Session, source: str, channel: int) -> None:
    """Note at every accepted calibration of a channel what it says about the one before.

    They may come in any order, as an import brings older ones.

    Parameters
    ----------
    session : Session
        The transaction.
    source : str
        The input as it was given.
    channel : int
        The channel, counted from 1.
    """
    query = (
        select(Calibration)
        .where(Calibration.input == source, Calibration.channel == channel, Calibration.accepted)
        .order_by(Calibration.time, Calibration.id)
    )
    before: float | None = None
    for row in session.scalars(query):
        now = row.pascal_per_unit
        if now is None:
            continue
        row.drift_db = None if before is None else judge_drift(before, now).drift_db
        before = now
