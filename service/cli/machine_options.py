"""Options that say what a cooler is made of and how fast it turned."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from service.documents.cooler import CoolerDocument

__all__ = [
    "AboutFile",
    "Blades",
    "FanPoles",
    "FanRpm",
    "Fans",
    "MainsHz",
    "PumpPoles",
    "PumpRpm",
    "PumpVanes",
    "PwmHz",
    "described_cooler",
    "given_rpm",
]

AboutFile = Annotated[
    Path | None,
    typer.Option(
        "--about",
        metavar="FILE",
        help="Description of the cooler ('evenhush schema cooler' says what it holds); the "
        "options below go before it.",
        show_default=False,
    ),
]
Fans = Annotated[
    int | None, typer.Option("--fans", min=1, max=64, help="Number of fans.", show_default=False)
]
Blades = Annotated[
    int | None,
    typer.Option("--blades", min=1, max=64, help="Blades of a fan.", show_default=False),
]
FanPoles = Annotated[
    int | None,
    typer.Option("--fan-poles", min=1, max=64, help="Poles of a fan's motor.", show_default=False),
]
PumpPoles = Annotated[
    int | None,
    typer.Option(
        "--pump-poles", min=1, max=64, help="Poles of the pump's motor.", show_default=False
    ),
]
PumpVanes = Annotated[
    int | None,
    typer.Option(
        "--pump-vanes", min=1, max=64, help="Vanes of the pump's impeller.", show_default=False
    ),
]
PwmHz = Annotated[
    float | None,
    typer.Option(
        "--pwm-hz", help="Frequency at which the speed control switches.", show_default=False
    ),
]
MainsHz = Annotated[
    float | None,
    typer.Option(
        "--mains-hz",
        help="Mains frequency [default: 50 or 60, whichever fits the tones].",
        show_default=False,
    ),
]
FanRpm = Annotated[
    list[float] | None,
    typer.Option(
        "--fan-rpm",
        help="Speed of the fan, and again for each further fan [default: as kept beside the "
        "sound].",
        show_default=False,
    ),
]
PumpRpm = Annotated[
    float | None,
    typer.Option(
        "--pump-rpm",
        help="Speed of the pump [default: as kept beside the sound].",
        show_default=False,
    ),
]


def described_cooler(about: Path | None, **given: float | None) -> "CoolerDocument | None":
    """Put together what is known of the cooler.

    Parameters
    ----------
    about : Path or None
        File with its description.
    **given : int, float or None
        What the options say, by the names of the fields of a description.

    Returns
    -------
    CoolerDocument or None
        The description; None where nobody said anything.

    Raises
    ------
    SettingsError
        If an option cannot be what it stands for.
    DocumentError
        If the file cannot be read or is none.
    """
    from pydantic import ValidationError

    from service.documents.cooler import CoolerDocument
    from service.documents.validation import problem_in
    from service.errors import SettingsError
    from service.storage.document_files import read_document_text

    said = {name: value for name, value in given.items() if value is not None}
    if about is None and not said:
        return None
    known = {"cooler": "as described by options"}
    if about is not None:
        text = read_document_text(about, "description of a cooler")
        known = CoolerDocument.from_json(text, str(about)).to_plain()
    try:
        return CoolerDocument.model_validate({**known, **said})
    except ValidationError as error:
        raise SettingsError(
            f"The cooler cannot be described so: {problem_in(error.errors())}."
        ) from error


def given_rpm(fan_rpm: list[float] | None, pump_rpm: float | None) -> dict[str, float]:
    """Return the speeds that options give, by the names of the rotors.

    Parameters
    ----------
    fan_rpm : list of float or None
        Speed of each fan.
    pump_rpm : float or None
        Speed of the pump.

    Returns
    -------
    dict of str to float
        Speeds in revolutions a minute.

    Raises
    ------
    SettingsError
        If one is not above 0.
    """
    from service.errors import SettingsError

    fans = fan_rpm or []
    named = {"fan" if place == 1 else f"fan{place}": rpm for place, rpm in enumerate(fans, 1)}
    if pump_rpm is not None:
        named["pump"] = pump_rpm
    for name, rpm in named.items():
        if not 0.0 < rpm < 1e5:
            raise SettingsError(
                f"The speed of {name} must be a number of revolutions a minute above 0, not "
                f"{rpm:g}; leave out what stands still."
            )
    return named
