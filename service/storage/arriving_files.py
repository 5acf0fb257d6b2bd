"""Files that come with an import: they stand in their places only when all is well."""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Final

from service.documents.kept_sound import KeptSoundDocument
from service.errors import StorageError
from service.storage.archive_files import SOUNDS, TRAILS, ArchiveFiles
from service.storage.bundle import BundleReader
from service.storage.document_files import make_folder
from service.storage.hashes import hash_of_file

__all__ = ["ArrivingFiles"]

_PIECE: Final = 2**20


class ArrivingFiles:
    """Files of a bundle on their way into the data folder.

    Parameters
    ----------
    files : ArchiveFiles
        Where they go.
    bundle : BundleReader
        Where they come from.
    """

    def __init__(self, files: ArchiveFiles, bundle: BundleReader) -> None:
        self._files = files
        self._bundle = bundle
        self._waiting: dict[Path, Path] = {}
        self._placed: list[Path] = []

    def take(self, reference: str) -> str:
        """Bring a file beside its place.

        Parameters
        ----------
        reference : str
            How the bundle refers to it.

        Returns
        -------
        str
            How the archive is to refer to it: in the same way, unless another file stands there.

        Raises
        ------
        DocumentError
            If the reference is none, or the file is not what was written.
        StorageError
            If it cannot be written.
        """
        self._check(reference)
        listed = self._bundle.parts.get(reference)
        if listed is None:
            return reference  # it was missing when the export was made
        path = self._files.path_of(reference)
        number = 1
        while self._is_taken(path) and hash_of_file(self._waiting.get(path, path)) != listed.get(
            "sha256"
        ):
            number += 1
            path = self._files.path_of(_numbered(reference, number))
        if not self._is_taken(path):
            self._copy(reference, path)
        return self._files.reference_to(path)

    def describe(self, reference: str, document: KeptSoundDocument) -> None:
        """Write beside a sound what it holds, unless something stands there.

        Parameters
        ----------
        reference : str
            How the archive refers to it.
        document : KeptSoundDocument
            What it holds.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        sidecar = self._files.path_of(reference).with_suffix(".json")
        if not self._is_taken(sidecar):
            with _writing(sidecar):
                self._beside(sidecar).write_bytes(document.to_json().encode())

    def place(self) -> None:
        """Give all of them their names.

        Raises
        ------
        StorageError
            If one cannot be.
        """
        for path, beside in self._waiting.items():
            with _writing(path):
                beside.rename(path)
            self._placed.append(path)

    def take_back(self) -> None:
        """Remove everything that came; what was there before stays."""
        for path in (*self._waiting.values(), *self._placed):
            path.unlink(missing_ok=True)

    def _check(self, reference: str) -> None:
        """Refuse a file that does not belong among sound and trails."""
        self._files.path_of(reference)
        parts = PurePosixPath(reference).parts
        if len(parts) < 2 or parts[0] not in (SOUNDS, TRAILS):
            raise StorageError(f"{reference!r} would stand neither in {SOUNDS} nor in {TRAILS}.")

    def _is_taken(self, path: Path) -> bool:
        return path in self._waiting or path.exists()

    def _beside(self, path: Path) -> Path:
        """Return where a file waits for its name."""
        make_folder(path.parent)
        beside = path.parent / f".evenhush-{secrets.token_hex(8)}.part"
        self._waiting[path] = beside
        return beside

    def _copy(self, reference: str, path: Path) -> None:
        """Copy a part of the bundle."""
        beside = self._beside(path)
        with _writing(path), beside.open("xb") as file, self._bundle.part(reference) as part:
            while data := part.read(_PIECE):
                file.write(data)
            file.flush()
            os.fsync(file.fileno())


def _numbered(reference: str, number: int) -> str:
    """Return a reference like another."""
    path = PurePosixPath(reference)
    stem, dot, ending = path.name.partition(".")
    return str(path.with_name(f"{stem}-{number}{dot}{ending}"))


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    """Say in a sentence what cannot be written."""
    try:
        yield
    except OSError as error:
        raise StorageError(
            f"{path} cannot be written ({error.strerror or error}); check that its folder may be "
            "written to and has room."
        ) from error
