"""``evenhush report``: one page about recordings, with everything in it."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.machine_options import (
    Blades,
    FanPoles,
    FanRpm,
    Fans,
    MainsHz,
    PumpPoles,
    PumpRpm,
    PumpVanes,
    PwmHz,
    described_cooler,
    given_rpm,
)
from service.cli.options import ResponseFile
from service.cli.progress import progress_bar
from service.cli.recording_options import (
    CalibrationBeside,
    FromSeconds,
    PascalPerUnit,
    RecordingFiles,
    ToSeconds,
    recording_request,
)

if TYPE_CHECKING:
    from service.documents.cooler import CoolerDocument

__all__ = ["report"]


def report(
    *,
    files: RecordingFiles,
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FILE", help="Where the page goes (.html).", show_default=False
        ),
    ],
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--pictures",
            metavar="FOLDER",
            help="Also write every picture as PNG and SVG, and its data as CSV.",
            show_default=False,
        ),
    ] = None,
    title: Annotated[
        str | None,
        typer.Option(
            "--title", help="What stands above [default: the coolers].", show_default=False
        ),
    ] = None,
    room: Annotated[
        Path | None,
        typer.Option(
            "--room",
            metavar="FILE",
            help="A recording of the room with everything at rest [default: none].",
            show_default=False,
        ),
    ] = None,
    about: Annotated[
        list[Path] | None,
        typer.Option(
            "--about",
            metavar="FILE",
            help="Description of the cooler ('evenhush schema cooler'); once for all recordings, "
            "or again for each in their order.",
            show_default=False,
        ),
    ] = None,
    fans: Fans = None,
    blades: Blades = None,
    fan_poles: FanPoles = None,
    pump_poles: PumpPoles = None,
    pump_vanes: PumpVanes = None,
    pwm_hz: PwmHz = None,
    mains_hz: MainsHz = None,
    fan_rpm: FanRpm = None,
    pump_rpm: PumpRpm = None,
    speeds: Annotated[
        Path | None,
        typer.Option(
            "--speeds",
            metavar="FILE",
            help="CSV of speed over time of a sweep [default: as kept beside the sound].",
            show_default=False,
        ),
    ] = None,
    calibration: CalibrationBeside = None,
    pascal_per_unit: PascalPerUnit = None,
    response: ResponseFile = None,
    start_s: FromSeconds = 0.0,
    end_s: ToSeconds = None,
) -> int:
    """Write a report on one recording or a comparison of several, as one page.

    The page is HTML with its pictures inside; print it from a browser for PDF.
    """
    from service.errors import SettingsError
    from service.wiring.reporting import ReportRequest, described, report_on, write_report

    if out.suffix.lower() not in {".html", ".htm"}:
        raise SettingsError(f"{out} is no name for a page; let it end in .html.")
    rpm = given_rpm(fan_rpm, pump_rpm)
    if len(files) > 1 and (rpm or speeds is not None):
        raise SettingsError(
            "Speeds can be given for one recording only; several take those that were kept beside "
            "them."
        )
    given: list[Path | None] = [*about] if about else [None]
    known: list[CoolerDocument | None] = [
        described_cooler(
            path,
            fans=fans,
            blades=blades,
            fan_poles=fan_poles,
            pump_poles=pump_poles,
            pump_vanes=pump_vanes,
            pwm_hz=pwm_hz,
        )
        for path in given
    ]
    recording = recording_request(
        calibration=calibration,
        pascal_per_unit=pascal_per_unit,
        response=response,
        start_s=start_s,
        end_s=end_s,
    )
    request = ReportRequest(
        recording,
        whole=start_s > 0.0 or end_s is not None,
        descriptions=described(known, len(files)),
        rpm=rpm,
        speeds=speeds,
        mains_hz=mains_hz,
        room=room,
        title=title,
    )
    what = str(files[0]) if len(files) == 1 else f"{len(files)} recordings"
    with progress_bar(what) as progress:
        made = report_on(files, request, progress=progress)
    written = write_report(out, made, pictures)
    print(f"saved: {written[0]}")
    if pictures is not None:
        print(f"saved: {len(written) - 1} pictures and tables in {pictures}")
    return 0
