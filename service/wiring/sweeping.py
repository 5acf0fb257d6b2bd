"""One sweep with everything around it: the trail, the profile, table and pictures."""

from collections.abc import Callable
from pathlib import Path

from acoustic.microphone_response import MicrophoneResponse
from calibration.steps import Heard
from calibration.sweep_results import SweepRequest, SweepResult
from service.clock import utc_now
from service.documents.calibration import CalibrationDocument
from service.documents.profile import ProfileDocument
from service.documents.trail import SweepTrailHeader, result_line
from service.jobs.listening import CalibratedSound, LevelListener
from service.jobs.profile_document import profile_csv, profile_document
from service.jobs.sweeping import sweep_cooler
from service.ports import BenchConnection, SoundSource
from service.reports.drawing import FORMS
from service.reports.profile_picture import draw_profile
from service.storage.document_files import save_with_beside
from service.storage.profiles import ProfileHistory
from service.storage.trails import TrailFile

__all__ = ["keep_profile", "sweep_and_record", "write_profile"]


def sweep_and_record(
    cooler: str,
    request: SweepRequest,
    bench: BenchConnection,
    source: SoundSource,
    calibration: CalibrationDocument,
    *,
    response: MicrophoneResponse | None = None,
    trail_path: Path,
    tell: Callable[[str], None],
    heard: Callable[[Heard], None] = lambda _: None,
) -> tuple[SweepResult, ProfileDocument]:
    """Sweep one cooler and keep the trail of every step.

    Parameters
    ----------
    cooler : str
        What is mounted.
    request : SweepRequest
        What is asked.
    bench : BenchConnection
        The bench; released on every way out.
    source : SoundSource
        The input; stays open.
    calibration : CalibrationDocument
        Its calibration.
    response : MicrophoneResponse, optional
        Response of the microphone, to be taken out of the sound.
    trail_path : Path
        Where the trail goes.
    tell : callable
        Given each remark for the person at the bench.
    heard : callable, optional
        Given everything that is heard, for a live view.

    Returns
    -------
    SweepResult
        How it ended.
    ProfileDocument
        The same as a document.

    Raises
    ------
    EvenhushError
        If bench, sound or disk fail.
    """
    sound = CalibratedSound(source, calibration, response)
    description = bench.describe()
    header = SweepTrailHeader(
        time=utc_now(),
        cooler=cooler,
        request=request,
        bench=description,
        pascal_per_unit=sound.pascal_per_unit,
    )
    with TrailFile(trail_path, header) as trail:
        result = sweep_cooler(
            request, bench, LevelListener(sound), keep=trail.add, tell=tell, heard=heard
        )
        trail.add(result_line(result))
    document = profile_document(
        cooler,
        description.bench,
        request,
        result,
        source=source.name,
        calibration=calibration,
        time=utc_now(),
    )
    return result, document


def keep_profile(data_folder: Path, document: ProfileDocument) -> Path | None:
    """Keep a profile for later matches, if it is a whole one.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    document : ProfileDocument
        The profile.

    Returns
    -------
    Path or None
        Its file; None for a sweep that was stopped or told only bounds.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    if document.outcome != "complete":
        return None
    return ProfileHistory(data_folder).add(document)


def write_profile(path: Path, document: ProfileDocument, result: SweepResult) -> list[Path]:
    """Write the profile as JSON, and beside it the table and the pictures.

    Parameters
    ----------
    path : Path
        Where the JSON document shall stand; the others take its name with their own ending.
    document : ProfileDocument
        The profile.
    result : SweepResult
        The sweep, to be drawn.

    Returns
    -------
    list of Path
        The files, the document first.

    Raises
    ------
    StorageError
        If one cannot be written.
    """
    # Everything is made before anything is written, so that a failure leaves no partial set.
    beside = {".csv": profile_csv(document).encode()}
    beside |= {f".{form}": draw_profile(document.cooler, result, form) for form in FORMS}
    return save_with_beside(path, document.to_json(), beside)
