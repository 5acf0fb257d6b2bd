"""One recording of a device, by a process of its own, until the device is lost."""

import threading
from typing import Final

from service.capture.arrivals import Arrivals, FrameCount, Heard
from service.capture.device_messages import Failed, Finished, Message, Opened, RecordOrder, Sound
from service.capture.device_process import DeviceProcess
from service.capture.patience import wait_patiently
from service.errors import CaptureStalled

__all__ = ["DeviceRecorder"]

_WAITING_BLOCKS: Final = 10
"""Most blocks that wait to be read: as much delay as hearing a speed may have, and no more."""


class DeviceRecorder:
    """Records from a device.

    Parameters
    ----------
    order : RecordOrder
        From which one, and how.
    stall_s : float
        How long it may deliver nothing before it is lost, in seconds.
    open_s : float
        How long it may take until it is open, in seconds.

    Raises
    ------
    DeviceNotFound
        If there is no such device or more than one, or no library to reach it.
    SettingsError
        If the device does not offer the rate or the channels.
    CaptureStalled
        If the audio system does not answer.
    CaptureError
        If it cannot be opened for another reason.
    """

    def __init__(self, order: RecordOrder, stall_s: float, open_s: float) -> None:
        self._stall_s = stall_s
        self._lost = False
        self._arrivals = Arrivals(_WAITING_BLOCKS)
        self._count = FrameCount(order.rate_hz)
        self._answered = threading.Event()
        self._answer: Opened | Failed | None = None
        self._let_go: Failed | Finished | None = None
        self._process = DeviceProcess(order, hear=self._hear, ended=self._ended)
        try:
            self.opened = self._wait_until_open(order, open_s)
            """What is recorded from."""
        except BaseException:
            self.end()
            raise

    def take(self, frames: int) -> Heard | None:
        """Wait for frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        Heard or None
            Exactly `frames` frames; None when the device is lost.
        """
        heard = self._arrivals.take(frames, self._stall_s)
        self._lost = heard is None
        return heard

    @property
    def why_lost(self) -> str:
        """What happened to the device, as the rest of a sentence that begins with it."""
        if not self._arrivals.finished:
            return f"has delivered nothing for {self._stall_s:g} s"
        if self._let_go is None:
            return "cannot be heard, as the process that records from it has ended"
        return "has stopped, as if it was unplugged or its sound server ended"

    def end(self) -> None:
        """Let the device go, whatever it does; harmless when done twice."""
        self._process.end(gently=not self._lost)

    def _wait_until_open(self, order: RecordOrder, open_s: float) -> Opened:
        """Wait for the first answer."""
        answered = wait_patiently(self._answered.wait, open_s)
        match self._answer:
            case Opened():
                return self._answer
            case Failed(error):
                raise error
        how = (
            "the process that does it has ended"
            if answered
            else f"the audio system has not answered for {open_s:g} s"
        )
        raise CaptureStalled(
            f"The device {order.name_part!r} cannot be opened, as {how}; start its sound server "
            "again, or plug it in again."
        )

    def _hear(self, message: Message) -> None:
        """Take a message, in the thread of the process."""
        match message:
            case Sound(samples, time_s, faults):
                fault = self._count.fault_of(len(samples), time_s)
                self._arrivals.put(samples, faults if fault is None else (*faults, fault), time_s)
            case Opened() | Failed() if self._answer is None:
                self._answer = message
                self._answered.set()
            case Failed() | Finished():
                # Not only when the process ends: it may hang when it gives the device back.
                self._let_go = message
                self._arrivals.finish()

    def _ended(self) -> None:
        """Take note that no more comes."""
        self._answered.set()
        self._arrivals.finish()
