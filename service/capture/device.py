"""An audio device as a sound input.

A device can vanish or fall silent without any error from the audio library, a sound server can
hang and let nobody go, and it can lose sound without saying so. So the library lives in a process
that can be killed; a wait for its sound has a limit, and its frames are counted against the clock.

A device that is lost is waited for, and listening goes on with it when it is back. As sound is the
clock, whoever listens has not missed anything: the interval in which it was lost is marked, and
nothing else has passed.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol

import numpy as np

from acoustic.repetition import LONGEST_S
from acoustic.signals import Samples
from service.capture.arrivals import Heard
from service.capture.audio_devices import InputDevice, doubt_about
from service.capture.blocks import sound_block
from service.capture.device_messages import Opened, RecordOrder
from service.capture.device_recorder import DeviceRecorder
from service.capture.patience import wait_patiently
from service.errors import CaptureError, CaptureStalled, DeviceNotFound, SettingsError, SoundEnded
from service.ports import SoundBlock

__all__ = ["DeviceSource", "Recorder"]

_STALL_S: Final = 1.5
"""How long a device may deliver nothing before it is lost."""
_OPEN_S: Final = 10.0
"""How long the audio system may take to open a device."""
_TRY_AGAIN_S: Final = 0.5
"""Pause between tries to open a device that is lost."""
_JUST_BACK_S: Final = 0.5
"""How much sound of a device that is back is not trusted: its converter settles, and somebody has
just had the cable in hand."""


class Recorder(Protocol):
    """Records from one device until it is lost; never comes back from that."""

    @property
    def opened(self) -> Opened:
        """What it records from."""
        ...

    def take(self, frames: int) -> Heard | None:
        """Wait for frames; None when the device is lost."""
        ...

    @property
    def why_lost(self) -> str:
        """What happened to the device, as the rest of a sentence that begins with it."""
        ...

    def end(self) -> None:
        """Let the device go; harmless when done twice."""
        ...


class DeviceSource:
    """An input of this machine's audio system.

    Parameters
    ----------
    name_part : str
        A part of the device's name that no other input has, in any case.
    rate_hz : int
        Sampling rate in hertz.
    channels : int
        Number of channels.
    return_s : float, optional
        How long a device that is lost may take to come back, in seconds; 0 for not at all.
    stall_s : float, optional
        How long the device may deliver nothing, in seconds.
    tell : callable, optional
        Given remarks for the person at the device.
    record : callable, optional
        Begins to record, within so many seconds, or raises a CaptureError or a SettingsError.

    Raises
    ------
    DeviceNotFound
        If there is no such device or more than one, or no library to reach it.
    SettingsError
        If the device does not offer the rate or the channels.
    CaptureError
        If it cannot be opened.
    """

    def __init__(
        self,
        name_part: str,
        *,
        rate_hz: int,
        channels: int,
        return_s: float = 60.0,
        stall_s: float = _STALL_S,
        tell: Callable[[str], None] = lambda _: None,
        record: Callable[[RecordOrder, float, float], Recorder] = DeviceRecorder,
    ) -> None:
        self.name = f"device:{name_part}"
        """What the user called it."""
        self.rate_hz = rate_hz
        """Sampling rate in hertz."""
        self.channels = channels
        """Number of channels."""
        self._order = RecordOrder(name_part, rate_hz, channels)
        self._return_s = return_s
        self._stall_s = stall_s
        self._tell = tell
        self._record = record
        self._closed = threading.Event()
        self._recorder = record(self._order, stall_s, _OPEN_S)
        self._opened = self._recorder.opened
        self._recent: Samples = np.zeros((0, channels))
        self._doubtful_frames = 0
        if doubt := doubt_about(self._opened.device):
            tell(f"{self.name}: {doubt}")

    @property
    def device(self) -> InputDevice:
        """The device itself."""
        return self._opened.device

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames, if need be after the device has come back.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The sound, with what the audio library, the clock and the samples say against it, and
            that the device was lost meanwhile.

        Raises
        ------
        SoundEnded
            If the source was closed.
        CaptureStalled
            If the device is lost and does not come back.
        CaptureError
            If it comes back changed.
        """
        faults: tuple[str, ...] = ()
        began_s = time.monotonic()
        given_up_s: float | None = None
        while True:
            if self._closed.is_set():
                raise SoundEnded(f"The input {self.name} was closed; open it again to go on.")
            heard = self._recorder.take(frames)
            if heard is not None:
                break
            # What was heard of these frames before is left out: so the gap is where the interval
            # that is marked begins, and no filter carries it into the next one.
            given_up_s = given_up_s or time.monotonic() + self._return_s
            self._wait_for_return(began_s, given_up_s)
            faults = (f"the device was lost for {time.monotonic() - began_s:.1f} s",)
        if self._doubtful_frames > 0:
            self._doubtful_frames -= frames
            faults = (*faults, "the device had just come back")
        block = sound_block(heard.samples, self.rate_hz, (*faults, *heard.faults), self._recent)
        remembered = round(LONGEST_S * self.rate_hz)
        self._recent = np.concatenate([self._recent, block.signal.samples])[-remembered:]
        return block

    def close(self) -> None:
        """Give the device back; harmless when done twice."""
        self._closed.set()
        self._recorder.end()

    def _wait_for_return(self, began_s: float, given_up_s: float) -> None:
        """Wait until the device is back and recorded from again."""
        label, why = self.device.label, self._recorder.why_lost
        self._recorder.end()
        left_s = given_up_s - time.monotonic()
        if left_s > 0:
            self._tell(
                f"The device {label!r} {why}; waiting up to {left_s:.0f} s for it to come back."
            )
        said = ""
        while left_s > 0 and not self._closed.is_set():
            try:
                self._recorder = self._return()
            except SettingsError as error:
                self.close()
                raise CaptureError(f"The device came back changed. {error}") from error
            except CaptureError as error:
                if not isinstance(error, DeviceNotFound | CaptureStalled) and str(error) != said:
                    said = str(error)
                    self._tell(said)
            else:
                self._tell(
                    f"The device {label!r} is back after {time.monotonic() - began_s:.0f} s and "
                    "the measurement goes on; what was lost is left out."
                )
                self._recent = self._recent[:0]
                self._doubtful_frames = round(_JUST_BACK_S * self.rate_hz)
                return
            # Before the wait, after which there is one more try: it may have been a long one, if
            # this process was suspended.
            left_s = given_up_s - time.monotonic()
            wait_patiently(self._closed.wait, min(_TRY_AGAIN_S, max(left_s, 0.0)))
        if not self._closed.is_set():
            self.close()
            stays_away = f", and has not come back within {self._return_s:g} s"
            raise CaptureStalled(
                f"The device {label!r} {why}{stays_away if self._return_s else ''}; check it and "
                "start again."
            )

    def _return(self) -> Recorder:
        """Record from the same device again, if it is there and the same."""
        recorder = self._record(replace(self._order, known=self._opened), self._stall_s, _OPEN_S)
        before, now = self._opened.device, recorder.opened.device
        changed = None
        if now.channels < before.channels:
            changed = f"gives {now.channels} channel(s) instead of {before.channels}"
        elif now.default_rate_hz != before.default_rate_hz:
            changed = f"runs at {now.default_rate_hz:g} Hz instead of {before.default_rate_hz:g} Hz"
        if changed is not None:
            recorder.end()
            raise SettingsError(
                f"{now.label!r} {changed}; set it as it was, calibrate it and start again."
            )
        return recorder
