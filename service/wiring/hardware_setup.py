"""Setting up real hardware: what there is, whether it will do, and files for the system."""

import getpass
import sys
from pathlib import Path

from service.bench.hardware.driven_bench import DrivenBench
from service.bench.hardware.hwmon_chips import Chip, HwmonFolder
from service.bench.hardware.inspection import (
    BenchFinding,
    ChannelFinding,
    inspect_bench,
    list_channels,
)
from service.bench.hardware.linux_hwmon import PwmControl
from service.bench.hardware.system_files import permission_rule, service_unit
from service.bench_settings import BenchHostSettings
from service.errors import SettingsError
from service.storage.saved_hardware import SavedHardwareFile
from service.wiring.bench_hardware import driven_bench
from service.wiring.hardware_rescue import claimed, put_back_what_is_left

__all__ = [
    "check_hardware",
    "hardware_there_is",
    "permission_rule_of",
    "restore_hardware",
    "service_unit_of",
]


def hardware_there_is(settings: BenchHostSettings) -> list[ChannelFinding]:
    """List everything that hwmon offers.

    Parameters
    ----------
    settings : BenchHostSettings
        The configuration.

    Returns
    -------
    list of ChannelFinding
        Every channel of every chip.

    Raises
    ------
    HardwareFault
        If the chips cannot be listed.
    """
    return list_channels(HwmonFolder(settings.hwmon_folder))


def check_hardware(settings: BenchHostSettings, name: str, data_folder: Path) -> BenchFinding:
    """Read everything of the configured bench once, and change nothing.

    Parameters
    ----------
    settings : BenchHostSettings
        The configuration.
    name : str
        Name of the bench.
    data_folder : Path
        The data folder.

    Returns
    -------
    BenchFinding
        What was found.

    Raises
    ------
    SettingsError
        If the configuration cannot be used.
    HardwareFault
        If the hardware is not there or nothing of it can be read.
    """
    return inspect_bench(_bench(settings, name, data_folder))


def restore_hardware(name: str, data_folder: Path) -> dict[str, tuple[str, ...]]:
    """Put back what a bench has left changed.

    Parameters
    ----------
    name : str
        Name of the bench.
    data_folder : Path
        The data folder.

    Returns
    -------
    dict of str to tuple of str
        The actuators that were put back, by bench; others that do not run are put back with it.

    Raises
    ------
    EvenhushError
        If the bench is running, or cannot be put back.
    """
    folder = data_folder.absolute()
    memory = SavedHardwareFile(folder, name)
    with claimed(memory):
        return put_back_what_is_left(folder, memory)


def permission_rule_of(settings: BenchHostSettings, name: str, data_folder: Path) -> str:
    """Make the rule that lets a group set the speeds of the configured bench.

    Parameters
    ----------
    settings : BenchHostSettings
        The configuration.
    name : str
        Name of the bench.
    data_folder : Path
        The data folder.

    Returns
    -------
    str
        The rule.

    Raises
    ------
    SettingsError
        If the configuration cannot be used, or no chip is set by it.
    HardwareFault
        If the hardware is not there.
    """
    if settings.driver == "command":
        raise SettingsError(
            "Programs bring their own permissions; see their documentation. This rule is for the "
            "driver 'hwmon'."
        )
    files: dict[tuple[Chip, str | None], list[str]] = {}
    for key, control in _bench(settings, name, data_folder).controls.items():
        if isinstance(control, PwmControl):
            chip = (control.chip, settings.actuators[key].device)
            files.setdefault(chip, []).extend(path.name for path in control.files)
    return permission_rule(name, files)


def service_unit_of(
    settings: BenchHostSettings, name: str, config: Path | None, data_folder: Path
) -> str:
    """Make the unit that serves the configured bench.

    Parameters
    ----------
    settings : BenchHostSettings
        The configuration.
    name : str
        Name of the bench.
    config : Path or None
        Its file.
    data_folder : Path
        The data folder.

    Returns
    -------
    str
        The unit.

    Raises
    ------
    SettingsError
        If there is no configuration for it.
    """
    if config is None or settings.driver not in {"hwmon", "command"}:
        raise SettingsError(
            "A service needs a configuration file with a driver for real hardware in [bench_host]; "
            "write that first."
        )
    user = getpass.getuser()
    return service_unit(
        name,
        program=Path(sys.executable).absolute().with_name("evenhush"),
        config=config.absolute(),
        data_folder=data_folder.absolute(),
        user=user,
        grouped=settings.driver == "hwmon" and user != "root",
    )


def _bench(settings: BenchHostSettings, name: str, data_folder: Path) -> DrivenBench:
    """Find the configured hardware."""
    return driven_bench(settings, name, SavedHardwareFile(data_folder, name))
