"""Looking at real hardware without changing anything: what there is, and whether it will do."""

from dataclasses import dataclass
from typing import Final

from service.bench.hardware.driven_bench import DrivenBench
from service.bench.hardware.hwmon_chips import Channel, Chip, HwmonFolder, Kind
from service.bench.hardware.linux_hwmon import (
    PwmControl,
    chip_tachometer,
    chip_thermometer,
    mode_in_words,
)
from service.bench.hardware.speed_control import SpeedControl
from service.documents.saved_hardware import SavedPrograms, SavedPwm
from service.errors import HardwareFault

__all__ = [
    "ActuatorFinding",
    "BenchFinding",
    "ChannelFinding",
    "TemperatureFinding",
    "inspect_bench",
    "list_channels",
]

_KINDS: Final[tuple[Kind, ...]] = ("pwm", "fan", "temp")


@dataclass(frozen=True, slots=True)
class ChannelFinding:
    """One thing that a chip reads or sets, and what it reads now."""

    chip: Chip
    """The chip."""
    channel: Channel
    """The channel."""
    reads: float | None
    """Duty in percent, speed in revolutions a minute or temperature in degrees Celsius; None where
    it cannot be read."""
    why: str
    """How a speed is controlled, or why it cannot be read."""


@dataclass(frozen=True, slots=True)
class ActuatorFinding:
    """A fan or pump as it is found."""

    name: str
    """What the user calls it."""
    where: str
    """What it is."""
    duty_percent: float | None
    """Its duty; None where it cannot be read."""
    rpm: float | None
    """Its speed; None without a tachometer, or where it cannot be read."""
    control: str
    """Under which control it is."""


@dataclass(frozen=True, slots=True)
class TemperatureFinding:
    """A temperature as it is found."""

    name: str
    """What the user calls it."""
    temperature_c: float | None
    """What it reads; None where it cannot be read."""
    limit_c: float | None
    """Its limit."""


@dataclass(frozen=True, slots=True)
class BenchFinding:
    """A bench as it is found."""

    actuators: tuple[ActuatorFinding, ...]
    """Fans and pumps."""
    temperatures: tuple[TemperatureFinding, ...]
    """Temperatures."""
    problems: tuple[str, ...]
    """What keeps it from being served, as sentences."""
    remarks: tuple[str, ...]
    """What is good to know, as sentences."""


def list_channels(chips: HwmonFolder) -> list[ChannelFinding]:
    """List everything that hwmon offers, with what it reads now.

    Parameters
    ----------
    chips : HwmonFolder
        All chips.

    Returns
    -------
    list of ChannelFinding
        Every channel, chip by chip.

    Raises
    ------
    HardwareFault
        If the chips cannot be listed.
    """
    return [
        _channel(chips, chip, channel)
        for chip in chips.chips()
        for kind in _KINDS
        for channel in chips.channels(chip, kind)
    ]


def inspect_bench(bench: DrivenBench) -> BenchFinding:
    """Read everything of a bench once.

    Parameters
    ----------
    bench : DrivenBench
        The bench.

    Returns
    -------
    BenchFinding
        What was found.

    Raises
    ------
    HardwareFault
        If nothing can be read at all.
    """
    reading = bench.read()
    problems = [f"{what} cannot be read: {why}" for what, why in bench.unread.items()]
    remarks = []
    actuators = []
    for name, control in bench.controls.items():
        words, remark = _control_in_words(name, control)
        remarks += remark
        try:
            control.check_may_set()
        except HardwareFault as fault:
            problems.append(str(fault))
        if not control.tachometer:
            remarks.append(f"{name} has no tachometer, so nobody notices when it stands still.")
        duty, rpm = reading.duty_percent.get(name), reading.rpm[name]
        actuators.append(ActuatorFinding(name, control.where, duty, rpm, words))
    temperatures = []
    for name, celsius in reading.temperatures_c.items():
        limit_c = bench.temperature_limits_c.get(name)
        temperatures.append(TemperatureFinding(name, celsius, limit_c))
        if celsius is not None and limit_c is not None and celsius >= limit_c:
            problems.append(f"{name} is {celsius:.1f} °C, and its limit is {limit_c:g} °C.")
    return BenchFinding(tuple(actuators), tuple(temperatures), tuple(problems), tuple(remarks))


def _channel(chips: HwmonFolder, chip: Chip, channel: Channel) -> ChannelFinding:
    """Read one channel."""
    try:
        match channel.kind:
            case "pwm":
                control = PwmControl(chips, chip, channel.number)
                mode = mode_in_words(control.own_control().mode)
                return ChannelFinding(chip, channel, control.duty_percent(), mode)
            case "fan":
                rpm = chip_tachometer(chips, chip, channel)
                return ChannelFinding(chip, channel, rpm(), "")
            case "temp":
                read_c = chip_thermometer(chips, chip, channel)
                return ChannelFinding(chip, channel, read_c(), "")
    except HardwareFault as fault:
        return ChannelFinding(chip, channel, None, str(fault))


def _control_in_words(name: str, control: SpeedControl) -> tuple[str, list[str]]:
    """Say how something is controlled now, and what that means for later."""
    saved = control.own_control()
    match saved:
        case SavedPrograms() if saved.programs.give_back is None:
            return f"left at {saved.programs.leave_at_percent:g} %", []
        case SavedPrograms():
            return "given back by its program", []
        case SavedPwm(mode=None | 1):
            percent = 100 * saved.value / 255
            return mode_in_words(saved.mode), [
                f"{name} is not controlled by its chip at present, so {percent:.0f} % is what it "
                "goes back to; if that is too little for a hot processor, let the firmware "
                "control it before."
            ]
        case SavedPwm():
            return mode_in_words(saved.mode), []
