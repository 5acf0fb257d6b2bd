"""Notes of series under way, one small file each in the data folder, gone when they are done."""

import hashlib
from pathlib import Path

from service.documents.series import SeriesNote
from service.errors import DocumentError
from service.storage.document_files import read_document_text, save_text

__all__ = ["SeriesNotes"]


class SeriesNotes:
    """The note of one series, found again by what the series was asked.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    asked : str
        Everything that was asked; the same text is the same series.
    """

    def __init__(self, data_folder: Path, asked: str) -> None:
        name = hashlib.sha256(asked.encode()).hexdigest()[:20]
        self._path = data_folder / "series" / f"{name}.json"

    def read(self) -> SeriesNote | None:
        """Return the note; None where there is none that can be read."""
        if not self._path.exists():
            return None
        try:
            text = read_document_text(self._path, "note of a series")
            return SeriesNote.from_json(text, str(self._path))
        except DocumentError:
            return None

    def save(self, note: SeriesNote) -> None:
        """Write the note whole.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        save_text(self._path, note.to_json())

    def remove(self) -> None:
        """Remove the note; harmless when there is none."""
        self._path.unlink(missing_ok=True)
