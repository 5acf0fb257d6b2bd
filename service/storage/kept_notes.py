"""What is noted about sound while it is kept: marks, settings, stretches and warnings."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from calibration.bench_state import BenchState
from service.documents.kept_sound import (
    KeptActuator,
    KeptSetting,
    KeptSpeeds,
    KeptStretch,
    MarkedInterval,
)
from service.ports import SoundBlock

__all__ = ["KeptNotes"]

_STEADY: Final = 0.03
"""How far a speed that counts as steady may be from its mean: hunting fans stay within it."""
_MOST_READINGS: Final = 4096
"""Readings of speeds that are kept: more than half an hour of two a second. In longer sound every
other one goes, again and again, so that the document stays small."""
_LEAST_APART_S: Final = 0.25
"""Readings closer together tell nothing more."""


@dataclass(slots=True)
class _Setting:
    """A setting that is heard, with what the bench said of it."""

    start_s: float
    duty_percent: Mapping[str, float]
    time_s: list[float] = field(default_factory=list)
    rpm: list[Mapping[str, float | None]] = field(default_factory=list)

    def add(self, time_s: float, state: BenchState) -> None:
        """Note what the bench says."""
        self.time_s.append(time_s)
        self.rpm.append({name: each.rpm for name, each in state.actuators.items()})

    def part(self, end_s: float) -> KeptSetting:
        """Put it into the document's form."""
        steady_from_s = None
        actuators = {}
        for name, duty_percent in self.duty_percent.items():
            told = [
                (time_s, rpm)
                for time_s, speeds in zip(self.time_s, self.rpm, strict=True)
                if (rpm := speeds.get(name)) is not None
            ]
            rpm = None
            if told:
                since_s, rpm = _steady_end(told)
                steady_from_s = max(since_s, steady_from_s or 0.0)
            actuators[name] = KeptActuator(
                duty_percent=duty_percent, rpm=None if rpm is None else round(rpm, 1)
            )
        return KeptSetting(
            start_s=self.start_s, end_s=end_s, steady_from_s=steady_from_s, actuators=actuators
        )


def _steady_end(told: list[tuple[float, float]]) -> tuple[float, float]:
    """Find since when a speed has been what it is in the end, and its mean since then."""
    since_s, mean = told[-1]
    for count, (time_s, rpm) in enumerate(reversed(told[:-1]), start=2):
        if abs(rpm - mean) > _STEADY * mean:
            break
        since_s = time_s
        mean += (rpm - mean) / count
    return since_s, mean


