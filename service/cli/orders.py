"""``evenhush orders``: what follows the speed in a recorded sweep, what stays, what they meet."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.machine_options import (
    AboutFile,
    Blades,
    FanPoles,
    Fans,
    MainsHz,
    PumpPoles,
    PumpVanes,
    PwmHz,
    described_cooler,
)
from service.cli.options import AsJson, ResponseFile
from service.cli.progress import progress_bar
from service.cli.recording_options import (
    CalibrationBeside,
    FromSeconds,
    PascalPerUnit,
    ToSeconds,
    recording_request,
)
from service.cli.runtime import print_json
from service.cli.sound_words import level_words, tone_words

if TYPE_CHECKING:
    from service.documents.orders import OrderPart, OrdersDocument, SpeedPart

__all__ = ["orders"]


def orders(
    *,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="Recording of a sweep: WAV, RF64, FLAC, OGG or AIFF.",
            show_default=False,
        ),
    ],
    speeds: Annotated[
        Path | None,
        typer.Option(
            "--speeds",
            metavar="FILE",
            help="CSV of speed over time with the columns time_s and fan_rpm, pump_rpm or the "
            "like [default: as kept beside the sound].",
            show_default=False,
        ),
    ] = None,
    rotor: Annotated[
        str | None,
        typer.Option(
            "--rotor",
            metavar="NAME",
            help="What is swept [default: what changes its speed most].",
            show_default=False,
        ),
    ] = None,
    near_rpm: Annotated[
        float | None,
        typer.Option(
            "--near-rpm",
            help="Say the nearest speeds without a prominent tone.",
            show_default=False,
        ),
    ] = None,
    about: AboutFile = None,
    fans: Fans = None,
    blades: Blades = None,
    fan_poles: FanPoles = None,
    pump_poles: PumpPoles = None,
    pump_vanes: PumpVanes = None,
    pwm_hz: PwmHz = None,
    mains_hz: MainsHz = None,
    calibration: CalibrationBeside = None,
    pascal_per_unit: PascalPerUnit = None,
    response: ResponseFile = None,
    start_s: FromSeconds = 0.0,
    end_s: ToSeconds = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="FILE", help="Draw it here (.png or .svg).", show_default=False
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write levels over speed here.", show_default=False
        ),
    ] = None,
    map_csv: Annotated[
        Path | None,
        typer.Option(
            "--map-csv",
            metavar="FILE",
            help="Write the level on every line at every speed here.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Follow the orders of a fan or pump through its speeds, and say what they meet.

    Takes a sweep that was kept at a bench, or any recording with a table of speed over time.
    """
    from service.wiring.order_naming import OrderFiles, OrderRequest, orders_of_file

    wanted = OrderFiles(picture, csv, map_csv)
    wanted.check()
    description = described_cooler(
        about,
        fans=fans,
        blades=blades,
        fan_poles=fan_poles,
        pump_poles=pump_poles,
        pump_vanes=pump_vanes,
        pwm_hz=pwm_hz,
    )
    recording = recording_request(
        calibration=calibration,
        pascal_per_unit=pascal_per_unit,
        response=response,
        start_s=start_s,
        end_s=end_s,
    )
    request = OrderRequest(recording, speeds, rotor, description, mains_hz, near_rpm)
    with progress_bar(str(file)) as progress:
        swept = orders_of_file(file, request, progress=progress)
    saved = wanted.write(swept)
    if as_json:
        print_json(swept.document.to_plain())
        return 0
    _show(swept.document)
    for path in saved:
        print(f"saved: {path}")
    return 0


def _show(document: "OrdersDocument") -> None:
    """Print a sweep for a person."""
    rotor = document.rotor
    print(
        f"{document.file}: {rotor.name} from {rotor.lowest_rpm:.0f} to {rotor.highest_rpm:.0f} "
        f"rpm, {len(document.speeds)} speeds"
    )
    print("  follows the speed:" if document.orders else "  nothing follows the speed")
    for order in document.orders:
        print(f"    {_order_words(order, document)}")
    if document.stays:
        print("  stays where it is:")
    for tone in document.stays:
        name = "resonance or electrical" if tone.source == "unexplained" else tone.name
        source = "" if tone.source in {"unexplained", "mains", "PWM"} else f"{tone.source}: "
        print(f"    {tone_words(tone)}: {source}{name}")
    for crossing in document.crossings:
        print(f"  {crossing.text}")
    unit = "dB(A)" if document.calibrated else "dB(A) re full scale"
    for calm in document.calm:
        if calm.low_rpm == calm.high_rpm:
            print(f"  no prominent tone at {calm.low_rpm:.0f} rpm, {calm.low_LAeq:.1f} {unit}")
        else:
            print(
                f"  no prominent tone from {calm.low_rpm:.0f} to {calm.high_rpm:.0f} rpm, "
                f"{calm.low_LAeq:.1f} to {calm.high_LAeq:.1f} {unit}"
            )
    if not document.calm:
        print("  a tone is prominent at every speed")
    if document.nearest is not None:
        print(f"  nearest to {document.nearest.rpm:.0f} rpm without a prominent tone:")
        print(f"    {_calm_words(document.nearest.below, document, 'below')}")
        print(f"    {_calm_words(document.nearest.above, document, 'above')}")
    for text in document.warnings:
        print(f"  note: {text}")


def _order_words(order: "OrderPart", document: "OrdersDocument") -> str:
    """Say how loud an order is, and where it is prominent."""
    levels = (order.level_db if document.calibrated else order.level_dbfs) or []
    heard = [
        (level, speed.rpm)
        for level, speed in zip(levels, document.speeds, strict=True)
        if level is not None
    ]
    unit = "dB" if document.calibrated else "dB re full scale"
    name = (
        order.name
        if order.name.endswith(f"order {order.order}")
        else (f"{order.name} (order {order.order})")
    )
    top, rpm = max(heard)
    ratios = [ratio for ratio in order.tone_to_noise_ratio_db if ratio is not None]
    ratio = f", tone-to-noise ratio up to {max(ratios):.1f} dB" if ratios else ""
    text = f"{name}: up to {top:.1f} {unit} at {rpm:.0f} rpm{ratio}"
    prominent = [
        speed.rpm for speed, is_so in zip(document.speeds, order.prominent, strict=True) if is_so
    ]
    if prominent:
        text += f", prominent at {len(prominent)} speeds from {prominent[0]:.0f} to "
        text += f"{prominent[-1]:.0f} rpm"
    return text


def _calm_words(speed: "SpeedPart | None", document: "OrdersDocument", side: str) -> str:
    """Say a calm speed and its level."""
    if speed is None:
        return f"{side}: none was heard"
    level = speed.LAeq_db if document.calibrated else speed.LAeq_dbfs
    return f"{side}: {speed.rpm:.0f} rpm, {level_words(level, calibrated=document.calibrated)}"
