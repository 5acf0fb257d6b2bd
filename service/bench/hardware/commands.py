"""Fans and pumps that any program can set, and temperatures that any program can read."""

import re
from typing import Final

from service.bench.hardware.programs import Programs, check_command, check_pattern, number_in
from service.bench.hardware.speed_control import (
    READ_BACK_PERCENT,
    Thermometer,
    confirm,
    plausible_c,
    plausible_duty_percent,
    plausible_rpm,
)
from service.documents.saved_hardware import SavedControl, SavedPrograms, SpeedPrograms
from service.errors import HardwareFault, SettingsError

__all__ = ["ProgramControl", "program_thermometer"]

_FULL_SPEED_OF: Final = {
    "{duty_percent}": 100.0,
    "{duty_whole_percent}": 100.0,
    "{duty_255}": 255.0,
    "{duty_fraction}": 1.0,
}
"""What holds the place of a duty in an argument, and what full speed is there."""

_LOOKS: Final = 3
"""How often a duty is read back; each look runs a program."""


class ProgramControl:
    """One fan or pump that programs set, read and give back.

    Parameters
    ----------
    name : str
        What the user calls it.
    programs : SpeedPrograms
        The programs.
    runner : Programs
        Runs them.
    full_speed_percent : float, optional
        Duty to set where it cannot be given back.

    Raises
    ------
    SettingsError
        If a command, a place or a pattern cannot be used, or nothing says how it is left.
    """

    def __init__(
        self,
        name: str,
        programs: SpeedPrograms,
        runner: Programs,
        *,
        full_speed_percent: float = 100.0,
    ) -> None:
        self._programs = programs
        self._runner = runner
        self._full_speed_percent = full_speed_percent
        self._place = _check(name, programs)
        self._set_percent: float | None = None
        self.where = f"{name} ({programs.set_duty[0]})"
        """What it is, for a sentence."""
        self.tachometer = programs.read_rpm is not None
        """Whether `rpm` can be asked."""

    def duty_percent(self) -> float:
        """Read the duty; where no program tells it, it is what was set last.

        Raises
        ------
        HardwareFault
            If it cannot be read, or nothing was set yet.
        """
        programs = self._programs
        if programs.read_duty is not None and programs.read_duty_pattern is not None:
            read = self._number(programs.read_duty, programs.read_duty_pattern)
            percent = 100.0 * read / _FULL_SPEED_OF[self._place]
            return plausible_duty_percent(percent, f"{self.where}: the program of read_duty")
        if self._set_percent is None:
            raise HardwareFault(f"No program reads the duty of {self.where}, and none was set yet.")
        return self._set_percent

    def rpm(self) -> float:
        """Read the speed.

        Raises
        ------
        HardwareFault
            If no program does, or it cannot be read.
        """
        programs = self._programs
        if programs.read_rpm is None or programs.read_rpm_pattern is None:
            raise HardwareFault(f"{self.where} has no tachometer.")
        read = self._number(programs.read_rpm, programs.read_rpm_pattern)
        return plausible_rpm(read, f"{self.where}: the program of read_rpm")

    def own_control(self) -> SavedPrograms:
        """Name the programs, which know themselves what own control is."""
        return SavedPrograms(programs=self._programs, full_speed_percent=self._full_speed_percent)

    def check_may_set(self) -> None:
        """Do nothing: what a program may do shows when it is run."""

    def start(self) -> None:
        """Set the duty it is left at, where no program tells which one is set.

        Raises
        ------
        HardwareFault
            If a program fails.
        """
        if self._programs.read_duty is None and self._programs.leave_at_percent is not None:
            self.set_duty(self._programs.leave_at_percent)

    def set_duty(self, duty_percent: float) -> None:
        """Run the program that sets a duty, and see that it is set where one tells.

        Parameters
        ----------
        duty_percent : float
            The duty.

        Raises
        ------
        HardwareFault
            If a program fails, or the duty does not read back.
        """
        full = _FULL_SPEED_OF[self._place]
        asked = duty_percent * full / 100.0
        whole = self._place in {"{duty_whole_percent}", "{duty_255}"}
        written = str(round(asked)) if whole else f"{asked:.4f}".rstrip("0").rstrip(".")
        self._runner.run(
            [word.replace(self._place, written) for word in self._programs.set_duty],
            self._programs.time_limit_s,
        )
        self._set_percent = 100.0 * float(written) / full
        if self._programs.read_duty is None:
            return
        seen: list[float] = []

        def reads_back() -> bool:
            self._runner.forget()
            seen.append(self.duty_percent())
            return abs(seen[-1] - duty_percent) <= READ_BACK_PERCENT

        if not confirm(reads_back, looks=_LOOKS, pause=self._runner.pause):
            raise HardwareFault(
                f"{self.where} was set to {duty_percent:.1f} % and reads {seen[-1]:.1f} %; check "
                "that both programs mean the same fan, and that nothing else sets it."
            )

    def give_back(self, saved: SavedControl) -> None:
        """Run the program that gives it back, or set the duty that it is left at.

        Parameters
        ----------
        saved : SavedControl
            What was saved of it.

        Raises
        ------
        HardwareFault
            If a program fails.
        """
        if not isinstance(saved, SavedPrograms):
            raise HardwareFault(f"{self.where} was not what was saved; put it back by hand.")
        programs = self._programs
        if programs.give_back is not None:
            self._runner.run(programs.give_back, programs.time_limit_s)
            self._set_percent = None
        elif programs.leave_at_percent is not None:
            self.set_duty(programs.leave_at_percent)

    def _number(self, command: tuple[str, ...], pattern: str) -> float:
        """Return the number that a program prints."""
        printed = self._runner.answer(command, self._programs.time_limit_s)
        return number_in(printed, pattern, command)


