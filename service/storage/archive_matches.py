"""Matches in the archive."""

from datetime import datetime
from pathlib import Path
from typing import ClassVar

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.matched_settings import CoolerPart, MatchedSettingsDocument
from service.errors import DocumentError, NotKept
from service.records.measured import MatchRecord
from service.records.paging import Kept, Page
from service.storage.archive_calibrations import keep_calibration
from service.storage.archive_coolers import keep_cooler
from service.storage.archive_files import ArchiveFiles
from service.storage.archive_kind import DocumentKind, within
from service.storage.database import Database
from service.storage.document_columns import checked_plain, columns_of
from service.storage.keys import content_key
from service.storage.tables import Match

__all__ = ["Matches"]


class Matches(DocumentKind[Match, MatchRecord, MatchedSettingsDocument]):
    """Every match, each a document of matched settings with one cooler.

    Parameters
    ----------
    database : Database
        Where they are.
    files : ArchiveFiles
        Where their trails stand.
    """

    row: ClassVar = Match
    record: ClassVar = MatchRecord
    content: ClassVar = MatchedSettingsDocument
    called: ClassVar = "match"

    def __init__(self, database: Database, files: ArchiveFiles) -> None:
        super().__init__(database)
        self._files = files

    def add(
        self,
        document: MatchedSettingsDocument,
        *,
        source: str,
        calibration: CalibrationDocument | None = None,
        trail: Path | None = None,
        job: str | None = None,
    ) -> str:
        """Keep a match; one that is kept already stays as it is.

        The cooler is taken up if it is new, and so is the calibration.

        Parameters
        ----------
        document : MatchedSettingsDocument
            The match, as matched settings of one cooler.
        source : str
            Which input it was heard through.
        calibration : CalibrationDocument, optional
            The calibration it was measured with.
        trail : Path, optional
            Its trail, whole and in the data folder.
        job : str, optional
            Job that made it.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        DocumentError
            If the document does not keep to its schema, or is of several coolers.
        StorageError
            If it cannot be written, or the trail cannot be read.
        """
        plain = checked_plain(document)
        key = content_key("match", plain)
        columns = columns_of(Match, plain, "The match")
        path, digest = self._files.trail_reference(trail)

        def work(session: Session) -> str:
            if session.get(Match, key) is not None:
                return key
            keep_cooler(session, columns["cooler"])
            measured_with = None
            if calibration is not None:
                measured_with = keep_calibration(session, calibration)
            session.add(
                Match(
                    id=key,
                    changed=utc_now(),
                    input=source,
                    calibration=measured_with,
                    trail=path,
                    trail_sha256=digest,
                    job=job,
                    document=plain,
                    **columns,
                )
            )
            return key

        return self._database.write(work).result()

    def list(
        self,
        *,
        cooler: str | None = None,
        outcome: str | None = None,
        target_db: float | None = None,
        target_sone: float | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[MatchRecord]:
        """List matches, newest first.

        Parameters
        ----------
        cooler, outcome, target_db, target_sone : optional
            Only those of this cooler, that ended so, that were to reach this.
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
        conditions = within(Match.time, since, until)
        for column, wanted in (
            (Match.cooler, cooler),
            (Match.outcome, outcome),
            (Match.target_db, target_db),
            (Match.target_sone, target_sone),
        ):
            if wanted is not None:
                conditions.append(column == wanted)
        return self._page(conditions, limit, before)

    def same_as(
        self, part: CoolerPart, calibration_time: datetime | None
    ) -> tuple[Kept[MatchRecord, MatchedSettingsDocument], ...]:
        """Find the matches that an entry of matched settings came from.

        Parameters
        ----------
        part : CoolerPart
            The entry.
        calibration_time : datetime or None
            When its microphone was calibrated.

        Returns
        -------
        tuple of Kept
            The matches: one, unless a match that was refused was asked again.

        Raises
        ------
        StorageError
            If the database fails.
        """
        query = (
            select(Match)
            .where(Match.cooler == part.cooler, Match.bench == part.bench)
            .where(Match.outcome == part.outcome)
            .options(undefer(Match.document))
        )
        if part.level is not None:
            query = query.where(Match.LAeq_db == part.level.LAeq_db)
        with self._database.reading() as session:
            found = [self._kept(session, row) for row in session.scalars(query)]
        return tuple(
            kept
            for kept in found
            if kept.document.coolers[0] == part
            and kept.document.chain.calibration_time == calibration_time
        )

    def close_chain(self, entry_id: str, document: MatchedSettingsDocument) -> None:
        """Enter into a match what is known of its measuring chain since.

        Parameters
        ----------
        entry_id : str
            Its id.
        document : MatchedSettingsDocument
            Its document with another chain, such as with the drift; the rest as it was.

        Raises
        ------
        NotKept
            If there is no such match.
        DocumentError
            If the document does not keep to its schema, or is of another match.
        StorageError
            If it cannot be written.
        """
        plain = checked_plain(document)
        columns = columns_of(Match, plain, "The match")

        def work(session: Session) -> None:
            row = session.get(Match, entry_id)
            if row is None:
                raise NotKept(f"There is no match {entry_id!r} in the archive.")
            if any(row.document[name] != plain[name] for name in ("coolers", "target", "time")):
                raise DocumentError(
                    f"The match {entry_id} is another one than its new document says."
                )
            row.document = plain
            row.drift_db, row.void = columns["drift_db"], columns["void"]
            row.changed = utc_now()

        self._database.write(work).result()
