"""Profiles and rechecks of coolers in the archive."""

from datetime import datetime
from pathlib import Path
from typing import ClassVar

from sqlalchemy.orm import Session

from service.documents.profile import ProfileDocument
from service.documents.recheck import RecheckDocument, RecheckPart
from service.records.measured import ProfileRecord, RecheckRecord
from service.records.paging import Page
from service.storage.archive_coolers import keep_cooler
from service.storage.archive_files import ArchiveFiles
from service.storage.archive_kind import DocumentKind, within
from service.storage.database import Database
from service.storage.document_columns import checked_plain, columns_of
from service.storage.keys import content_key
from service.storage.tables import Profile, Recheck

__all__ = ["Profiles", "Rechecks"]


class Profiles(DocumentKind[Profile, ProfileRecord, ProfileDocument]):
    """Every sweep.

    Parameters
    ----------
    database : Database
        Where they are.
    files : ArchiveFiles
        Where their trails stand.
    """

    row: ClassVar = Profile
    record: ClassVar = ProfileRecord
    content: ClassVar = ProfileDocument
    called: ClassVar = "profile"

    def __init__(self, database: Database, files: ArchiveFiles) -> None:
        super().__init__(database)
        self._files = files

    def add(
        self, document: ProfileDocument, *, trail: Path | None = None, job: str | None = None
    ) -> str:
        """Keep a profile; one that is kept already stays as it is.

        Parameters
        ----------
        document : ProfileDocument
            The profile; its cooler is taken up if it is new.
        trail : Path, optional
            The sweep's trail, whole and in the data folder.
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
            If it cannot be written, or the trail cannot be read.
        """
        plain = checked_plain(document)
        key = content_key("profile", plain)
        columns = columns_of(Profile, plain, "The profile")
        path, digest = self._files.trail_reference(trail)

        def work(session: Session) -> str:
            if session.get(Profile, key) is None:
                keep_cooler(session, columns["cooler"])
                session.add(
                    Profile(
                        id=key, trail=path, trail_sha256=digest, job=job, document=plain, **columns
                    )
                )
            return key

        return self._database.write(work).result()

    def list(
        self,
        *,
        cooler: str | None = None,
        bench: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[ProfileRecord]:
        """List profiles, newest first.

        Parameters
        ----------
        cooler, bench : str, optional
            Only those of this cooler, on this bench.
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
        conditions = within(Profile.time, since, until)
        if cooler is not None:
            conditions.append(Profile.cooler == cooler)
        if bench is not None:
            conditions.append(Profile.bench == bench)
        return self._page(conditions, limit, before)


class Rechecks(DocumentKind[Recheck, RecheckRecord, RecheckDocument]):
    """Every recheck, each a document of rechecks with one cooler."""

    row: ClassVar = Recheck
    record: ClassVar = RecheckRecord
    content: ClassVar = RecheckDocument
    called: ClassVar = "recheck"

    def add(self, part: RecheckPart, *, job: str | None = None) -> str:
        """Keep a recheck; one that is kept already stays as it is.

        Parameters
        ----------
        part : RecheckPart
            The recheck; its cooler is taken up if it is new.
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
        plain = checked_plain(RecheckDocument.model_construct(time=part.time, coolers=[part]))
        key = content_key("recheck", plain)
        columns = columns_of(Recheck, plain, "The recheck")

        def work(session: Session) -> str:
            if session.get(Recheck, key) is None:
                keep_cooler(session, columns["cooler"])
                session.add(Recheck(id=key, job=job, document=plain, **columns))
            return key

        return self._database.write(work).result()

    def list(
        self,
        *,
        cooler: str | None = None,
        holds: bool | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[RecheckRecord]:
        """List rechecks, newest first.

        Parameters
        ----------
        cooler, holds : optional
            Only those of this cooler, only those whose level holds or does not.
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
        conditions = within(Recheck.time, since, until)
        if cooler is not None:
            conditions.append(Recheck.cooler == cooler)
        if holds is not None:
            conditions.append(Recheck.holds == holds)
        return self._page(conditions, limit, before)
