"""What a lab measures with: an input, a bench, and hands that mount coolers."""

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from service.capture.bench_sound import BenchSound
from service.errors import SettingsError
from service.live.pace import OWN_PACE, Pace
from service.ports import SoundSource
from service.settings import Settings
from service.wiring.inputs import Position, open_input
from service.wiring.lab_bench import BenchAddress

__all__ = ["Equipment", "RealEquipment"]

_REAL_TIME: Final = Pace(speed=1.0, waits=True)
_LITTLE_QUICKER: Final = Pace(speed=1.02, waits=False)
"""A program that delivers in real time by its own clock must not pile up; another one, which
delivers as fast as it is read, must not go faster than the clock."""


class Equipment(Protocol):
    """Input, bench and hands."""

    @property
    def demo(self) -> bool:
        """Whether it is simulated within this program."""
        ...

    @property
    def input_name(self) -> str:
        """What the input is called."""
        ...

    @property
    def pace(self) -> Pace:
        """How quickly the input is read."""
        ...

    @property
    def bench(self) -> BenchAddress | None:
        """Where the bench is; None without one."""
        ...

    def open_source(self) -> SoundSource:
        """Open the input.

        Raises
        ------
        EvenhushError
            If it is not there.
        """
        ...

    def check_cooler(self, cooler: str) -> None:
        """Make sure that a cooler can be mounted.

        Raises
        ------
        InputError
            If it cannot.
        """
        ...

    def mount(self, cooler: str) -> None:
        """Learn that a cooler was mounted.

        Raises
        ------
        EvenhushError
            If it cannot be.
        """
        ...

    def put_calibrator(self, *, on: bool) -> None:
        """Learn that the calibrator was put over the microphone, or taken off."""
        ...

    def close(self) -> None:
        """Give everything up; harmless when done twice."""
        ...


class RealEquipment:
    """What the configuration names.

    Parameters
    ----------
    settings : Settings
        The configuration.
    data_folder : Path
        The data folder.
    tell : callable
        Given remarks about the input, from any thread.

    Raises
    ------
    SettingsError
        If no input is named.
    """

    demo = False

    def __init__(self, settings: Settings, data_folder: Path, tell: Callable[[str], None]) -> None:
        if not settings.input:
            raise SettingsError(
                'No input is named; set input = "device:NAME" in the configuration, or '
                "EVENHUSH_INPUT."
            )
        self.input_name = settings.input
        """What the input is called."""
        self.pace = _pace_of(settings.input)
        """How quickly it is read."""
        self.bench = (
            None if not settings.bench else BenchAddress(settings.bench, settings.bench_token)
        )
        """Where the bench is; None without one."""
        self._settings = settings
        self._data_folder = data_folder
        self._tell = tell
        self._lock = threading.Lock()
        self._position: Position = "room"
        self._simulated: BenchSound | None = None

    def open_source(self) -> SoundSource:
        """Open the input."""
        source = open_input(
            self.input_name,
            rate_hz=self._settings.rate_hz,
            channels=self._settings.channels,
            data_folder=self._data_folder,
            position="room",
            device_return_s=self._settings.device_return_s,
            tell=self._tell,
        )
        with self._lock:
            self._simulated = source if isinstance(source, BenchSound) else None
            # The microphone may have been moved while it was opened.
            self._move()
        return source

    def check_cooler(self, cooler: str) -> None:
        """Whatever a person mounts is there."""

    def mount(self, cooler: str) -> None:
        """A person has done it."""

    def put_calibrator(self, *, on: bool) -> None:
        """Move the microphone of a simulated bench; a real one was moved by a person."""
        with self._lock:
            self._position = "calibrator" if on else "room"
            self._move()

    def _move(self) -> None:
        if self._simulated is not None:
            self._simulated.position = self._position

    def close(self) -> None:
        """The hub has closed the input."""


def _pace_of(text: str) -> Pace:
    """Tell how quickly an input is read."""
    kind, colon, _ = text.partition(":")
    if colon and kind == "device":
        return OWN_PACE
    return _LITTLE_QUICKER if colon and kind == "exec" else _REAL_TIME
