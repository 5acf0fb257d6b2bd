"""``evenhush inputs``: the microphones that can be named, and what stands between them and us."""

from typing import TYPE_CHECKING

from service.cli.options import AsJson, ConfigFile
from service.cli.runtime import open_session, print_json, remark

if TYPE_CHECKING:
    from service.documents.inputs import InputPart, InputsDocument

__all__ = ["inputs"]


def inputs(*, config: ConfigFile = None, as_json: AsJson = False) -> int:
    """List the sound inputs of this machine, with what may change their sound on its way."""
    from service.wiring.inputs import list_inputs

    session = open_session(config, None)
    found = list_inputs(rate_hz=session.settings.rate_hz)
    if as_json:
        print_json(found.to_plain())
    else:
        _show(found)
    return 0


def _show(found: "InputsDocument") -> None:
    """Print the list for a person."""
    for part in found.inputs:
        print(f'--input "{part.input}"' if part.input else f"{part.name}, {part.interface}")
        print(f"  {part.interface}, {_channels(part)}, {_rates(part)}")
        for text in part.warnings:
            print(f"  note: {text}")
    direct = [part for part in found.inputs if part.direct]
    if not direct:
        remark(
            "None of these is a device itself. A measurement microphone that is plugged in should "
            "be listed by its name; see whether a sound server has it to itself."
        )


def _channels(part: "InputPart") -> str:
    """Say how many channels there are, and whether it is the system's default."""
    count = "1 channel" if part.channels == 1 else f"{part.channels} channels"
    return f"{count}, the system's default" if part.default else count


def _rates(part: "InputPart") -> str:
    """Say which rates it takes."""
    if not part.rates_hz:
        return "rates not known"
    return f"{' '.join(map(str, part.rates_hz))} Hz"
