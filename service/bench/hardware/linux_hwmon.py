"""Fans and pumps on channels of a chip that the Linux kernel shows under hwmon.

Duty in percent becomes a register of 0 to 255 here and nowhere else. The file names and their
meaning are the kernel's (Documentation/hwmon/sysfs-interface): ``pwmN`` holds the register,
``pwmN_enable`` who sets it: 0 nobody (full speed), 1 whoever writes, 2 and more the chip itself.
"""

from pathlib import Path
from typing import Final

from service.bench.hardware.hwmon_chips import Channel, Chip, HwmonFolder
from service.bench.hardware.speed_control import (
    READ_BACK_PERCENT,
    Tachometer,
    Thermometer,
    confirm,
    plausible_c,
    plausible_rpm,
)
from service.documents.saved_hardware import SavedControl, SavedPwm
from service.errors import HardwareFault

__all__ = ["PwmControl", "chip_tachometer", "chip_thermometer", "mode_in_words"]

_FULL: Final = 255
_MANUAL: Final = 1
_LOOKS: Final = 10
"""How often a register is read back: some drivers answer a little late."""
_NEAR: Final = round(READ_BACK_PERCENT * _FULL / 100)
"""How far a register may read back from what was written."""


class PwmControl:
    """One channel that sets a speed, with the tachometer that belongs to it.

    Parameters
    ----------
    chips : HwmonFolder
        All chips.
    chip : Chip
        The one it is on.
    pwm : int
        Number of the channel.
    fan : callable, optional
        Reads its tachometer.
    full_speed_percent : float, optional
        Duty to set where it cannot be put back.
    """

    def __init__(
        self,
        chips: HwmonFolder,
        chip: Chip,
        pwm: int,
        *,
        fan: Tachometer | None = None,
        full_speed_percent: float = 100.0,
    ) -> None:
        self._chips = chips
        self.chip = chip
        """The chip it is on."""
        self._number = pwm
        self._fan = fan
        self._full_speed_percent = full_speed_percent
        self._value_file = chip.folder / f"pwm{pwm}"
        mode_file = chip.folder / f"pwm{pwm}_enable"
        self._mode_file = mode_file if mode_file.is_file() else None
        self.files = (
            (self._value_file,) if self._mode_file is None else (self._value_file, self._mode_file)
        )
        """The files that are written."""
        self.where = f"pwm{pwm} of {chip.name} ({chip.device})"
        """What it is, for a sentence."""
        self.tachometer = fan is not None
        """Whether `rpm` can be asked."""

    @classmethod
    def of_saved(cls, saved: SavedPwm) -> "PwmControl":
        """Find the channel that was saved.

        Parameters
        ----------
        saved : SavedPwm
            What was saved of it.

        Returns
        -------
        PwmControl
            The channel.

        Raises
        ------
        HardwareFault
            If its chip is not there.
        """
        chips = HwmonFolder(Path(saved.folder))
        there = chips.chips()
        same = [c for c in there if (c.name, c.device) == (saved.chip, saved.device)]
        # A device that was plugged in again may have another path.
        chip = same[0] if same else chips.find_chip(saved.chip)
        return cls(chips, chip, saved.number, full_speed_percent=saved.full_speed_percent)

    def duty_percent(self) -> float:
        """Read the register, as a duty.

        Raises
        ------
        HardwareFault
            If it cannot be read.
        """
        return 100.0 * self._value() / _FULL

    def rpm(self) -> float:
        """Read the tachometer.

        Raises
        ------
        HardwareFault
            If there is none, or it cannot be read.
        """
        if self._fan is None:
            raise HardwareFault(f"{self.where} has no tachometer.")
        return self._fan()

    def own_control(self) -> SavedPwm:
        """Read how it is controlled now.

        Raises
        ------
        HardwareFault
            If that cannot be read.
        """
        return SavedPwm(
            folder=str(self._chips.folder),
            chip=self.chip.name,
            device=self.chip.device,
            number=self._number,
            value=self._value(),
            mode=None if self._mode_file is None else self._chips.number(self._mode_file),
            full_speed_percent=self._full_speed_percent,
        )

    def check_may_set(self) -> None:
        """Make sure, without any change, that this process may write its files.

        Raises
        ------
        HardwareFault
            If it may not.
        """
        for path in self.files:
            self._chips.check_may_write(path)

    def start(self) -> None:
        """Do nothing: its duty can be read."""

    def set_duty(self, duty_percent: float) -> None:
        """Take manual control, write the register and see that it is set.

        The mode comes first, as some chips refuse the register in any other. Many kernel drivers
        answer a read-back from memory for a second or two; what a chip ignored in the end shows
        in the later looks of the bench's guard.

        Parameters
        ----------
        duty_percent : float
            The duty.

        Raises
        ------
        HardwareFault
            If it is refused or ignored.
        """
        if self._mode_file is not None and self._chips.number(self._mode_file) != _MANUAL:
            self._write(self._mode_file, _MANUAL)
        self._write(self._value_file, round(duty_percent * _FULL / 100), near=_NEAR)

    def give_back(self, saved: SavedControl) -> None:
        """Write what was saved: the register, then the mode.

        The register comes first, as some chips go on from it, and refuse it once they control
        themselves.

        Parameters
        ----------
        saved : SavedControl
            What was saved of it.

        Raises
        ------
        HardwareFault
            If it is refused or ignored.
        """
        if not isinstance(saved, SavedPwm):
            raise HardwareFault(f"{self.where} was not what was saved; put it back by hand.")
        if saved.mode is None:
            self._write(self._value_file, saved.value, near=_NEAR)
            return
        if self._mode_file is None:
            raise HardwareFault(
                f"{self._value_file}_enable is gone, so {self.where} cannot be given back to its "
                "chip; restart the machine."
            )
        if self._chips.number(self._mode_file) == _MANUAL:
            self._write(self._value_file, saved.value, near=_NEAR)
        elif saved.mode == _MANUAL:
            self.set_duty(100.0 * saved.value / _FULL)
        self._write(self._mode_file, saved.mode)

    def _value(self) -> int:
        """Read the register."""
        value = self._chips.number(self._value_file)
        if not 0 <= value <= _FULL:
            raise HardwareFault(f"{self._value_file} reads {value}, which is no duty of 0 to 255.")
        return value

    def _write(self, path: Path, value: int, *, near: int = 0) -> None:
        """Write a number and see that it reads back."""
        self._chips.write(path, value)
        seen = [value]

        def reads_back() -> bool:
            seen.append(self._chips.number(path))
            return abs(seen[-1] - value) <= near

        if not confirm(reads_back, looks=_LOOKS, pause=self._chips.pause):
            raise HardwareFault(
                f"{path} was set to {value} and reads {seen[-1]}; the chip cannot be set so, or "
                "its firmware or another program sets it too: stop that one, or look into the "
                "firmware's own settings."
            )


