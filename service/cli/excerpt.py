"""``evenhush excerpt``: a passage to listen to, a tone of it alone, or all but the tone."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import AsJson
from service.cli.recording_options import (
    CalibrationBeside,
    FromSeconds,
    PascalPerUnit,
    ToSeconds,
    recording_request,
)
from service.cli.runtime import print_json, remark

if TYPE_CHECKING:
    from service.jobs.excerpts import What

__all__ = ["excerpt"]


def excerpt(
    *,
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="WAV, RF64, FLAC, OGG or AIFF.", show_default=False),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where it goes (.wav or .flac, 24 bits).",
            show_default=False,
        ),
    ],
    tone_hz: Annotated[
        list[float] | None,
        typer.Option("--tone-hz", help="A tone; again for each further one.", show_default=False),
    ] = None,
    order: Annotated[
        int | None,
        typer.Option(
            "--order",
            min=1,
            max=96,
            help="Instead of tones, an order that is followed while the speed changes.",
            show_default=False,
        ),
    ] = None,
    alone: Annotated[bool, typer.Option("--alone", help="Hear only the tones.")] = False,
    without: Annotated[bool, typer.Option("--without", help="Hear all but the tones.")] = False,
    speeds: Annotated[
        Path | None,
        typer.Option(
            "--speeds",
            metavar="FILE",
            help="For an order, CSV of speed over time [default: as kept beside the sound].",
            show_default=False,
        ),
    ] = None,
    rotor: Annotated[
        str | None,
        typer.Option(
            "--rotor",
            metavar="NAME",
            help="Whose order [default: what changes its speed most].",
            show_default=False,
        ),
    ] = None,
    full_scale_db: Annotated[
        float | None,
        typer.Option(
            "--full-scale-db",
            help="Sound pressure level that full scale stands for, the same for excerpts that are "
            "compared [default: each at the same playback level].",
            show_default=False,
        ),
    ] = None,
    calibration: CalibrationBeside = None,
    pascal_per_unit: PascalPerUnit = None,
    start_s: FromSeconds = 0.0,
    end_s: ToSeconds = None,
    as_json: AsJson = False,
) -> int:
    """Write a passage to listen to: as it is, a tone alone, or without the tone.

    It lies 32 dB below full scale, A-weighted, and begins softly. Turn the volume down before you
    play it, most of all with headphones.
    """
    from service.wiring.excerpting import WantedExcerpt, write_excerpt

    what = _what(tone_hz, order, alone=alone, without=without)
    recording = recording_request(
        calibration=calibration,
        pascal_per_unit=pascal_per_unit,
        response=None,
        start_s=start_s,
        end_s=end_s,
    )
    document = write_excerpt(
        file,
        out,
        WantedExcerpt(recording, what, tuple(tone_hz or ()), order, rotor, speeds, full_scale_db),
    )
    if as_json:
        print_json(document.to_plain())
        return 0
    level = "" if document.LAeq_db is None else f", {document.LAeq_db:.1f} dB(A) where it was heard"
    print(
        f"{document.what}, {document.end_s - document.start_s:.1f} s: "
        f"{document.LAeq_dbfs:.1f} dB(A) re full scale{level}"
    )
    print(f"saved: {out}")
    for text in document.warnings:
        remark(text)
    return 0


def _what(tone_hz: list[float] | None, order: int | None, *, alone: bool, without: bool) -> "What":
    """Find out what is to be heard."""
    from service.errors import SettingsError

    tones = bool(tone_hz) or order is not None
    if tone_hz and order is not None:
        raise SettingsError("Give either tones with --tone-hz or an order, not both.")
    if alone and without:
        raise SettingsError("Give either --alone or --without, not both.")
    if tones and not (alone or without):
        raise SettingsError("Say what to do with the tones: hear them --alone, or --without them.")
    if (alone or without) and not tones:
        raise SettingsError("Say which tones with --tone-hz, or which order with --order.")
    if any(not 20.0 <= hz <= 20_000.0 for hz in tone_hz or ()):
        raise SettingsError("A tone lies between 20 and 20000 Hz.")
    return "tone alone" if alone else "without the tone" if without else "passage"
