"""Files that the archive refers to: sound and trails, in the data folder beside the database."""

from pathlib import Path, PurePosixPath
from typing import Final

from service.errors import DocumentError
from service.storage.hashes import hash_of_file

__all__ = ["SOUNDS", "TRAILS", "ArchiveFiles"]

SOUNDS: Final = "sounds"
"""Folder of sound."""
TRAILS: Final = "trails"
"""Folder of trails."""


class ArchiveFiles:
    """Where the files of an archive stand.

    A file is written first and referred to afterwards, so that a crash leaves a file too many and
    never a reference to nothing.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    """

    def __init__(self, data_folder: Path) -> None:
        self.folder = data_folder
        """The data folder."""

    @property
    def sounds(self) -> Path:
        """Folder of sound."""
        return self.folder / SOUNDS

    def reference_to(self, path: Path) -> str:
        """Return how the archive refers to a file: from the data folder on, with slashes.

        Parameters
        ----------
        path : Path
            The file.

        Returns
        -------
        str
            The reference.

        Raises
        ------
        DocumentError
            If it does not stand in the data folder.
        """
        try:
            return path.resolve().relative_to(self.folder.resolve()).as_posix()
        except ValueError as error:
            raise DocumentError(
                f"{path} does not stand in the data folder {self.folder}, so the archive cannot "
                "refer to it."
            ) from error

    def path_of(self, reference: str) -> Path:
        """Return the file that a reference means.

        Parameters
        ----------
        reference : str
            The reference.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        DocumentError
            If it leads out of the data folder.
        """
        parts = PurePosixPath(reference)
        if parts.is_absolute() or ".." in parts.parts or "\\" in reference or ":" in reference:
            raise DocumentError(f"{reference!r} is no file of the archive.")
        return self.folder.joinpath(*parts.parts)

    def trail_reference(self, trail: Path | None) -> tuple[str, str] | tuple[None, None]:
        """Return how to refer to a trail, and its SHA-256.

        Parameters
        ----------
        trail : Path or None
            The trail, whole; None where there is none.

        Returns
        -------
        str or None
            The reference.
        str or None
            The SHA-256.

        Raises
        ------
        DocumentError
            If it does not stand in the data folder.
        StorageError
            If it cannot be read.
        """
        if trail is None:
            return None, None
        return self.reference_to(trail), hash_of_file(trail)
