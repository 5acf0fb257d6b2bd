"""A folder or a zip file with many parts: written whole or not at all, each checked when read.

``about.json`` lists all parts with their size and SHA-256, so that whoever reads sees what is
missing or changed.
"""

import hashlib
import json
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any, BinaryIO, Final

from service.errors import DocumentError, StorageError
from service.storage.document_files import make_folder
from service.storage.files import replacement_of

__all__ = ["ABOUT", "BundleReader", "BundleWriter", "new_bundle", "open_bundle"]

ABOUT: Final = "about.json"
"""The part that lists the others."""
_PIECE: Final = 2**20
_UNREADABLE: Final = (
    OSError,
    KeyError,
    EOFError,
    NotImplementedError,
    zipfile.BadZipFile,
    zlib.error,
)
"""What reading a damaged file or zip file raises."""
_STORED: Final = (".flac", ".wav")
"""Endings of what does not get smaller."""


class BundleWriter:
    """A bundle that is being written; made by `new_bundle`.

    Parameters
    ----------
    create : callable
        Opens a new part by its name.
    """

    def __init__(self, create: Callable[[str], AbstractContextManager[IO[bytes]]]) -> None:
        self._create = create
        self._parts: dict[str, dict[str, Any]] = {}

    @contextmanager
    def part(self, name: str) -> Iterator["HashedFile"]:
        """Write a part.

        Parameters
        ----------
        name : str
            Its name, with slashes.

        Yields
        ------
        HashedFile
            The part, to be written to.
        """
        with self._create(name) as file:
            hashed = HashedFile(file)
            yield hashed
        self._parts[name] = {"bytes": hashed.bytes, "sha256": hashed.sha256}

    def finish(self, about: Mapping[str, Any]) -> None:
        """Write the part that lists the others, with what else is to be said."""
        with self._create(ABOUT) as file:
            whole = {**about, "parts": self._parts}
            file.write(json.dumps(whole, indent=1, ensure_ascii=False).encode() + b"\n")


class HashedFile:
    """A file whose content is counted and hashed on its way, in either direction.

    Parameters
    ----------
    file : IO
        The file.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._hash = hashlib.sha256()
        self.bytes = 0
        """How many bytes went through."""

    @property
    def sha256(self) -> str:
        """SHA-256 of what went through, in hexadecimal."""
        return self._hash.hexdigest()

    def write(self, data: bytes) -> None:
        """Write bytes."""
        self._file.write(data)
        self._count(data)

    def read(self, size: int) -> bytes:
        """Read bytes; fewer or none at the end."""
        data = self._file.read(size)
        self._count(data)
        return data

    def lines(self) -> Iterator[bytes]:
        """Read line after line."""
        for line in self._file:
            self._count(line)
            yield line

    def _count(self, data: bytes) -> None:
        self._hash.update(data)
        self.bytes += len(data)


@contextmanager
def new_bundle(place: Path) -> Iterator[BundleWriter]:
    """Write a bundle; it stands in its place only when the ``with`` block is done.

    Parameters
    ----------
    place : Path
        Where: a zip file if it ends in ``.zip``, else a folder. Nothing may stand there.

    Yields
    ------
    BundleWriter
        The bundle.

    Raises
    ------
    StorageError
        If something stands there, or it cannot be written.
    """
    if place.exists():
        raise StorageError(f"{place} is there already; choose another name.")
    make_folder(place.absolute().parent)
    if place.suffix.lower() == ".zip":
        with (
            replacement_of(place) as file,
            zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as whole,
        ):
            yield BundleWriter(lambda name: _new_member(whole, name))
        return
    beside = place.absolute().parent / f".evenhush-{secrets.token_hex(8)}.part"
    try:
        beside.mkdir()
        yield BundleWriter(lambda name: _new_file(beside, name))
        beside.rename(place)
    except OSError as error:
        raise StorageError(
            f"{place} cannot be written ({error.strerror or error}); check that its folder may be "
            "written to and has room."
        ) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _new_member(whole: zipfile.ZipFile, name: str) -> IO[bytes]:
    """Begin a part of a zip file."""
    part = zipfile.ZipInfo(name) if PurePosixPath(name).suffix in _STORED else name
    return whole.open(part, "w", force_zip64=True)


def _new_file(folder: Path, name: str) -> BinaryIO:
    """Begin a part in a folder."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    return path.open("xb")


@dataclass(frozen=True, slots=True)
class BundleReader:
    """A bundle that is being read; made by `open_bundle`."""

    place: Path
    """Where it stands."""
    about: Mapping[str, Any]
    """What its list says besides."""
    parts: Mapping[str, Mapping[str, Any]]
    """Size and SHA-256 of each part by its name."""
    open_raw: Callable[[str], IO[bytes]]
    """Opens a part by its name."""

    @contextmanager
    def part(self, name: str) -> Iterator[HashedFile]:
        """Read a part to its end.

        Parameters
        ----------
        name : str
            Its name.

        Yields
        ------
        HashedFile
            The part.

        Raises
        ------
        DocumentError
            If it is missing, or not what the list says.
        """
        listed = self.parts.get(name)
        if listed is None:
            raise DocumentError(f"{self.place} lacks {name}; export it anew.")
        try:
            with self.open_raw(name) as file:
                hashed = HashedFile(file)
                yield hashed
                while hashed.read(_PIECE):
                    pass
        except _UNREADABLE as error:
            raise DocumentError(f"{name} in {self.place} cannot be read: {error}.") from error
        if (hashed.bytes, hashed.sha256) != (listed.get("bytes"), listed.get("sha256")):
            raise DocumentError(
                f"{name} in {self.place} is not what was written there; bring back a copy, or "
                "export it anew."
            )


@contextmanager
def open_bundle(place: Path, schema: str) -> Iterator[BundleReader]:
    """Read a bundle.

    Parameters
    ----------
    place : Path
        Where it stands: a zip file or a folder.
    schema : str
        What its list must say it is.

    Yields
    ------
    BundleReader
        The bundle.

    Raises
    ------
    DocumentError
        If it is none, or not of that kind.
    """
    if place.is_dir():
        yield _reader(place, schema, lambda name: (place / name).open("rb"))
        return
    try:
        whole = zipfile.ZipFile(place)
    except (OSError, zipfile.BadZipFile) as error:
        raise DocumentError(
            f"{place} is neither a folder nor a zip file of an export ({error})."
        ) from error
    with whole:
        yield _reader(place, schema, whole.open)


def _reader(place: Path, schema: str, open_raw: Callable[[str], IO[bytes]]) -> BundleReader:
    """Read the list of a bundle."""
    try:
        with open_raw(ABOUT) as file:
            about = json.load(file)
    except (*_UNREADABLE, ValueError) as error:
        raise DocumentError(f"{place} holds no readable {ABOUT}, so it is no export.") from error
    if not isinstance(about, dict) or about.get("schema") != schema:
        raise DocumentError(f"{place} is no export of the form {schema}; see its {ABOUT}.")
    parts = about.get("parts")
    if not isinstance(parts, dict) or not all(map(_is_part, parts.items())):
        raise DocumentError(f"{ABOUT} in {place} lists no parts; export it anew.")
    return BundleReader(place, about, parts, open_raw)


def _is_part(entry: tuple[str, object]) -> bool:
    """Tell whether a name stays within the bundle and something is said of it."""
    path = PurePosixPath(entry[0])
    inside = not path.is_absolute() and ".." not in path.parts
    return inside and "\\" not in entry[0] and ":" not in entry[0] and isinstance(entry[1], dict)
