"""The thread that writes kept sound: the file, its head, and the document beside it."""

import json
import time
from collections.abc import Callable
from typing import Final, Protocol

import numpy as np
import soundfile

from acoustic.signals import Samples
from service.documents.kept_sound import KeptSoundDocument
from service.errors import StorageError
from service.storage.document_files import save_text
from service.storage.growing_sound import COMMENT_BYTES, FlacFile, WavFile
from service.storage.kept_files import ReservedFiles
from service.storage.kept_notes import KeptNotes
from service.storage.waiting_sound import WaitingSound

__all__ = ["KeptWriter"]

_SECURED_EVERY_S: Final = 0.5
"""How much sound may be in the file without its head saying so."""
_SYNCED_EVERY_S: Final = 1.0
"""How much time passes before a power cut cannot take it any more."""


class DocumentFor(Protocol):
    """Puts together the document beside the sound."""

    def __call__(self, frames: int, *, finished: bool) -> KeptSoundDocument:
        """Return it for a number of frames in the file, and whether that is all."""
        ...


class KeptWriter:
    """Writes what waits, until nothing more comes.

    Parameters
    ----------
    files : ReservedFiles
        Where it goes; closed at the end.
    rate_hz, channels : int
        Sampling rate in hertz, and number of channels.
    waiting : WaitingSound
        What is to be written.
    notes : KeptNotes
        What is noted about it.
    document : DocumentFor
        Puts together the document beside it.
    warn : callable
        Told once what went wrong, with the name of the file.
    """

    def __init__(
        self,
        files: ReservedFiles,
        *,
        rate_hz: int,
        channels: int,
        waiting: WaitingSound,
        notes: KeptNotes,
        document: DocumentFor,
        warn: Callable[[str], None],
    ) -> None:
        self._files = files
        self._rate_hz = rate_hz
        self._channels = channels
        self._waiting = waiting
        self._notes = notes
        self._document = document
        self._warn = warn
        self._file: FlacFile | WavFile | None = None
        self._broken = False
        self._cut_off = False
        self._sidecar_lost = False
        self._saved = -1
        self.written = 0
        """How many frames were given to the file."""

    def run(self) -> None:
        """Write to the end."""
        try:
            self._write_all()
        except soundfile.SoundFileError as error:
            self._break(str(error).rstrip("."))
        finally:
            # Whoever hears must not wait for a writer that is gone.
            while self._waiting.take() is not None:
                pass
            self._files.file.close()

    def _write_all(self) -> None:
        self._save_sidecar(0)
        kind = FlacFile if self._files.sound.suffix == ".flac" else WavFile
        comment = _comment(self._document(0, finished=False))
        file = kind(
            self._files.file, rate_hz=self._rate_hz, channels=self._channels, comment=comment
        )
        secured, synced_s = 0, time.monotonic()
        while (stretch := self._waiting.take()) is not None:
            if self._broken:
                continue
            self._write(file, stretch)
            if self.written - secured >= _SECURED_EVERY_S * self._rate_hz:
                # The marks first: no reader finds sound whose marks are missing.
                secured = self.written
                self._save_sidecar(file.frames)
                file.secure()
                if time.monotonic() - synced_s >= _SYNCED_EVERY_S:
                    file.disk.sync()
                    synced_s = time.monotonic()
            self._look_at(file)
        frames = file.frames if self._broken else self.written
        file.finish(_comment(self._document(frames, finished=True)))
        self._look_at(file)
        self._save_sidecar(file.frames if self._broken else self.written, finished=True)

    def _write(self, file: FlacFile | WavFile, stretch: Samples | int) -> None:
        """Append a stretch, or silence for one that is missing."""
        if isinstance(stretch, int):
            while stretch:
                frames = min(stretch, self._rate_hz)
                file.write(np.zeros((frames, self._channels)))
                self.written += frames
                stretch -= frames
            return
        loudest = float(np.abs(stretch).max(initial=0.0))
        if loudest > file.loudest:
            self._note_cut_off(stretch, loudest)
        file.write(stretch)
        self.written += len(stretch)

    def _note_cut_off(self, samples: Samples, loudest: float) -> None:
        """Mark sound that the file cannot hold."""
        beyond = np.flatnonzero((np.abs(samples) > 1.0).any(axis=1))
        first = self.written + int(beyond[0])
        self._notes.mark(
            first,
            self.written + int(beyond[-1]) + 1,
            ("beyond full scale, and cut off in this file",),
        )
        if not self._cut_off:
            self._cut_off = True
            self._warn(
                f"The sound reaches {loudest:.3g} times full scale {self._notes.seconds(first):.1f}"
                f" s after it began, and {self._files.sound} holds it cut off there, marked; "
                "--keep-as wav holds it whole."
            )

    def _look_at(self, file: FlacFile | WavFile) -> None:
        """Find out whether the disk still takes what it is given."""
        failure = file.disk.failure
        if failure is not None and not self._broken:
            file.secure()
            self._break(failure.strerror or str(failure), file.frames)

    def _break(self, reason: str, frames: int = 0) -> None:
        """Stop keeping."""
        self._broken = True
        self._warn(
            f"No more sound is kept: {self._files.sound} ends after "
            f"{self._notes.seconds(frames):.1f} s ({reason}); the measurement goes on."
        )

    def _save_sidecar(self, frames: int, *, finished: bool = False) -> None:
        """Write the document beside the sound, if it says anything new."""
        changes = self._notes.changes
        if changes == self._saved and not finished:
            return
        try:
            save_text(self._files.sidecar, self._document(frames, finished=finished).to_json())
        except StorageError as error:
            if not (self._broken or self._sidecar_lost):
                self._sidecar_lost = True
                self._warn(f"What is noted about the kept sound is not up to date: {error}")
        else:
            self._saved = changes


def _comment(document: KeptSoundDocument) -> str:
    """Return a document as text for the head of the file, with as much as there is room for."""
    shorter = document.model_copy(
        update={
            "settings": [],
            "warnings": [*document.warnings, "The settings stand in the sidecar only."],
        }
    )
    for each in (document, shorter):
        text = json.dumps(each.to_plain(), separators=(",", ":"))
        if len(text) < COMMENT_BYTES:
            return text
    return ""
