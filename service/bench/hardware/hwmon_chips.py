"""The kernel's hwmon folder: finding chips by what does not change, and reading and writing them.

``hwmon3`` may be another chip after the next start, or once a driver was loaded again. So a chip is
known by its name and the path of its device, and its files by that path.
"""

import contextlib
import errno
import os
import re
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from service.errors import HardwareFault

__all__ = ["Channel", "Chip", "HwmonFolder", "Kind"]

Kind = Literal["pwm", "fan", "temp"]
"""What a channel does: sets a speed, reads a speed, reads a temperature."""

_MOST_BYTES: Final = 128
"""No value or label is longer."""
_FILE_OF: Final[dict[Kind, str]] = {"pwm": "", "fan": "_input", "temp": "_input"}
"""Ending of the file that holds a channel's value."""
_WHAT: Final[dict[Kind, str]] = {
    "pwm": "sets a speed",
    "fan": "reads a speed",
    "temp": "reads a temperature",
}
_GONE: Final = (errno.ENOENT, errno.ENODEV, errno.ENXIO)


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip that reads or sets something."""

    name: str
    """Its name, the same after every start."""
    device: str
    """Path of its device below the devices, such as ``platform/heron.656``."""
    folder: Path
    """Where its files are, for as long as its driver stays loaded."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One thing that a chip reads or sets."""

    kind: Kind
    """What it does."""
    number: int
    """Its number on the chip."""
    label: str | None
    """What the driver or the firmware calls it."""

    @property
    def attribute(self) -> str:
        """Such as ``pwm2``."""
        return f"{self.kind}{self.number}"

    def __str__(self) -> str:
        return self.attribute + (f" ({self.label})" if self.label else "")