def program_thermometer(
    name: str, command: tuple[str, ...], pattern: str, time_limit_s: float, runner: Programs
) -> Thermometer:
    """Read a temperature that a program prints.

    Parameters
    ----------
    name : str
        What the user calls it.
    command : tuple of str
        The program and its arguments.
    pattern : str
        Regular expression whose one group is the temperature in degrees Celsius.
    time_limit_s : float
        How long it may take, in seconds.
    runner : Programs
        Runs it.

    Returns
    -------
    callable
        Reads it.

    Raises
    ------
    SettingsError
        If the program is not there or the pattern cannot be used.
    """
    check_command(command, f"The temperature {name}, read_c")
    check_pattern(pattern, f"The temperature {name}, read_c_pattern,")

    def read_c() -> float:
        printed = runner.answer(command, time_limit_s)
        return plausible_c(
            number_in(printed, pattern, command), f"{name}: the program {command[0]}"
        )

    return read_c


def _check(name: str, programs: SpeedPrograms) -> str:
    """Refuse what cannot work; return what holds the place of the duty."""
    named = f"The actuator {name}"
    commands = {
        "set_duty": programs.set_duty,
        "read_duty": programs.read_duty,
        "read_rpm": programs.read_rpm,
        "give_back": programs.give_back,
    }
    for key, command in commands.items():
        if command is not None:
            check_command(command, f"{named}, {key}")
    patterns = {
        "read_duty": programs.read_duty_pattern,
        "read_rpm": programs.read_rpm_pattern,
    }
    for key, pattern in patterns.items():
        if (pattern is None) != (commands[key] is None):
            raise SettingsError(f"{named} needs {key} and {key}_pattern, or neither of them.")
        if pattern is not None:
            check_pattern(pattern, f"{named}, {key}_pattern,")
    if (programs.give_back is None) == (programs.leave_at_percent is None):
        raise SettingsError(
            f"{named} needs either give_back, a program that gives it back to its own control, or "
            "leave_at_percent, the duty that it is left at."
        )
    if programs.read_duty is None and programs.leave_at_percent is None:
        raise SettingsError(
            f"{named} has no read_duty, so nobody would know its duty under its own control; add "
            "one, or leave_at_percent instead of give_back."
        )
    # A word in braces that is meant for the program is left alone, unless it looks like a place.
    places = {m[0] for word in programs.set_duty for m in re.finditer(r"\{duty\w*\}", word)}
    if len(places) != 1 or not places <= set(_FULL_SPEED_OF):
        raise SettingsError(
            f"{named}, set_duty must hold the place of the duty in one of these ways: "
            f"{', '.join(_FULL_SPEED_OF)}."
        )
    return places.pop()
