"""``evenhush analyse``: levels, one-third octaves, tones and loudness of recordings."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import AsJson, ResponseFile
from service.cli.progress import progress_bar
from service.cli.runtime import print_json

if TYPE_CHECKING:
    from service.documents.analysis import AnalysisDocument, UncalibratedAnalysisDocument
    from service.jobs.analysis import AnalysisRequest

__all__ = ["analyse"]

_LINES = (
    ("LAeq", "LCeq", "LZeq", "LAE", "LCpeak"),
    ("LAFmax", "LAFmin", "LASmax", "LASmin"),
    ("LA10", "LA50", "LA90"),
)
"""The levels as a person gets them, line by line."""


def analyse(
    *,
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE", help="WAV, RF64, FLAC, OGG or AIFF.", show_default=False),
    ],
    calibration: Annotated[
        Path | None,
        typer.Option(
            "--calibration",
            metavar="FILE",
            help="Calibration of what it was recorded with [default: none, levels are dB re full "
            "scale].",
            show_default=False,
        ),
    ] = None,
    pascal_per_unit: Annotated[
        float | None,
        typer.Option(
            "--pascal-per-unit",
            help="Instead of a calibration, sound pressure in Pa of a sample of value 1.0.",
            show_default=False,
        ),
    ] = None,
    response: ResponseFile = None,
    field: Annotated[
        str,
        typer.Option("--field", help="'free' or 'diffuse': the sound field that loudness assumes."),
    ] = "free",
    start_s: Annotated[
        float, typer.Option("--from", metavar="SECONDS", help="Where to begin.")
    ] = 0.0,
    end_s: Annotated[
        float | None,
        typer.Option(
            "--to", metavar="SECONDS", help="Where to end [default: the end].", show_default=False
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="Also write the levels of every 100 ms here; one recording at a time.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Analyse recordings: levels, one-third octaves, tones and loudness."""
    from service.errors import SettingsError
    from service.wiring.analysis import analyse_file, analyse_files

    if csv is not None and len(files) > 1:
        raise SettingsError(
            f"--csv holds the levels of one recording, not of {len(files)}; analyse them one by "
            "one."
        )
    request = _request(calibration, pascal_per_unit, response, field, start_s, end_s)
    if len(files) == 1:
        with progress_bar(str(files[0])) as progress:
            documents = [analyse_file(files[0], request, log_path=csv, progress=progress)]
    else:
        with progress_bar(f"{len(files)} recordings") as progress:
            documents = analyse_files(files, request, progress=progress)
    if as_json:
        plain = [document.to_plain() for document in documents]
        print_json(plain[0] if len(plain) == 1 else plain)
    else:
        for document in documents:
            _show(document)
        if csv is not None:
            print(f"saved: {csv}")
    return 0


def _request(  # noqa: PLR0917 - one value an option
    calibration: Path | None,
    pascal_per_unit: float | None,
    response: Path | None,
    field: str,
    start_s: float,
    end_s: float | None,
) -> "AnalysisRequest":
    """Put together what is asked of every recording."""
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


def _show(document: "AnalysisDocument | UncalibratedAnalysisDocument") -> None:
    """Print an analysis for a person."""
    ending, unit = ("_db", "dB") if document.calibrated else ("_dbfs", "dB re full scale")
    plain = document.to_plain()
    channels = "1 channel" if document.channels == 1 else f"mean of {document.channels} channels"
    print(f"{document.file}: {document.duration_s:.1f} s at {document.rate_hz} Hz, {channels}")
    for names in _LINES:
        levels = [(name, plain["levels"][name + ending]) for name in names]
        print("  " + "  ".join(f"{name} {_number(level)}" for name, level in levels) + f"  {unit}")
    print(f"  one-third octaves, {unit}:")
    bands = plain["third_octaves"]
    for hz, unweighted, weighted in zip(
        bands["nominal_hz"], bands["LZeq" + ending], bands["LAeq" + ending], strict=True
    ):
        print(f"  {hz:>9g} Hz  LZeq {_number(unweighted)}  LAeq {_number(weighted)}")
    for tone in plain["tones"]:
        print(
            f"  tone at {tone['frequency_hz']:.1f} Hz: {tone['level' + ending]:.1f} {unit}, "
            f"tone-to-noise ratio {tone['tone_to_noise_ratio_db']:.1f} dB, prominence ratio "
            f"{tone['prominence_ratio_db']:.1f} dB{', prominent' if tone['prominent'] else ''}"
        )
    if document.loudness is not None:
        print(
            f"  loudness {document.loudness.N_sone:.2f} sone, "
            f"{document.loudness.LN_phon:.1f} phon ({document.loudness.field} field)"
        )
    for text in document.warnings:
        print(f"  note: {text}")


def _number(level: float | None) -> str:
    """One level, or a dash where there is none."""
    return "    –" if level is None else f"{level:5.1f}"
