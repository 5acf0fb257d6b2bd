"""Passages to listen to as WAV or FLAC of 24 bits, with a document beside them."""

import io
from pathlib import Path

import soundfile

from acoustic.signals import DigitalSignal
from service.documents.excerpt import ExcerptDocument
from service.errors import SettingsError, StorageError
from service.storage.document_files import save_bytes, save_text

__all__ = ["check_excerpt_name", "save_excerpt"]

_FORMS = {".wav": "WAV", ".flac": "FLAC"}


def check_excerpt_name(path: Path, recording: Path) -> None:
    """Find out beforehand whether a passage can have its name.

    Parameters
    ----------
    path : Path
        Where it shall stand.
    recording : Path
        The recording that it is from.

    Raises
    ------
    SettingsError
        If its ending is no form of sound, or it would stand where the recording does.
    """
    if path.suffix.lower() not in _FORMS:
        raise SettingsError(f"{path} is no name for an excerpt; let it end in .wav or .flac.")
    if path.with_suffix("").resolve() == recording.with_suffix("").resolve():
        raise SettingsError(f"{path} would stand in the place of the recording; name another file.")


def save_excerpt(path: Path, signal: DigitalSignal, document: ExcerptDocument) -> None:
    """Write a passage, and its document beside it, each whole or not at all.

    Parameters
    ----------
    path : Path
        Where it shall stand; the document takes its name with the ending ``.json``.
    signal : DigitalSignal
        Its samples.
    document : ExcerptDocument
        What it is.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    encoded = io.BytesIO()
    try:
        soundfile.write(
            encoded,
            signal.samples,
            round(signal.rate_hz),
            format=_FORMS[path.suffix.lower()],
            subtype="PCM_24",
        )
    except (soundfile.SoundFileError, ValueError) as error:
        raise StorageError(f"The excerpt {path} cannot be encoded ({error}).") from error
    save_text(path.with_suffix(".json"), document.to_json())
    save_bytes(path, encoded.getvalue())
