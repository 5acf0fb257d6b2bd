"""Options that several commands share, each written once."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "AsJson",
    "BenchToken",
    "BenchUrl",
    "CalibrationFile",
    "Channels",
    "ConfigFile",
    "DataFolder",
    "FloorFile",
    "InputText",
    "Keep",
    "KeepAs",
    "PumpFollows",
    "RateHz",
    "ResponseFile",
    "ShowBudget",
    "UsedChannels",
]

InputText = Annotated[
    str | None,
    typer.Option(
        "--input",
        metavar="INPUT",
        help="device:NAME, file:PATH, exec:COMMAND or simulated:NAME.",
        show_default=False,
    ),
]
BenchUrl = Annotated[
    str | None,
    typer.Option(
        "--bench",
        metavar="URL",
        help="Bench control API, with any path prefix.",
        show_default=False,
    ),
]
BenchToken = Annotated[
    str | None,
    typer.Option("--bench-token", help="Token of a bench that asks for one.", show_default=False),
]
RateHz = Annotated[
    int | None,
    typer.Option(
        "--rate-hz",
        min=8000,
        max=192_000,
        help="Rate of a device or program [default: 48000].",
        show_default=False,
    ),
]
Channels = Annotated[
    int | None,
    typer.Option(
        "--channels",
        min=1,
        max=64,
        help="Channels of a device or program [default: 1].",
        show_default=False,
    ),
]
UsedChannels = Annotated[
    list[int] | None,
    typer.Option(
        "--channel",
        metavar="N",
        min=1,
        max=64,
        help="Channel to use, counted from 1; several are averaged as energy [default: all].",
        show_default=False,
    ),
]
CalibrationFile = Annotated[
    Path | None,
    typer.Option(
        "--calibration",
        metavar="FILE",
        help="Calibration document [default: the newest one kept of this input].",
        show_default=False,
    ),
]
ResponseFile = Annotated[
    Path | None,
    typer.Option(
        "--response",
        metavar="FILE",
        help="Response of the microphone to take out: frequency in Hz, dB[, phase] on each line, "
        "for the field it is used in [default: none].",
        show_default=False,
    ),
]
FloorFile = Annotated[
    Path | None,
    typer.Option(
        "--floor",
        metavar="FILE",
        show_default=False,
        help="Room floor from 'evenhush floor --save' [default: listened for].",
    ),
]
Keep = Annotated[
    Path | None,
    typer.Option(
        "--keep",
        metavar="FOLDER",
        show_default=False,
        help="Keep all sound that is heard, in a new file in this folder [default: not kept].",
    ),
]
KeepAs = Annotated[
    str | None,
    typer.Option(
        "--keep-as",
        metavar="FORM",
        show_default=False,
        help="'flac', 24 bits; or 'wav', floating point, which holds what exceeds full scale "
        "[default: flac].",
    ),
]
PumpFollows = Annotated[
    bool, typer.Option("--pump-follows", help="Lead the pump along with the fans.")
]
ConfigFile = Annotated[
    Path | None,
    typer.Option("--config", metavar="FILE", help="Configuration file.", show_default=False),
]
DataFolder = Annotated[
    Path | None,
    typer.Option("--data", metavar="DIR", help="Data folder.", show_default=False),
]
ShowBudget = Annotated[
    bool,
    typer.Option(
        "--budget", help="Also print, to standard error, what every stated interval is made of."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
