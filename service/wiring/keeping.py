"""Keeping the sound of a measurement, where it is asked for."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from acoustic.microphone_response import MicrophoneResponse
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.errors import StorageError
from service.jobs.noted_bench import NotedBench
from service.ports import BenchConnection, SoundSource
from service.storage.kept_files import KeptForm
from service.storage.kept_sound import KeptSound
from service.storage.names import file_stem
from service.storage.trails import trail_stamp

__all__ = ["KeepRequest", "Keeping", "keep_sound"]


@dataclass(frozen=True, slots=True)
class KeepRequest:
    """Where the sound of a measurement is to be kept."""

    folder: Path
    """Folder of the files."""
    form: KeptForm
    """FLAC of 24 bits, or WAV of 32-bit floating point."""
    command: str
    """Which command listens."""


class Keeping:
    """An input whose sound is kept, or not.

    Parameters
    ----------
    source : SoundSource
        The input.
    kept : KeptSound, optional
        The same input through which its sound is kept; without it nothing is.
    why_not : str, optional
        Why it is not kept although it should be.
    """

    def __init__(
        self, source: SoundSource, kept: KeptSound | None = None, why_not: str | None = None
    ) -> None:
        self.source: SoundSource = source if kept is None else kept
        """What is to be listened to."""
        self._kept = kept
        self._why_not = [] if why_not is None else [why_not]

    @property
    def file(self) -> Path | None:
        """Where the sound is kept; None where it is not."""
        return None if self._kept is None else self._kept.path

    def know(
        self,
        calibrations: Sequence[CalibrationDocument],
        response: MicrophoneResponse | None = None,
    ) -> None:
        """Note what the samples mean.

        Parameters
        ----------
        calibrations : sequence of CalibrationDocument
            Accepted calibrations, each of one channel.
        response : MicrophoneResponse, optional
            Response of the microphone that is taken out of the levels.
        """
        if self._kept is not None:
            self._kept.know(calibrations, response)

    @contextmanager
    def measuring(self, what: str) -> Iterator[None]:
        """Note what is measured within the ``with`` block."""
        if self._kept is None:
            yield
        else:
            with self._kept.stretch(what):
                yield

    def beside(self, bench: BenchConnection) -> BenchConnection:
        """Return the bench, its settings noted beside the sound."""
        if self._kept is None:
            return bench
        self._kept.at_bench(bench.describe().bench)
        return NotedBench(bench, self._kept.set_to)

    def warnings(self) -> list[str]:
        """Return what is missing in the kept sound so far, in words."""
        return list(self._why_not) if self._kept is None else self._kept.warnings()


@contextmanager
def keep_sound(
    source: SoundSource,
    request: KeepRequest | None,
    *,
    cooler: str | None = None,
    insist: bool = True,
    tell: Callable[[str], None],
) -> Iterator[Keeping]:
    """Keep everything that is heard through an input, if that is asked for.

    Parameters
    ----------
    source : SoundSource
        The input; where its sound is kept, closed at the end of the ``with`` block.
    request : KeepRequest or None
        Where to; None keeps nothing.
    cooler : str, optional
        What is mounted.
    insist : bool, optional
        Whether files that cannot be made are an error, or only said.
    tell : callable
        Given a remark about each file, and each warning, from any thread.

    Yields
    ------
    Keeping
        The input, to be used instead.

    Raises
    ------
    StorageError
        If the files cannot be made.
    """
    if request is None:
        yield Keeping(source)
        return
    stem = f"{trail_stamp(utc_now())}-{request.command}"
    if cooler is not None:
        stem += f"-{file_stem(cooler)}"
    try:
        kept = KeptSound(
            source,
            request.folder,
            request.form,
            stem=stem,
            command=request.command,
            cooler=cooler,
            tell=tell,
        )
    except StorageError as error:
        if insist:
            raise
        tell(str(error))
        yield Keeping(source, why_not=str(error))
        return
    try:
        yield Keeping(source, kept)
    finally:
        kept.close()
        if kept.path.exists():
            tell(f"sound kept: {kept.path}")
