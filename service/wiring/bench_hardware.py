"""From the configuration to a bench of real hardware: the one place that chooses a driver."""

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from calibration.bench_state import Actuator, Role
from service.bench.hardware.commands import ProgramControl, program_thermometer
from service.bench.hardware.driven_bench import (
    DrivenActuator,
    DrivenBench,
    HardwareMemory,
    WatchedTemperature,
)
from service.bench.hardware.hwmon_chips import HwmonFolder
from service.bench.hardware.linux_hwmon import PwmControl, chip_tachometer, chip_thermometer
from service.bench.hardware.programs import Programs
from service.bench.hardware.speed_control import SpeedControl
from service.bench_settings import ActuatorSettings, BenchHostSettings, TemperatureSettings
from service.documents.saved_hardware import SpeedPrograms
from service.errors import SettingsError

__all__ = ["driven_bench"]

_LOWEST_PERCENT: Final[Mapping[Role, float]] = {"fan": 20.0, "pump": 50.0}
"""Lowest duty where the configuration names none."""
_PUMP_NEVER_BELOW_PERCENT: Final = 10.0
"""A pump that stands still boils its coolant."""
_KEYS_OF: Final[Mapping[str, frozenset[str]]] = {
    "hwmon": frozenset({"chip", "device", "pwm", "tachometer"}),
    "command": frozenset(SpeedPrograms.model_fields),
}
"""Keys of an actuator that only one driver knows."""


class _Parts:
    """What the drivers of one bench share."""

    def __init__(self, settings: BenchHostSettings) -> None:
        self.chips = HwmonFolder(settings.hwmon_folder)
        self.programs = Programs()


def driven_bench(settings: BenchHostSettings, name: str, memory: HardwareMemory) -> DrivenBench:
    """Find the hardware that the configuration describes, and change nothing.

    Parameters
    ----------
    settings : BenchHostSettings
        The configuration.
    name : str
        Name of the bench.
    memory : HardwareMemory
        Where is saved what has to be put back.

    Returns
    -------
    DrivenBench
        The bench.

    Raises
    ------
    SettingsError
        If the configuration leaves something out or cannot work.
    HardwareFault
        If the hardware is not there or cannot be read.
    """
    make = _DRIVERS.get(settings.driver or "")
    if make is None:
        raise SettingsError(
            'No driver for real hardware is configured; set driver = "hwmon" or "command" in '
            "[bench_host]. 'evenhush hardware list' shows what hwmon offers."
        )
    if not settings.actuators:
        raise SettingsError(
            f"The bench {name} has nothing to set; describe each fan and pump in a table "
            "[bench_host.actuators.NAME]. 'evenhush hardware list' prints tables to begin with."
        )
    if all(table.limit_c is None for table in settings.temperatures.values()):
        raise SettingsError(
            f"The bench {name} watches no temperature, and fans must not be turned down "
            "blindly: describe at least one, best the processor's, in a table "
            "[bench_host.temperatures.NAME] with its limit_c."
        )
    parts = _Parts(settings)
    actuators = {}
    for key, table in settings.actuators.items():
        _check_keys(key, table, settings.driver or "")
        lowest, highest = _limits(key, table)
        control = make(key, table, parts)
        actuators[key] = DrivenActuator(
            Actuator(table.role, lowest, highest, tachometer=control.tachometer), control
        )
    _check_different({key: driven.control.where for key, driven in actuators.items()})
    temperatures = {
        key: WatchedTemperature(_thermometer(key, table, parts), table.limit_c)
        for key, table in settings.temperatures.items()
    }
    return DrivenBench(name, actuators, temperatures, memory)


def _hwmon(name: str, table: ActuatorSettings, parts: _Parts) -> SpeedControl:
    """Find a channel of a chip."""
    if table.chip is None or table.pwm is None:
        raise SettingsError(
            f"The actuator {name} needs chip and pwm; 'evenhush hardware list' shows them."
        )
    chip = parts.chips.find_chip(table.chip, table.device)
    pwm = parts.chips.find_channel(chip, "pwm", table.pwm)
    fan = None
    if table.tachometer is not None:
        channel = parts.chips.find_channel(chip, "fan", table.tachometer)
        fan = chip_tachometer(parts.chips, chip, channel)
    return PwmControl(
        parts.chips, chip, pwm.number, fan=fan, full_speed_percent=table.max_duty_percent
    )


