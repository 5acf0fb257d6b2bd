"""The files of kept sound: names that nothing else has, and finding what stands beside them."""

import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import soundfile

from service.documents.kept_sound import KeptSoundDocument
from service.errors import DocumentError, StorageError
from service.storage.document_files import make_folder

__all__ = ["KeptForm", "ReservedFiles", "read_kept_sound", "reserve_files"]

KeptForm = Literal["flac", "wav"]
"""FLAC of 24 bits, or WAV of 32-bit floating point."""
_MOST_CHANNELS: Final = 8
"""As many as FLAC holds."""
_SCHEMA: Final = KeptSoundDocument.model_fields["schema_name"].default
_SIDECAR: Final = ".json"


@dataclass(frozen=True, slots=True)
class ReservedFiles:
    """Two new files of one name, empty."""

    sound: Path
    """Where the sound goes; its ending tells its form."""
    sidecar: Path
    """Where the document beside it goes."""
    file: io.RawIOBase
    """The first of them, open and without a buffer."""

    def give_up(self) -> None:
        """Remove both."""
        self.file.close()
        self.sound.unlink(missing_ok=True)
        self.sidecar.unlink(missing_ok=True)


def reserve_files(folder: Path, stem: str, form: KeptForm, channels: int) -> ReservedFiles:
    """Make the files for sound that is about to be heard; what is there already is left alone.

    Parameters
    ----------
    folder : Path
        Their folder; made if needed.
    stem : str
        Their name; where it is taken, a number follows it.
    form : {"flac", "wav"}
        What holds the sound.
    channels : int
        Number of channels.

    Returns
    -------
    ReservedFiles
        The files.

    Raises
    ------
    StorageError
        If they cannot be made, or the form cannot hold so many channels.
    """
    if form == "flac" and channels > _MOST_CHANNELS:
        raise StorageError(
            f"FLAC holds {_MOST_CHANNELS} channels, not {channels}; keep the sound as WAV with "
            "--keep-as wav."
        )
    make_folder(folder)
    number = 1
    while True:
        name = stem if number == 1 else f"{stem}-{number}"
        sidecar, sound = folder / (name + _SIDECAR), folder / f"{name}.{form}"
        number += 1
        try:
            sidecar.touch(exist_ok=False)
            with _removed_on_failure(sidecar):
                return ReservedFiles(sound, sidecar, sound.open("xb", buffering=0))
        except FileExistsError:
            continue
        except OSError as error:
            raise StorageError(
                f"No sound can be kept in {folder} ({error.strerror or error}); check that it may "
                "be written to and has room, or leave --keep out."
            ) from error


@contextmanager
def _removed_on_failure(path: Path) -> Iterator[None]:
    """Leave no file behind whose partner could not be made."""
    try:
        yield
    except OSError:
        path.unlink()
        raise


def read_kept_sound(path: Path, *, rate_hz: int, channels: int) -> KeptSoundDocument | None:
    """Find what is known about a recording, if it is kept sound.

    Parameters
    ----------
    path : Path
        The recording. The document stands beside it, under its name with the ending ``.json``; a
        FLAC file that has lost it holds the same inside.
    rate_hz, channels : int
        Sampling rate in hertz and number of channels of the recording.

    Returns
    -------
    KeptSoundDocument or None
        The document; None for any other recording.

    Raises
    ------
    DocumentError
        If there is one, but damaged or of other sound.
    """
    beside = path.with_suffix(_SIDECAR)
    document = _document(_text_of(beside), str(beside), path)
    if document is None and path.suffix.lower() == ".flac":
        with soundfile.SoundFile(path) as file:
            document = _document(file.comment, f"The text in {path}", path)
    if document is None:
        return None
    if (document.rate_hz, document.channels) != (rate_hz, channels):
        raise DocumentError(
            f"{beside} is about {document.channels} channel(s) at {document.rate_hz} Hz, but "
            f"{path} has {channels} at {rate_hz} Hz; move one of them away."
        )
    return document


def _text_of(path: Path) -> str:
    """Read a text; nothing where there is none."""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""


def _document(text: str, where: str, path: Path) -> KeptSoundDocument | None:
    """Read a document about a recording; None where it is another one."""
    try:
        plain = json.loads(text)
    except ValueError:
        return None
    if not isinstance(plain, dict) or plain.get("schema") != _SCHEMA:
        return None
    document = KeptSoundDocument.from_json(text, where)
    same_form = Path(document.file).suffix.lower() == path.suffix.lower()
    return document if same_form else None
