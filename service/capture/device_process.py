"""Asking the audio library in a process of its own (`service.capture.device_child`)."""

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import IO, Final

from service.capture.audio_devices import InputDevice
from service.capture.device_messages import Failed, Listed, ListOrder, Message, Order
from service.capture.patience import wait_patiently
from service.errors import CaptureError, CaptureStalled

__all__ = ["DeviceProcess", "list_inputs"]

_CLOSE_S: Final = 0.5
"""How long the process may take to give its device back before it is killed."""
_END_S: Final = 2.0
"""How long a killed process may take to be gone."""
_LIST_S: Final = 20.0
"""How long the audio system may take to list its inputs with their rates."""


class DeviceProcess:
    """A process that does one thing with the audio library, and a thread that hears of it.

    Parameters
    ----------
    order : Order
        What it is to do.
    hear : callable
        Given each message, by the thread.
    ended : callable
        Called by the thread when no more comes, whatever the reason.

    Raises
    ------
    CaptureError
        If the system starts no more processes.
    """

    def __init__(
        self, order: Order, *, hear: Callable[[Message], None], ended: Callable[[], None]
    ) -> None:
        self._hear = hear
        self._ended = ended
        self._process = _start()
        self._thread = threading.Thread(target=self._listen, name="evenhush-device", daemon=True)
        self._thread.start()
        stdin = _pipe(self._process.stdin)
        with contextlib.suppress(OSError):  # it has ended, as the thread will find
            pickle.dump(order, stdin)
            stdin.flush()

    def end(self, *, gently: bool = True) -> None:
        """End the process, whatever it does; harmless when done twice.

        Parameters
        ----------
        gently : bool, optional
            Whether it gets the time to give its device back; one that hangs never does.
        """
        with contextlib.suppress(OSError):
            _pipe(self._process.stdin).close()
        if gently:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_CLOSE_S)
        self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_END_S)
        self._thread.join(_END_S)

    def _listen(self) -> None:
        """Pass messages on until there are no more; half a message is none."""
        try:
            with (
                _pipe(self._process.stdout) as stdout,
                contextlib.suppress(EOFError, OSError, pickle.UnpicklingError),
            ):
                while True:
                    self._hear(pickle.load(stdout))  # noqa: S301 - it comes from our own child
        finally:
            self._ended()


def list_inputs() -> tuple[InputDevice, ...]:
    """List the inputs of this machine with the rates they take.

    Returns
    -------
    tuple of InputDevice
        All of them; maybe none.

    Raises
    ------
    DeviceNotFound
        If there is no audio library to ask.
    CaptureStalled
        If the audio system does not answer.
    CaptureError
        If the audio library fails.
    """
    told: list[Message] = []
    done = threading.Event()
    process = DeviceProcess(ListOrder(), hear=told.append, ended=done.set)
    try:
        answered = wait_patiently(done.wait, _LIST_S)
    finally:
        process.end()
    for message in told:
        match message:
            case Listed(devices):
                return devices
            case Failed(error):
                raise error
    if not answered:
        raise CaptureStalled(
            f"The audio system has not answered for {_LIST_S:g} s; start its sound server again."
        )
    raise CaptureError("The audio library crashed while it listed the inputs; try again.")


def _start() -> "subprocess.Popen[bytes]":
    """Start the process, out of reach of the terminal: Ctrl-C there is for its parent to act on."""
    # Not the working folder, where a file may have the name of a module of ours.
    path = os.pathsep.join(folder for folder in sys.path if folder)
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "service.capture.device_child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": path},
            start_new_session=os.name != "nt",
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
    except OSError as error:
        raise CaptureError(
            f"No process can be started to record in ({error.strerror or error}); free some memory "
            "and try again."
        ) from error


def _pipe(stream: IO[bytes] | None) -> IO[bytes]:
    """Return a stream that is there, as it was asked for."""
    if stream is None:
        raise AssertionError("the process was started without its pipes")
    return stream