def chip_tachometer(chips: HwmonFolder, chip: Chip, fan: Channel) -> Tachometer:
    """Read a speed from a chip.

    Parameters
    ----------
    chips : HwmonFolder
        All chips.
    chip : Chip
        The one it is on.
    fan : Channel
        The channel.

    Returns
    -------
    callable
        Reads it.
    """

    def rpm() -> float:
        return plausible_rpm(*_sensor(chips, chip, fan))

    return rpm


def chip_thermometer(chips: HwmonFolder, chip: Chip, sensor: Channel) -> Thermometer:
    """Read a temperature of a chip.

    Parameters
    ----------
    chips : HwmonFolder
        All chips.
    chip : Chip
        The one it is on.
    sensor : Channel
        The sensor.

    Returns
    -------
    callable
        Reads it.
    """

    def read_c() -> float:
        millidegrees, where = _sensor(chips, chip, sensor)
        return plausible_c(millidegrees / 1000.0, where)

    return read_c


def mode_in_words(mode: int | None) -> str:
    """Say who sets a speed.

    Parameters
    ----------
    mode : int or None
        What ``pwmN_enable`` holds; None where there is none.

    Returns
    -------
    str
        Such as ``automatic (5)``.
    """
    match mode:
        case None:
            return "manual only"
        case 0:
            return "full speed (0)"
        case 1:
            return "manual (1)"
        case _:
            return f"automatic ({mode})"


def _sensor(chips: HwmonFolder, chip: Chip, channel: Channel) -> tuple[int, str]:
    """Read a sensor; return what it reads, and what it is for a sentence."""
    path = chip.folder / f"{channel.attribute}_input"
    fault_file = chip.folder / f"{channel.attribute}_fault"
    if fault_file.is_file() and chips.number(fault_file) != 0:
        raise HardwareFault(f"{path} is not to be believed, as {fault_file.name} says.")
    return chips.number(path), str(path)
