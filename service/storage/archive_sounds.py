"""Sound in the archive: the files stand beside the database, and it knows what they hold."""

from datetime import datetime
from pathlib import Path
from typing import ClassVar

from sqlalchemy.orm import Session

from service.documents.kept_sound import KeptSoundDocument
from service.errors import NotKept
from service.records.measured import SoundRecord
from service.records.paging import Page
from service.storage.archive_files import ArchiveFiles
from service.storage.archive_kind import DocumentKind, within
from service.storage.database import Database
from service.storage.document_columns import checked_plain, columns_of
from service.storage.hashes import hash_of_file
from service.storage.keys import content_key
from service.storage.tables import Sound

__all__ = ["Sounds"]


class Sounds(DocumentKind[Sound, SoundRecord, KeptSoundDocument]):
    """Every file with the sound of a measurement.

    Parameters
    ----------
    database : Database
        Where they are listed.
    files : ArchiveFiles
        Where they stand.
    """

    row: ClassVar = Sound
    record: ClassVar = SoundRecord
    content: ClassVar = KeptSoundDocument
    called: ClassVar = "sound"

    def __init__(self, database: Database, files: ArchiveFiles) -> None:
        super().__init__(database)
        self._files = files

    @property
    def folder(self) -> Path:
        """Where sound is to be written before it is added."""
        return self._files.sounds

    def add(self, path: Path, document: KeptSoundDocument, *, job: str | None = None) -> str:
        """Refer to a file with sound, which is written whole; one that is kept stays as it is.

        Parameters
        ----------
        path : Path
            The file, in `folder`.
        document : KeptSoundDocument
            What it holds.
        job : str, optional
            Job that made it.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        DocumentError
            If the document does not keep to its schema, or the file does not stand there.
        StorageError
            If the file cannot be read, or the reference not be written.
        """
        plain = checked_plain(document)
        reference = self._files.reference_to(path)
        digest = hash_of_file(path)
        size = path.stat().st_size
        key = content_key("sound", {"document": plain, "sha256": digest})

        def work(session: Session) -> str:
            if session.get(Sound, key) is None:
                session.add(
                    Sound(
                        id=key,
                        path=reference,
                        bytes=size,
                        sha256=digest,
                        job=job,
                        document=plain,
                        **columns_of(Sound, plain, "The sound"),
                    )
                )
            return key

        return self._database.write(work).result()

    def path_of(self, entry_id: str) -> Path:
        """Return where a sound stands.

        Parameters
        ----------
        entry_id : str
            Its id.

        Returns
        -------
        Path
            Its file, which may be missing.

        Raises
        ------
        NotKept
            If there is no such sound.
        DocumentError
            If its document is damaged.
        StorageError
            If the database fails.
        """
        return self._files.path_of(self.get(entry_id).record.path)

    def forget(self, entry_id: str) -> None:
        """Refer to a sound no more; its file, if there is one, stays.

        Parameters
        ----------
        entry_id : str
            Its id.

        Raises
        ------
        NotKept
            If there is no such sound.
        StorageError
            If it cannot be written.
        """

        def work(session: Session) -> None:
            row = session.get(Sound, entry_id)
            if row is None:
                raise NotKept(f"There is no sound {entry_id!r} in the archive.")
            session.delete(row)

        self._database.write(work).result()

    def list(
        self,
        *,
        cooler: str | None = None,
        job: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[SoundRecord]:
        """List sound, newest first.

        Parameters
        ----------
        cooler, job : str, optional
            Only that of this cooler, of this job.
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
        conditions = within(Sound.time, since, until)
        if cooler is not None:
            conditions.append(Sound.cooler == cooler)
        if job is not None:
            conditions.append(Sound.job == job)
        return self._page(conditions, limit, before)
