"""``evenhush analyse``: levels, one-third octaves, tones and loudness of recordings."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import AsJson, ResponseFile, ShowBudget
from service.cli.progress import progress_bar
from service.cli.recording_options import (
    CalibrationBeside,
    FromSeconds,
    PascalPerUnit,
    RecordingFiles,
    ToSeconds,
    recording_request,
)
from service.cli.runtime import print_json, remark

if TYPE_CHECKING:
    from service.documents.analysis import (
        AnalysisDocument,
        LevelInterval,
        UncalibratedAnalysisDocument,
    )

__all__ = ["analyse"]

_LINES = (
    ("LAeq", "LCeq", "LZeq", "LAE", "LCpeak"),
    ("LAFmax", "LAFmin", "LASmax", "LASmin"),
    ("LA10", "LA50", "LA90"),
)
"""The levels as a person gets them, line by line."""


def analyse(
    *,
    files: RecordingFiles,
    calibration: CalibrationBeside = None,
    pascal_per_unit: PascalPerUnit = None,
    response: ResponseFile = None,
    field: Annotated[
        str,
        typer.Option("--field", help="'free' or 'diffuse': the sound field that loudness assumes."),
    ] = "free",
    start_s: FromSeconds = 0.0,
    end_s: ToSeconds = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="Also write the levels of every 100 ms here; one recording at a time.",
            show_default=False,
        ),
    ] = None,
    waterfall_csv: Annotated[
        Path | None,
        typer.Option(
            "--waterfall-csv",
            metavar="FILE",
            help="Also write its spectra over time here; one recording at a time.",
            show_default=False,
        ),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="Also draw its spectrum, and spectra over time, here (.png or .svg); one "
            "recording at a time.",
            show_default=False,
        ),
    ] = None,
    show_budget: ShowBudget = False,
    as_json: AsJson = False,
) -> int:
    """Analyse recordings: levels, one-third octaves, tones and loudness."""
    from service.errors import SettingsError
    from service.wiring.analysis import Beside, analyse_file, analyse_files, picture_form

    beside = Beside(csv, waterfall_csv, picture)
    if beside.files and len(files) > 1:
        raise SettingsError(
            f"--csv, --waterfall-csv and --picture are for one recording, not for {len(files)}; "
            "analyse them one by one."
        )
    if picture is not None:
        # Before minutes of analysing go into it.
        picture_form(picture)
    request = recording_request(
        calibration=calibration,
        pascal_per_unit=pascal_per_unit,
        response=response,
        start_s=start_s,
        end_s=end_s,
        field=field,
    )
    if len(files) == 1:
        with progress_bar(str(files[0])) as progress:
            documents = [analyse_file(files[0], request, beside=beside, progress=progress)]
    else:
        with progress_bar(f"{len(files)} recordings") as progress:
            documents = analyse_files(files, request, progress=progress)
    if as_json:
        plain = [document.to_plain() for document in documents]
        print_json(plain[0] if len(plain) == 1 else plain)
    else:
        for document in documents:
            _show(document)
        for path in beside.files:
            print(f"saved: {path}")
    if show_budget:
        for document in documents:
            _show_budget(document)
    return 0


def _show_budget(document: "AnalysisDocument | UncalibratedAnalysisDocument") -> None:
    """Print what the interval of LAeq is made of."""
    from service.cli.budget_table import show_budget
    from service.documents.budget import budget_from

    interval = document.LAeq_interval
    if interval is None:
        remark(f"{document.file}: LAeq has no interval, so there is no budget to print")
        return
    show_budget(f"LAeq of {document.file}, as that of a steady sound", budget_from(interval.budget))
    if interval.chain_budget:
        show_budget(
            f"LAeq of {document.file} against the true sound pressure level",
            budget_from(interval.budget, interval.chain_budget),
        )


def _show(document: "AnalysisDocument | UncalibratedAnalysisDocument") -> None:
    """Print an analysis for a person."""
    ending, unit = ("_db", "dB") if document.calibrated else ("_dbfs", "dB re full scale")
    plain = document.to_plain()
    print(
        f"{document.file}: {document.duration_s:.1f} s at {document.rate_hz} Hz, "
        f"{_channels(document)}"
    )
    if isinstance(plain.get("calibration_time"), str):
        print(f"  calibrated {plain['calibration_time']}")
    for names in _LINES:
        levels = [(name, plain["levels"][name + ending]) for name in names]
        print("  " + "  ".join(f"{name} {_number(level)}" for name, level in levels) + f"  {unit}")
    if document.LAeq_interval is not None:
        print(f"  LAeq +-{_interval(document.LAeq_interval)}")
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
    for family in plain["harmonic_families"]:
        orders = ", ".join(str(each["order"]) for each in family["harmonics"])
        print(
            f"  harmonic family of {family['fundamental_hz']:.1f} Hz: orders {orders}, "
            f"{family['level' + ending]:.1f} {unit} together"
        )
    if document.loudness is not None:
        print(
            f"  loudness {document.loudness.N_sone:.2f} sone, "
            f"{document.loudness.LN_phon:.1f} phon ({document.loudness.field} field)"
        )
    for text in document.warnings:
        print(f"  note: {text}")


def _channels(document: "AnalysisDocument | UncalibratedAnalysisDocument") -> str:
    """Say which channels the levels are of."""
    if document.channels == 1:
        return "1 channel"
    if document.per_channel is None:
        return f"1 of {document.channels} channels"
    averaged = len(document.per_channel)
    return f"mean of {averaged} channels"


def _interval(interval: "LevelInterval") -> str:
    """The intervals of LAeq in words."""
    text = f"{interval.U95_db:.2f} dB from listening (95 %)"
    if interval.U95_absolute_db is not None:
        text += f", +-{interval.U95_absolute_db:.2f} dB against the true sound pressure level"
    return text


def _number(level: float | None) -> str:
    """One level, or a dash where there is none."""
    return "    –" if level is None else f"{level:5.1f}"
