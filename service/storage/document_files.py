"""Documents and pictures as files: read with a clear word, written whole."""

from collections.abc import Mapping
from pathlib import Path

from service.errors import DocumentError, StorageError
from service.storage.files import write_atomically

__all__ = ["make_folder", "read_document_text", "save_bytes", "save_text", "save_with_beside"]


def read_document_text(path: Path, what: str) -> str:
    """Read a document's text.

    Parameters
    ----------
    path : Path
        Its file.
    what : str
        What it is, for the error's sentence.

    Returns
    -------
    str
        The text.

    Raises
    ------
    DocumentError
        If it cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise DocumentError(f"There is no {what} {path}; check the name.") from error
    except (OSError, UnicodeDecodeError) as error:
        raise DocumentError(f"The {what} {path} cannot be read: {error}.") from error


def save_text(path: Path, text: str) -> None:
    """Write a text file whole, making its folder if needed.

    Parameters
    ----------
    path : Path
        Where it shall stand.
    text : str
        Its content.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    save_bytes(path, text.encode())


def save_bytes(path: Path, data: bytes) -> None:
    """Write a file whole, making its folder if needed.

    Parameters
    ----------
    path : Path
        Where it shall stand.
    data : bytes
        Its content.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    make_folder(path.parent)
    write_atomically(path, data)


def save_with_beside(path: Path, text: str, beside: Mapping[str, bytes]) -> list[Path]:
    """Write a document, and what belongs to it beside it.

    Parameters
    ----------
    path : Path
        Where the document shall stand.
    text : str
        Its content.
    beside : mapping of str to bytes
        Content of each other file, by what follows the document's name without its ending.

    Returns
    -------
    list of Path
        The files, the document first.

    Raises
    ------
    StorageError
        If one cannot be written.
    """
    save_text(path, text)
    written = [path]
    for ending, data in beside.items():
        written.append(path.with_name(path.stem + ending))
        save_bytes(written[-1], data)
    return written


def make_folder(path: Path) -> None:
    """Make a folder, and those above it, unless it is there.

    Parameters
    ----------
    path : Path
        The folder.

    Raises
    ------
    StorageError
        If it cannot be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"The folder {path} cannot be made ({error.strerror or error}); choose another."
        ) from error
