"""Analysing recordings: the files, the level log, and several at a time."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

from acoustic.short_levels import ShortLevels
from service.capture.recording import RecordingSource
from service.documents.analysis import AnalysisDocument, UncalibratedAnalysisDocument
from service.errors import SettingsError
from service.jobs.analysis import (
    AnalysisRequest,
    OpenRecording,
    SoundView,
    analyse_recording,
    check_request,
)
from service.storage.document_files import save_bytes
from service.storage.kept_files import read_kept_sound
from service.storage.level_log import LevelUnit, level_log
from service.storage.waterfall_table import save_waterfall
from service.wiring.kernels import keep_freed_memory, kernels_for
from service.wiring.processes import run_in_processes

__all__ = [
    "Beside",
    "analyse_file",
    "analyse_files",
    "opened_recording",
    "picture_form",
    "with_what_was_kept",
]

Analysis = AnalysisDocument | UncalibratedAnalysisDocument
"""Both forms of an analysis."""


@dataclass(frozen=True, slots=True)
class Beside:
    """What else is written about a recording; None for what is not wanted."""

    levels_csv: Path | None = None
    """Where the levels of every 100 ms go."""
    waterfall_csv: Path | None = None
    """Where its spectra over time go."""
    picture: Path | None = None
    """Where its picture goes, as PNG or SVG by the ending."""

    @property
    def files(self) -> list[Path]:
        """What is wanted."""
        named = (self.levels_csv, self.waterfall_csv, self.picture)
        return [path for path in named if path is not None]


_NOTHING_BESIDE: Final = Beside()


def picture_form(path: Path) -> Literal["png", "svg"]:
    """Tell the form of a picture by the ending of its name.

    Parameters
    ----------
    path : Path
        Where it goes.

    Returns
    -------
    {"png", "svg"}
        Its form.

    Raises
    ------
    SettingsError
        If the ending is another.
    """
    forms: dict[str, Literal["png", "svg"]] = {".png": "png", ".svg": "svg"}
    form = forms.get(path.suffix.lower())
    if form is None:
        raise SettingsError(f"{path} is no name for a picture; let it end in .png or .svg.")
    return form


def analyse_file(
    path: Path,
    request: AnalysisRequest,
    *,
    beside: Beside = _NOTHING_BESIDE,
    progress: Callable[[float], None] = lambda _: None,
) -> Analysis:
    """Analyse one recording.

    Parameters
    ----------
    path : Path
        The recording: WAV, RF64, FLAC, OGG or AIFF, 8 kHz to 192 kHz, of any length.
    request : AnalysisRequest
        Calibration, sound field and part.
    beside : Beside, optional
        What else is written; by default nothing.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    AnalysisDocument or UncalibratedAnalysisDocument
        What is in it.

    Raises
    ------
    EvenhushError
        If the recording cannot be used or a file cannot be written.
    """
    keep_freed_memory()
    looks = beside.picture is not None or beside.waterfall_csv is not None
    views: list[SoundView] = []
    with opened_recording(path) as recording, ExitStack() as log:
        source = recording.source
        request = with_what_was_kept(path, recording, request)
        keep = log.enter_context(_log(beside.levels_csv, request))
        document = analyse_recording(
            recording,
            request,
            kernels=kernels_for(source.frames * source.channels / source.rate_hz),
            keep=keep,
            view=views.append if looks else None,
            progress=progress,
        )
        for view in views:
            _write_view(path.name, view, request, beside)
    return document


def _write_view(name: str, view: SoundView, request: AnalysisRequest, beside: Beside) -> None:
    """Write what a recording looks like; the picture is made before anything is written."""
    drawn = None
    if beside.picture is not None:
        # The drawing library takes half a second to load.
        from service.reports.sound_picture import draw_sound  # noqa: PLC0415

        drawn = draw_sound(
            name,
            "dB" if request.calibrated else "dB re full scale",
            view.spectrum,
            view.waterfall,
            picture_form(beside.picture),
            start_s=request.start_s,
        )
    if beside.waterfall_csv is not None:
        unit = _unit(request)
        save_waterfall(beside.waterfall_csv, view.waterfall, unit, request.start_s)
    if beside.picture is not None and drawn is not None:
        save_bytes(beside.picture, drawn)


def analyse_files(
    paths: Sequence[Path],
    request: AnalysisRequest,
    *,
    progress: Callable[[float], None] = lambda _: None,
) -> list[Analysis]:
    """Analyse several recordings, on all processors at once.

    Parameters
    ----------
    paths : sequence of Path
        The recordings.
    request : AnalysisRequest
        What is asked of each.
    progress : callable, optional
        Told the share of them that is done, 0 to 1.

    Returns
    -------
    list
        One analysis for each path, in their order.

    Raises
    ------
    EvenhushError
        If one of them cannot be used.

    Notes
    -----
    The processes import the caller's main module, so a program that calls this guards what it
    does with ``if __name__ == "__main__":``.
    """
    # What can be told from headers is told before hours of work, and in the order given.
    for path in paths:
        with opened_recording(path) as recording:
            check_request(recording, with_what_was_kept(path, recording, request))
    shares = dict.fromkeys(range(len(paths)), 0.0)

    def note(number: int, share: float) -> None:
        shares[number] = share
        progress(sum(shares.values()) / len(shares))

    return run_in_processes(_analyse, [(path, request) for path in paths], note)


def _analyse(task: tuple[Path, AnalysisRequest], progress: Callable[[float], None]) -> Analysis:
    """Analyse one recording in a process of its own."""
    path, request = task
    return analyse_file(path, request, progress=progress)


@contextmanager
def opened_recording(path: Path) -> Iterator[OpenRecording]:
    """Open a recording, and close it on every way out.

    Parameters
    ----------
    path : Path
        The recording.

    Yields
    ------
    OpenRecording
        The recording, at its beginning.

    Raises
    ------
    RecordingError
        If it cannot be used.
    """
    source = RecordingSource(path)
    try:
        yield OpenRecording(str(path), source, source.format.coding)
    finally:
        source.close()


def with_what_was_kept(
    path: Path, recording: OpenRecording, request: AnalysisRequest
) -> AnalysisRequest:
    """Add to a request what stands beside the recording, if it is kept sound.

    Parameters
    ----------
    path : Path
        The recording.
    recording : OpenRecording
        The same, open.
    request : AnalysisRequest
        What is asked.

    Returns
    -------
    AnalysisRequest
        The request with what was noted when it was kept.

    Raises
    ------
    DocumentError
        If what stands beside it is damaged or of other sound.
    """
    source = recording.source
    kept = read_kept_sound(path, rate_hz=source.rate_hz, channels=source.channels)
    return replace(request, kept=kept)


def _log(
    path: Path | None, request: AnalysisRequest
) -> AbstractContextManager[Callable[[ShortLevels], None]]:
    """Open the log of levels, or something that takes them and keeps none."""
    if path is None:
        return nullcontext(lambda _: None)
    return level_log(path, _unit(request), request.start_s)


def _unit(request: AnalysisRequest) -> LevelUnit:
    """What the levels come out in."""
    return "db" if request.calibrated else "dbfs"
