"""``evenhush spectrum``: spectra of recordings, over one another and without the room."""

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
from service.cli.runtime import print_json
from service.cli.sound_words import level_words, show_sound, tone_words

if TYPE_CHECKING:
    from service.documents.spectra import DifferencePart, SpectrumPart
    from service.wiring.reviewing import SpectrumFiles

__all__ = ["spectrum"]


def spectrum(
    *,
    files: RecordingFiles,
    room: Annotated[
        Path | None,
        typer.Option(
            "--room",
            metavar="FILE",
            help="A recording of the room with everything at rest, to be taken out "
            "[default: none].",
            show_default=False,
        ),
    ] = None,
    calibration: CalibrationBeside = None,
    pascal_per_unit: PascalPerUnit = None,
    response: ResponseFile = None,
    start_s: FromSeconds = 0.0,
    end_s: ToSeconds = None,
    weighting: Annotated[
        str, typer.Option("--weighting", help="'A' or 'Z': of levels in picture and table.")
    ] = "Z",
    axis: Annotated[
        str, typer.Option("--axis", help="'log' or 'linear': of frequencies in the picture.")
    ] = "log",
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="FILE", help="Draw them here (.png or .svg).", show_default=False
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write every line of 1 Hz here.", show_default=False
        ),
    ] = None,
    bands_csv: Annotated[
        Path | None,
        typer.Option(
            "--bands-csv",
            metavar="FILE",
            help="Write one-twelfth octaves and their differences here.",
            show_default=False,
        ),
    ] = None,
    show_budget: ShowBudget = False,
    as_json: AsJson = False,
) -> int:
    """Show spectra of recordings, and what each further one differs by from the first.

    What is clipped, missing, marked as bad or intrudes is left out and said.
    """
    from service.wiring.reviewing import compare_recordings

    wanted = _files(picture, csv, bands_csv, weighting, axis)
    request = recording_request(
        calibration=calibration,
        pascal_per_unit=pascal_per_unit,
        response=response,
        start_s=start_s,
        end_s=end_s,
    )
    what = str(files[0]) if len(files) == 1 else f"{len(files)} recordings"
    with progress_bar(what) as progress:
        compared = compare_recordings(files, request, room=room, progress=progress)
    saved = wanted.write(compared)
    document = compared.document
    if as_json:
        print_json(document.to_plain())
    else:
        if document.room is not None:
            print("the room, taken out of the rest:")
            show_sound(document.room)
        for part in document.recordings:
            _show(part)
        for difference in document.differences:
            _show_difference(difference)
        for path in saved:
            print(f"saved: {path}")
    if show_budget:
        _show_budgets(document.recordings, document.differences)
    return 0


def _files(
    picture: Path | None, csv: Path | None, bands_csv: Path | None, weighting: str, axis: str
) -> "SpectrumFiles":
    """Put together what is to be written."""
    from service.errors import SettingsError
    from service.wiring.reviewing import SpectrumFiles

    if weighting not in ("A", "Z"):
        raise SettingsError(f"--weighting is 'A' or 'Z', not {weighting!r}.")
    if axis not in ("log", "linear"):
        raise SettingsError(f"--axis is 'log' or 'linear', not {axis!r}.")
    wanted = SpectrumFiles(
        picture,
        csv,
        bands_csv,
        weighting="A" if weighting == "A" else "Z",
        axis="linear" if axis == "linear" else "log",
    )
    wanted.check()
    return wanted


def _show(part: "SpectrumPart") -> None:
    """Print one recording for a person."""
    show_sound(part)
    if part.alone_is_bound is not None:
        alone = part.alone_LAeq_db if part.calibrated else part.alone_LAeq_dbfs
        bound = "at most " if part.alone_is_bound else ""
        print(f"  without the room {bound}{level_words(alone, calibrated=part.calibrated)}")
    for tone in part.tones:
        print(f"  {tone_words(tone)}")


def _show_difference(difference: "DifferencePart") -> None:
    """Print one difference for a person."""
    interval = "" if difference.U95_db is None else f" +-{difference.U95_db:.1f}"
    print(
        f"{difference.second} less {difference.first}: "
        f"{difference.LAeq_difference_db:+.1f}{interval} dB(A)"
    )
    for low_hz, high_hz, largest_db in _sure_ranges(difference):
        print(f"  from {low_hz:.0f} to {high_hz:.0f} Hz: {largest_db:+.1f} dB at most, for sure")
    for pair in difference.tones:
        if not (pair.first_prominent or pair.second_prominent):
            continue
        if pair.level_difference_db is not None and pair.second_hz is not None:
            print(f"  tone at {pair.second_hz:.1f} Hz: {pair.level_difference_db:+.1f} dB")
        elif pair.second_hz is not None:
            print(f"  tone at {pair.second_hz:.1f} Hz: only in {difference.second}")
        elif pair.first_hz is not None:
            print(f"  tone at {pair.first_hz:.1f} Hz: only in {difference.first}")
    for text in difference.warnings:
        print(f"  note: {text}")


def _sure_ranges(difference: "DifferencePart") -> list[tuple[float, float, float]]:
    """Ranges of frequency in which three bands and more differ for sure, to one side."""
    ranges: list[list[tuple[float, float]]] = [[]]
    for hz, value, U95 in zip(
        difference.frequency_hz, difference.difference_db, difference.band_U95_db, strict=True
    ):
        sure = value is not None and U95 is not None and abs(value) > U95
        if value is None or not sure or (ranges[-1] and ranges[-1][-1][1] * value < 0.0):
            ranges.append([])
        if value is not None and sure:
            ranges[-1].append((hz, value))
    return [
        (some[0][0], some[-1][0], max((value for _, value in some), key=abs))
        for some in ranges
        if len(some) >= 3
    ]


def _show_budgets(parts: "list[SpectrumPart]", differences: "list[DifferencePart]") -> None:
    """Print what every stated interval is made of."""
    from service.cli.budget_table import show_budget
    from service.cli.runtime import remark
    from service.documents.budget import budget_from

    for part in parts:
        if part.U95_db is None:
            remark(f"{part.file}: LAeq has no interval, so there is no budget to print")
        else:
            show_budget(f"LAeq of {part.file}", budget_from(part.budget))
    for each in differences:
        show_budget(f"LAeq of {each.second} less {each.first}", budget_from(each.budget))
