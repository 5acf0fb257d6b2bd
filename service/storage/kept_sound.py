"""A sound source that keeps what is heard through it, without getting in the way of hearing.

Whoever hears hands each block to a queue; a thread of its own writes it. What the disk cannot
take in time is missing in the file, where silence of the same length stands and is marked. What
it cannot take at all ends the keeping. Either is said once, and the hearing goes on.
"""

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Final

from acoustic.microphone_response import MicrophoneResponse
from acoustic.signals import Samples
from calibration.bench_state import BenchState
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.kept_sound import KeptResponse, KeptSoundDocument, factors_of
from service.ports import SoundBlock, SoundSource
from service.storage.kept_files import KeptForm, reserve_files
from service.storage.kept_notes import KeptNotes
from service.storage.kept_writer import KeptWriter
from service.storage.waiting_sound import WaitingSound

__all__ = ["KeptSound"]

_MOST_WAITING_BYTES: Final = 2**26
"""Sound that may wait for the disk: nearly three minutes of one channel at 48 kHz."""
_PATIENCE_S: Final = 0.1
"""How long hearing waits for room in the queue: less than inputs hold by themselves."""
_MOST_PATIENCE_S: Final = 5.0
"""How long it waits where sound comes faster than in real time, which a wait does not hurt."""
_CATCH_UP_S: Final = 5.0
"""How long the disk may take to catch up when a measurement ends."""
_CLOSE_S: Final = 10.0
"""How long a disk may take nothing at the end before it is given up."""


class KeptSound:
    """A sound source whose sound is kept in a file while it is heard.

    Parameters
    ----------
    source : SoundSource
        The source; closed with this one.
    folder : Path
        Where the file goes, with its sidecar; made if needed.
    form : {"flac", "wav"}
        FLAC of 24 bits, or WAV of 32-bit floating point.
    stem : str
        Name of the file without its ending.
    command : str
        Which command listens.
    cooler : str, optional
        What is mounted.
    tell : callable
        Given each warning, from any thread.
    most_waiting_bytes : int, optional
        Sound that may wait for the disk.

    Raises
    ------
    StorageError
        If the files cannot be made.
    """

    def __init__(
        self,
        source: SoundSource,
        folder: Path,
        form: KeptForm,
        *,
        stem: str,
        command: str,
        cooler: str | None = None,
        tell: Callable[[str], None],
        most_waiting_bytes: int = _MOST_WAITING_BYTES,
    ) -> None:
        self._source = source
        self._files = reserve_files(folder, stem, form, source.channels)
        self._command = command
        self._cooler = cooler
        self._tell = tell
        self._bench: str | None = None
        self._calibrations: list[CalibrationDocument] = []
        self._response: MicrophoneResponse | None = None
        self._frames = 0
        self._missing = 0
        self._begun: tuple[datetime, float] | None = None
        self._closed = False
        self._notes = KeptNotes(source.rate_hz)
        self._waiting = WaitingSound(most_waiting_bytes)
        self._writer = KeptWriter(
            self._files,
            rate_hz=source.rate_hz,
            channels=source.channels,
            waiting=self._waiting,
            notes=self._notes,
            document=self._document,
            warn=self._warn,
        )
        self._thread = threading.Thread(target=self._writer.run, name="evenhush-keep", daemon=True)

    @property
    def path(self) -> Path:
        """Where the sound goes."""
        return self._files.sound

    @property
    def name(self) -> str:
        """What the user called the source."""
        return self._source.name

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self._source.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self._source.channels

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames, and keep them.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            What the source delivers.

        Raises
        ------
        CaptureError
            If the source fails or ends; never because of the file.
        """
        now = (utc_now(), time.monotonic())
        block = self._source.read(frames)
        if self._begun is None:
            self._begun = now
            self._thread.start()
        first = self._frames
        self._frames += len(block.signal.samples)
        self._notes.mark_block(first, self._frames, block)
        self._hand_over(first, block.signal.samples, self._begun[1])
        return block

    def _hand_over(self, first: int, samples: Samples, began_s: float) -> None:
        """Give sound to the writer, or note that it is missing in the file."""
        if self._missing and self._waiting.half_empty:
            self._waiting.put_gap(self._missing)
            self._missing = 0
        if not self._missing:
            # Sound that came before its time can wait as long without being late.
            ahead_s = first / self.rate_hz - (time.monotonic() - began_s)
            if self._waiting.put(samples, min(max(_PATIENCE_S, ahead_s), _MOST_PATIENCE_S)):
                return
            self._warn(
                f"The disk does not keep up: {self.path} lacks sound from "
                f"{self._notes.seconds(first):.1f} s on, where silence stands and is marked; the "
                "measurement lacks nothing."
            )
        self._missing += len(samples)
        self._notes.mark(first, self._frames, ("not kept, as the disk did not keep up",))

    def know(
        self, calibrations: Sequence[CalibrationDocument], response: MicrophoneResponse | None
    ) -> None:
        """Take what the samples mean.

        Parameters
        ----------
        calibrations : sequence of CalibrationDocument
            Accepted calibrations, each of one channel.
        response : MicrophoneResponse or None
            Response of the microphone that is taken out of the levels.
        """
        self._response = response
        self._calibrations = list(calibrations)

    def at_bench(self, name: str) -> None:
        """Note which bench it is."""
        self._bench = name

    def set_to(self, state: BenchState) -> None:
        """Note what the bench says now."""
        self._notes.set_to(self._frames, state)

    @contextmanager
    def stretch(self, what: str) -> Iterator[None]:
        """Note what is measured within the ``with`` block."""
        self._notes.begin_stretch(self._frames, what)
        try:
            yield
        finally:
            self._notes.end_stretch(self._frames)

    def warnings(self) -> list[str]:
        """Return what is missing in the file so far, in words; waits for the disk, but not long."""
        if self._begun is not None:
            self._waiting.wait_until_done(_CATCH_UP_S)
        return self._notes.warnings

    def close(self) -> None:
        """Close the source and the file; harmless when done twice."""
        try:
            self._source.close()
        finally:
            if not self._closed:
                self._closed = True
                self._finish()

    def _finish(self) -> None:
        """Wait until everything is written."""
        if self._begun is None:
            self._files.give_up()
            return
        if self._missing:
            self._waiting.put_gap(self._missing)
        self._waiting.finish()
        written = -1
        while self._thread.is_alive() and self._writer.written != written:
            written = self._writer.written
            self._thread.join(_CLOSE_S)
        if self._thread.is_alive():
            self._warn(f"{self.path} was given up, as its disk takes nothing any more.")

    def _warn(self, text: str) -> None:
        self._notes.warn(text)
        self._tell(text)

    def _document(self, frames: int, *, finished: bool) -> KeptSoundDocument:
        """Put together what is known, for a number of frames in the file."""
        begun = utc_now() if self._begun is None else self._begun[0]
        response = self._response
        return KeptSoundDocument(
            time=begun,
            command=self._command,
            cooler=self._cooler,
            bench=self._bench,
            input=self.name,
            file=self.path.name,
            coding="PCM_24" if self.path.suffix == ".flac" else "FLOAT",
            rate_hz=self.rate_hz,
            channels=self.channels,
            duration_s=self._notes.seconds(frames),
            finished=finished,
            pascal_per_unit=factors_of(self._calibrations, self.channels),
            calibrations=list(self._calibrations),
            response=None if response is None else KeptResponse.of(response),
            **self._notes.parts(self._frames),
        )