def _command(name: str, table: ActuatorSettings, parts: _Parts) -> SpeedControl:
    """Take the programs of an actuator."""
    if table.set_duty is None:
        raise SettingsError(f"The actuator {name} needs set_duty, the program that sets it.")
    given = table.model_dump(include=set(SpeedPrograms.model_fields))
    for key, value in given.items():
        if isinstance(value, tuple):
            given[key] = _from_anywhere(value)
    programs = SpeedPrograms(**given)
    return ProgramControl(name, programs, parts.programs, full_speed_percent=table.max_duty_percent)


def _from_anywhere(command: tuple[str, ...]) -> tuple[str, ...]:
    """Return a command that finds its program from any working folder, as a rescue may need."""
    program, *arguments = command
    if os.path.dirname(program):  # noqa: PTH120 - to pathlib, ./tool is what tool is
        program = str(Path(program).absolute())
    return (program, *arguments)


_DRIVERS: Final[Mapping[str, Callable[[str, ActuatorSettings, _Parts], SpeedControl]]] = {
    "hwmon": _hwmon,
    "command": _command,
}
"""How an actuator of each driver is made."""


def _thermometer(name: str, table: TemperatureSettings, parts: _Parts) -> Callable[[], float]:
    """Find what reads a temperature; either kind goes with any driver."""
    by_chip = table.chip is not None and table.sensor is not None
    by_program = table.read_c is not None and table.read_c_pattern is not None
    mixed = {"chip", "device", "sensor"} & table.model_fields_set and {
        "read_c",
        "read_c_pattern",
    } & table.model_fields_set
    if mixed or by_chip == by_program:
        raise SettingsError(
            f"The temperature {name} needs either chip and sensor, which 'evenhush hardware list' "
            "shows, or read_c and read_c_pattern, a program that prints it."
        )
    if table.chip is not None and table.sensor is not None:
        chip = parts.chips.find_chip(table.chip, table.device)
        sensor = parts.chips.find_channel(chip, "temp", table.sensor)
        return chip_thermometer(parts.chips, chip, sensor)
    return program_thermometer(
        name, table.read_c or (), table.read_c_pattern or "", table.time_limit_s, parts.programs
    )


def _limits(name: str, table: ActuatorSettings) -> tuple[float, float]:
    """Return the lowest and the highest duty of an actuator, if they can be used."""
    lowest = table.min_duty_percent
    if lowest is None:
        lowest = _LOWEST_PERCENT[table.role]
    if table.role == "pump" and lowest < _PUMP_NEVER_BELOW_PERCENT:
        raise SettingsError(
            f"A pump must never stop, so the min_duty_percent of {name} must be at least "
            f"{_PUMP_NEVER_BELOW_PERCENT:g}, not {lowest:g}; take what its maker allows."
        )
    if lowest > table.max_duty_percent:
        raise SettingsError(
            f"The min_duty_percent of {name} is {lowest:g}, above its max_duty_percent "
            f"{table.max_duty_percent:g}; set both."
        )
    left = table.leave_at_percent
    if left is not None and not lowest <= left <= table.max_duty_percent:
        raise SettingsError(
            f"The leave_at_percent of {name} must be from {lowest:g} to "
            f"{table.max_duty_percent:g}, the limits of its duty, not {left:g}."
        )
    return lowest, table.max_duty_percent


def _check_keys(name: str, table: ActuatorSettings, driver: str) -> None:
    """Refuse keys that only another driver knows."""
    for other, keys in _KEYS_OF.items():
        strange = sorted(keys & table.model_fields_set) if other != driver else []
        if strange:
            raise SettingsError(
                f"The actuator {name} has {', '.join(strange)}, which the driver {other!r} knows "
                f"and {driver!r} does not; remove it, or change driver in [bench_host]."
            )


def _check_different(where: Mapping[str, str]) -> None:
    """Refuse two actuators that are one."""
    first: dict[str, str] = {}
    for name, what in where.items():
        if what in first:
            raise SettingsError(
                f"The actuators {first[what]} and {name} are both {what}; remove one of them."
            )
        first[what] = name