class KeptNotes:
    """Notes about one file, taken by whoever hears and whoever writes; they may be two threads.

    Parameters
    ----------
    rate_hz : int
        Sampling rate of the sound.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._lock = threading.Lock()
        self._marked: list[MarkedInterval] = []
        self._newest: dict[tuple[tuple[str, ...], int | None], int] = {}
        self._settings: list[KeptSetting] = []
        self._setting: _Setting | None = None
        self._readings: list[tuple[float, dict[str, float | None]]] = []
        self._apart_s = _LEAST_APART_S
        self._stretches: list[KeptStretch] = []
        self._stretch: tuple[float, str] | None = None
        self._warnings: list[str] = []
        self._changes = 0

    @property
    def changes(self) -> int:
        """How often something was noted."""
        return self._changes

    @property
    def warnings(self) -> list[str]:
        """What is missing in the file, in words."""
        with self._lock:
            return list(self._warnings)

    def seconds(self, frames: int) -> float:
        """Return where a frame is, in seconds."""
        return round(frames / self._rate_hz, 6)

    def mark_block(self, first: int, last: int, block: SoundBlock) -> None:
        """Note what a block of frames from `first` up to, not including, `last` says of itself."""
        of_channels = {fault for faults in block.channel_faults for fault in faults}
        self.mark(first, last, tuple(fault for fault in block.faults if fault not in of_channels))
        for channel, faults in enumerate(block.channel_faults, start=1):
            self.mark(first, last, faults, channel)

    def mark(
        self, first: int, last: int, reasons: tuple[str, ...], channel: int | None = None
    ) -> None:
        """Note that frames must not enter a level; nothing where there is no reason.

        Parameters
        ----------
        first, last : int
            Frames from `first` up to, not including, `last`.
        reasons : tuple of str
            Why.
        channel : int, optional
            In which channel only, counted from 1.
        """
        if not reasons:
            return
        start_s, end_s = self.seconds(first), self.seconds(last)
        with self._lock:
            self._changes += 1
            place = self._newest.get((reasons, channel))
            if place is not None and self._marked[place].end_s == start_s:
                longer = self._marked[place].model_copy(update={"end_s": end_s})
                self._marked[place] = longer
                return
            self._newest[reasons, channel] = len(self._marked)
            self._marked.append(
                MarkedInterval(
                    start_s=start_s,
                    end_s=end_s,
                    channels=None if channel is None else [channel],
                    reasons=list(reasons),
                )
            )

    def set_to(self, frame: int, state: BenchState) -> None:
        """Note what the bench says after a frame."""
        duties = {name: each.duty_percent for name, each in state.actuators.items()}
        now_s = self.seconds(frame)
        with self._lock:
            self._changes += 1
            if self._setting is None or self._setting.duty_percent != duties:
                self._end_setting(now_s)
                self._setting = _Setting(now_s, duties)
            self._setting.add(now_s, state)
            self._read(now_s, {name: each.rpm for name, each in state.actuators.items()})

    def _read(self, now_s: float, rpm: dict[str, float | None]) -> None:
        """Note speeds over time."""
        readings = self._readings
        if readings and now_s < readings[-1][0] + self._apart_s:
            return
        readings.append((now_s, rpm))
        if len(readings) > _MOST_READINGS:
            del readings[1::2]
            self._apart_s *= 2.0

    def _speeds(self) -> KeptSpeeds | None:
        """Put the readings into the document's form."""
        if not self._readings:
            return None
        names = dict.fromkeys(name for _, rpm in self._readings for name in rpm)
        return KeptSpeeds(
            time_s=[time_s for time_s, _ in self._readings],
            rpm={
                name: [
                    None if (speed := rpm.get(name)) is None else round(speed, 1)
                    for _, rpm in self._readings
                ]
                for name in names
            },
        )

    def _end_setting(self, now_s: float) -> None:
        if self._setting is not None and self._setting.start_s < now_s:
            self._settings.append(self._setting.part(now_s))
        self._setting = None

    def begin_stretch(self, frame: int, what: str) -> None:
        """Note that something is measured from a frame on."""
        with self._lock:
            self._stretch = (self.seconds(frame), what)

    def end_stretch(self, frame: int) -> None:
        """Note that it is done; the bench is not watched any longer."""
        with self._lock:
            self._changes += 1
            now_s = self.seconds(frame)
            self._end_setting(now_s)
            if self._stretch is not None:
                start_s, what = self._stretch
                self._stretches.append(KeptStretch(start_s=start_s, end_s=now_s, what=what))
            self._stretch = None

    def warn(self, text: str) -> None:
        """Note what is missing."""
        with self._lock:
            self._changes += 1
            self._warnings.append(text)

    def parts(self, frames: int) -> dict[str, Any]:
        """Return everything noted as fields of the document.

        Parameters
        ----------
        frames : int
            How much was heard, for what has not ended yet.

        Returns
        -------
        dict
            Fields by name.
        """
        now_s = self.seconds(frames)
        with self._lock:
            settings, stretches = list(self._settings), list(self._stretches)
            if self._setting is not None and self._setting.start_s < now_s:
                settings.append(self._setting.part(now_s))
            if self._stretch is not None:
                start_s, what = self._stretch
                stretches.append(KeptStretch(start_s=start_s, end_s=now_s, what=what))
            return {
                "settings": settings,
                "stretches": stretches,
                "speeds": self._speeds(),
                "marked": sorted(self._marked, key=lambda mark: mark.start_s),
                "warnings": list(self._warnings),
            }
