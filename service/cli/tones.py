"""``evenhush tones``: the tones of a cooler, how they stand out, and what makes them."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.machine_options import (
    AboutFile,
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
from service.cli.options import AsJson, ResponseFile
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
from service.cli.sound_words import show_sound, tone_words

if TYPE_CHECKING:
    from service.documents.tones import NamedTonePart, TonePassage
    from service.wiring.tone_naming import NamedSounds

__all__ = ["tones"]


def tones(
    *,
    files: RecordingFiles,
    about: AboutFile = None,
    fans: Fans = None,
    blades: Blades = None,
    fan_poles: FanPoles = None,
    pump_poles: PumpPoles = None,
    pump_vanes: PumpVanes = None,
    pwm_hz: PwmHz = None,
    mains_hz: MainsHz = None,
    fan_rpm: FanRpm = None,
    pump_rpm: PumpRpm = None,
    room: Annotated[
        Path | None,
        typer.Option(
            "--room",
            metavar="FILE",
            help="A recording of the room with everything at rest, whose tones are marked.",
            show_default=False,
        ),
    ] = None,
    calibration: CalibrationBeside = None,
    pascal_per_unit: PascalPerUnit = None,
    response: ResponseFile = None,
    start_s: FromSeconds = 0.0,
    end_s: ToSeconds = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="Draw one setting here (.png or .svg).",
            show_default=False,
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write a table here.", show_default=False),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Find tones, say how they stand out, and name what makes them.

    Several recordings are taken as settings of one cooler. Sound that was kept at a bench is cut
    into its settings, unless a part is chosen.
    """
    from service.wiring.tone_naming import ToneRequest, name_tones_of

    _check_picture(picture)
    description = described_cooler(
        about,
        fans=fans,
        blades=blades,
        fan_poles=fan_poles,
        pump_poles=pump_poles,
        pump_vanes=pump_vanes,
        pwm_hz=pwm_hz,
    )
    request = ToneRequest(
        recording_request(
            calibration=calibration,
            pascal_per_unit=pascal_per_unit,
            response=response,
            start_s=start_s,
            end_s=end_s,
        ),
        whole=start_s > 0.0 or end_s is not None,
        rpm=given_rpm(fan_rpm, pump_rpm),
        description=description,
        mains_hz=mains_hz,
        room=room,
    )
    with progress_bar(str(files[0])) as progress:
        named = name_tones_of(files, request, progress=progress)
    saved = _written(named, picture, csv)
    if as_json:
        print_json(named.document.to_plain())
        return 0
    for part in named.document.passages:
        _show(part)
    for text in named.document.warnings:
        print(f"note: {text}")
    for path in saved:
        print(f"saved: {path}")
    return 0


def _check_picture(picture: Path | None) -> None:
    """Refuse a name for a picture before anything is listened to."""
    from service.wiring.analysis import picture_form

    if picture is not None:
        picture_form(picture)


def _written(named: "NamedSounds", picture: Path | None, csv: Path | None) -> list[Path]:
    """Make everything, and then write it."""
    from service.storage.document_files import save_bytes
    from service.wiring.analysis import picture_form
    from service.wiring.tone_naming import tones_csv, tones_picture

    made: dict[Path, bytes] = {}
    if picture is not None:
        made[picture] = tones_picture(named, picture_form(picture))
    if csv is not None:
        made[csv] = tones_csv(named).encode()
    for path, data in made.items():
        save_bytes(path, data)
    return list(made)


def _show(part: "TonePassage") -> None:
    """Print the tones of one setting for a person."""
    show_sound(part)
    speeds = [
        f"{rotor.name} at {rotor.rpm:.0f} rpm ({rotor.rpm_by_tones:.1f} by its tones)"
        for rotor in part.rotors
    ]
    if speeds:
        print(f"  from {part.start_s:.1f} s: {', '.join(speeds)}")
    if not part.tones:
        print("  no tone stands out of the noise")
    for tone in part.tones:
        print(f"  {tone_words(tone)}")
        print(f"    {_name_words(tone)}")


def _name_words(tone: "NamedTonePart") -> str:
    """Say what a tone is, and how sure that is."""
    best, *others = tone.explanations
    order = (
        ""
        if best.order is None or best.name.endswith(f"order {best.order}")
        else (f" (order {best.order})" if best.source not in {"mains", "PWM"} else "")
    )
    source = "" if best.source in {"mains", "unexplained", "PWM"} else f"{best.source}: "
    words = {"sure": "for sure", "likely": "likely", "open": "perhaps"}[tone.grade]
    text = f"{source}{best.name}{order}, {words} ({100 * best.probability:.0f} %)"
    text += "".join(
        f", or {other.source} {other.name} ({100 * other.probability:.0f} %)"
        for other in others
        if other.probability >= 0.05
    )
    if tone.moves_with is not None:
        text += f"; follows {tone.moves_with}" if tone.moves_with else "; stays at every speed"
    return text