class HwmonFolder:
    """All chips that the kernel shows.

    Parameters
    ----------
    folder : Path
        Usually ``/sys/class/hwmon``.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.absolute()
        """Where they are shown."""

    def chips(self) -> list[Chip]:
        """List the chips by name and device.

        Raises
        ------
        HardwareFault
            If there is no such folder.
        """
        try:
            entries = list(self.folder.iterdir())
        except OSError as error:
            raise HardwareFault(
                f"{self.folder} cannot be listed ({error.strerror}); hwmon is a part of Linux, and "
                "elsewhere the driver 'command' sets speeds through programs."
            ) from error
        found = [chip for entry in entries if (chip := self._chip(entry)) is not None]
        return sorted(found, key=lambda chip: (chip.name, _natural(chip.device)))

    def _chip(self, entry: Path) -> Chip | None:
        """Look at one entry of the folder; some older drivers keep their files one level higher."""
        folder = entry.resolve()
        device = re.sub(r"(/hwmon)?/[^/]*$", "", folder.as_posix()).rpartition("/devices/")[2]
        for held in (folder, folder / "device"):
            with contextlib.suppress(HardwareFault):  # as it has none there, or is just leaving
                return Chip(self.text(held / "name"), device.lstrip("/"), held.resolve())
        return None

    def find_chip(self, name: str, device: str | None = None) -> Chip:
        """Find a chip.

        Parameters
        ----------
        name : str
            Its name.
        device : str, optional
            A part of its device's path, where two chips have one name.

        Returns
        -------
        Chip
            The only one it can be.

        Raises
        ------
        HardwareFault
            If there is none, or more than one.
        """
        chips = self.chips()
        named = [chip for chip in chips if chip.name == name]
        if not named:
            there = _listed(chip.name for chip in chips)
            raise HardwareFault(
                f"There is no chip {name!r} in {self.folder}; there is {there}. Is its driver "
                "loaded? 'evenhush hardware list' shows everything."
            )
        fitting = [chip for chip in named if device is None or device in chip.device]
        if len(fitting) == 1:
            return fitting[0]
        devices = _listed(chip.device for chip in named)
        if not fitting:
            raise HardwareFault(
                f"No chip {name!r} has {device!r} in the path of its device; there is {devices}."
            )
        raise HardwareFault(
            f"{len(fitting)} chips are named {name!r}: {devices}; set device to a part of the path "
            "that only one of them has."
        )

    def channels(self, chip: Chip, kind: Kind) -> list[Channel]:
        """List what a chip has of one kind, in the order of its numbers.

        Raises
        ------
        HardwareFault
            If the chip is gone.
        """
        try:
            names = [path.name for path in chip.folder.iterdir()]
        except OSError as error:
            raise HardwareFault(_refusal(chip.folder, "read", error)) from error
        pattern = re.compile(f"{kind}([1-9][0-9]*){_FILE_OF[kind]}")
        numbers = sorted(int(m[1]) for name in names if (m := pattern.fullmatch(name)))
        return [
            Channel(
                kind,
                number,
                self.text(chip.folder / label) or None
                if (label := f"{kind}{number}_label") in names
                else None,
            )
            for number in numbers
        ]

    def find_channel(self, chip: Chip, kind: Kind, wanted: str) -> Channel:
        """Find a channel of a chip.

        What sets a speed rarely has a label; there the label of the tachometer of the same number
        will do.

        Parameters
        ----------
        chip : Chip
            The chip.
        kind : {"pwm", "fan", "temp"}
            What it has to do.
        wanted : str
            Its name, such as ``pwm2``, or its label.

        Returns
        -------
        Channel
            The only one it can be.

        Raises
        ------
        HardwareFault
            If there is none, or more than one.
        """
        channels = self.channels(chip, kind)
        fitting = [channel for channel in channels if wanted in {channel.attribute, channel.label}]
        if not fitting and kind == "pwm":
            numbers = {fan.number for fan in self.channels(chip, "fan") if fan.label == wanted}
            fitting = [channel for channel in channels if channel.number in numbers]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            raise HardwareFault(
                f"{len(fitting)} channels of {chip.name} are called {wanted!r}; name one of "
                f"{_listed(channel.attribute for channel in fitting)} instead."
            )
        raise HardwareFault(
            f"{chip.name} has no {wanted!r} that {_WHAT[kind]}; it has "
            f"{_listed(str(channel) for channel in channels)}."
        )

    def text(self, path: Path) -> str:
        """Read a file of a chip.

        Parameters
        ----------
        path : Path
            The file.

        Returns
        -------
        str
            What it says, on one line.

        Raises
        ------
        HardwareFault
            If it cannot be read.
        """
        try:
            data = self._load(path)
        except OSError as error:
            raise HardwareFault(_refusal(path, "read", error)) from error
        said = data.decode(errors="replace").strip()
        return "".join(c if c.isprintable() else "?" for c in said)

    def number(self, path: Path) -> int:
        """Read a whole number from a file of a chip.

        Parameters
        ----------
        path : Path
            The file.

        Returns
        -------
        int
            The number.

        Raises
        ------
        HardwareFault
            If it cannot be read, or is none.
        """
        said = self.text(path)
        if re.fullmatch("-?[0-9]{1,12}", said) is None:
            raise HardwareFault(f"{path} reads {said!r}, which is no number.")
        return int(said)

    def write(self, path: Path, value: int) -> None:
        """Write a whole number into a file of a chip.

        Parameters
        ----------
        path : Path
            The file, which must exist.
        value : int
            The number.

        Raises
        ------
        HardwareFault
            If that is refused.
        """
        try:
            self._store(path, f"{value}\n".encode())
        except OSError as error:
            raise HardwareFault(_refusal(path, f"set to {value}", error)) from error

    def _load(self, path: Path) -> bytes:
        """Read a file, or raise OSError."""
        with path.open("rb", buffering=0) as file:
            return file.read(_MOST_BYTES) or b""

    def _store(self, path: Path, data: bytes) -> None:
        """Write a file that exists, or raise OSError."""
        descriptor = os.open(path, os.O_WRONLY | os.O_TRUNC)
        try:
            os.write(descriptor, data)
        finally:
            os.close(descriptor)

    def check_may_write(self, path: Path) -> None:
        """Make sure, without any change, that this process may write a file of a chip.

        Raises
        ------
        HardwareFault
            If it may not.
        """
        if not os.access(path, os.W_OK):
            code = errno.EACCES if path.exists() else errno.ENOENT
            raise HardwareFault(_refusal(path, "set", OSError(code, os.strerror(code))))

    def pause(self, seconds: float) -> None:
        """Give a chip some time."""
        threading.Event().wait(seconds)


def _refusal(path: Path, done: str, error: OSError) -> str:
    """Say why something could not be done with a file, and what to do."""
    beginning = f"{path} cannot be {done}"
    if isinstance(error, PermissionError):
        return (
            f"{beginning}, as this user may not; 'evenhush hardware permissions' prints what "
            "allows it."
        )
    if error.errno in _GONE:
        return (
            f"{beginning}, as it is gone: its driver was unloaded or its device unplugged; bring "
            "it back and start the bench again."
        )
    return f"{beginning} ({error.strerror}); the firmware or another program may keep it to itself."


def _listed(names: Iterable[str]) -> str:
    """Join names for a sentence."""
    return ", ".join(dict.fromkeys(names)) or "none"


def _natural(text: str) -> str:
    """Return what sorts numbers in names by their size."""
    return re.sub("[0-9]+", lambda number: number[0].zfill(12), text)
