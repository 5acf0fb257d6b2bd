"""Putting back what a bench has left changed, from what it saved; needs no configuration."""

from collections.abc import Mapping

from acoustic.errors import EvenhushError
from service.bench.hardware.commands import ProgramControl
from service.bench.hardware.driven_bench import HardwareMemory
from service.bench.hardware.linux_hwmon import PwmControl
from service.bench.hardware.programs import Programs
from service.bench.hardware.speed_control import SpeedControl
from service.documents.saved_hardware import SavedControl, SavedPrograms, SavedPwm
from service.errors import HardwareFault

__all__ = ["put_back", "run_at_full_speed"]


def put_back(memory: HardwareMemory) -> tuple[str, ...]:
    """Put everything back that is saved as changed; what cannot be runs at full speed.

    Parameters
    ----------
    memory : HardwareMemory
        Where it is saved; what is back is removed there.

    Returns
    -------
    tuple of str
        The actuators that were put back.

    Raises
    ------
    HardwareFault
        If one cannot be put back; the others are.
    EvenhushError
        If what is saved cannot be read or written.
    """
    saved = memory.read()
    if saved is None:
        return ()
    faults: dict[str, str] = {}
    for name, control in saved.actuators.items():
        try:
            _control_of(name, control).give_back(control)
        except EvenhushError as error:
            faults[name] = str(error) + _full_speed(name, control)
    if not faults:
        memory.remove()
        return tuple(saved.actuators)
    left = {name: control for name, control in saved.actuators.items() if name in faults}
    memory.save(saved.model_copy(update={"actuators": left}))
    raise HardwareFault(_sentence(saved.bench, faults))


def run_at_full_speed(memory: HardwareMemory) -> None:
    """Run everything that is saved as changed at full speed, and leave it so.

    Parameters
    ----------
    memory : HardwareMemory
        Where it is saved; it stays there, to be put back later.

    Raises
    ------
    HardwareFault
        If one cannot be set; the others are.
    EvenhushError
        If what is saved cannot be read.
    """
    saved = memory.read()
    if saved is None:
        return
    faults: dict[str, str] = {}
    for name, control in saved.actuators.items():
        try:
            _control_of(name, control).set_duty(control.full_speed_percent)
        except EvenhushError as error:
            faults[name] = str(error)
    if faults:
        raise HardwareFault(_sentence(saved.bench, faults))


def _control_of(name: str, saved: SavedControl) -> SpeedControl:
    """Find what was saved."""
    match saved:
        case SavedPwm():
            return PwmControl.of_saved(saved)
        case SavedPrograms():
            return ProgramControl(name, saved.programs, Programs())


def _full_speed(name: str, saved: SavedControl) -> str:
    """Set one to full speed instead; return what came of it, as a sentence."""
    try:
        _control_of(name, saved).set_duty(saved.full_speed_percent)
    except EvenhushError:
        return " It cannot be set to full speed either."
    return " It runs at full speed instead."


def _sentence(bench: str, faults: Mapping[str, str]) -> str:
    """Say what could not be done."""
    what = " ".join(f"{name}: {why}" for name, why in faults.items())
    return f"Not everything of bench {bench} could be put back. {what}"
