"""Analysing recordings: the files, the level log, and several at a time."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

from acoustic.short_levels import ShortLevels
from service.capture.recording import RecordingSource
from service.documents.analysis import AnalysisDocument, UncalibratedAnalysisDocument
from service.jobs.analysis import (
    AnalysisRequest,
    OpenRecording,
    analyse_recording,
    check_request,
)
from service.storage.level_log import level_log
from service.wiring.kernels import keep_freed_memory, kernels_for
from service.wiring.processes import run_in_processes

__all__ = ["analyse_file", "analyse_files"]

Analysis = AnalysisDocument | UncalibratedAnalysisDocument
"""Both forms of an analysis."""


def analyse_file(
    path: Path,
    request: AnalysisRequest,
    *,
    log_path: Path | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> Analysis:
    """Analyse one recording.

    Parameters
    ----------
    path : Path
        The recording: WAV, RF64, FLAC, OGG or AIFF, 8 kHz to 192 kHz, of any length.
    request : AnalysisRequest
        Calibration, sound field and part.
    log_path : Path, optional
        Where the levels of every 100 ms go as CSV; nowhere by default.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    AnalysisDocument or UncalibratedAnalysisDocument
        What is in it.

    Raises
    ------
    EvenhushError
        If the recording cannot be used or the log cannot be written; then nothing is.
    """
    keep_freed_memory()
    with _opened(path) as recording, _log(log_path, request) as keep:
        source = recording.source
        return analyse_recording(
            recording,
            request,
            kernels=kernels_for(source.frames * source.channels / source.rate_hz),
            keep=keep,
            progress=progress,
        )


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
        with _opened(path) as recording:
            check_request(recording, request)
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
def _opened(path: Path) -> Iterator[OpenRecording]:
    """Open a recording, and close it on every way out."""
    source = RecordingSource(path)
    try:
        yield OpenRecording(str(path), source, source.format.coding)
    finally:
        source.close()


def _log(
    path: Path | None, request: AnalysisRequest
) -> AbstractContextManager[Callable[[ShortLevels], None]]:
    """Open the log of levels, or something that takes them and keeps none."""
    if path is None:
        return nullcontext(lambda _: None)
    return level_log(path, "db" if request.calibrated else "dbfs", request.start_s)
