"""Options that commands on recordings share: calibration, response, and which part."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from service.jobs.analysis import AnalysisRequest

__all__ = [
    "CalibrationBeside",
    "FromSeconds",
    "PascalPerUnit",
    "RecordingFiles",
    "ToSeconds",
    "recording_request",
]

RecordingFiles = Annotated[
    list[Path],
    typer.Argument(metavar="FILE", help="WAV, RF64, FLAC, OGG or AIFF.", show_default=False),
]
CalibrationBeside = Annotated[
    Path | None,
    typer.Option(
        "--calibration",
        metavar="FILE",
        help="Calibration of what it was recorded with [default: the one kept beside it; "
        "without any, levels are dB re full scale].",
        show_default=False,
    ),
]
PascalPerUnit = Annotated[
    float | None,
    typer.Option(
        "--pascal-per-unit",
        help="Instead of a calibration, sound pressure in Pa of a sample of value 1.0.",
        show_default=False,
    ),
]
FromSeconds = Annotated[float, typer.Option("--from", metavar="SECONDS", help="Where to begin.")]
ToSeconds = Annotated[
    float | None,
    typer.Option(
        "--to", metavar="SECONDS", help="Where to end [default: the end].", show_default=False
    ),
]


def recording_request(
    *,
    calibration: Path | None,
    pascal_per_unit: float | None,
    response: Path | None,
    start_s: float = 0.0,
    end_s: float | None = None,
    field: str = "free",
) -> "AnalysisRequest":
    """Put together what is asked of every recording.

    Parameters
    ----------
    calibration, pascal_per_unit, response, start_s, end_s
        What the options of these names say.
    field : str, optional
        Sound field that a loudness assumes.

    Returns
    -------
    AnalysisRequest
        What is asked.

    Raises
    ------
    SettingsError
        If options contradict one another.
    DocumentError
        If a calibration or a response cannot be read.
    """
    from service.documents.calibration import CalibrationDocument
    from service.errors import SettingsError
    from service.jobs.analysis import AnalysisRequest
    from service.storage.document_files import read_document_text
    from service.storage.response_tables import read_response

    if calibration is not None and pascal_per_unit is not None:
        raise SettingsError("Give either --calibration or --pascal-per-unit, not both.")
    if field not in ("free", "diffuse"):
        raise SettingsError(f"--field is 'free' or 'diffuse', not {field!r}.")
    document = None
    if calibration is not None:
        text = read_document_text(calibration, "calibration")
        document = CalibrationDocument.from_json(text, str(calibration))
    at_hz = 1000.0 if document is None else document.reference_frequency_hz or 1000.0
    return AnalysisRequest(
        calibration=document,
        response=None if response is None else read_response(response, calibrated_at_hz=at_hz),
        pascal_per_unit=pascal_per_unit,
        field="free" if field == "free" else "diffuse",
        start_s=start_s,
        end_s=end_s,
    )
