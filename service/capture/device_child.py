"""The process that holds an audio device, for its own sake: it can be killed when a device hangs.

It is asked for one thing on its standard input, and tells what comes of it on its standard output.
It ends when its standard input does, or when nobody reads what it tells: either is the end of its
parent.
"""

import os
import pickle
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.errors import EvenhushError
from service.capture.audio_devices import InputDevice, choose_device, find_again, is_only_one
from service.capture.audio_library import input_devices, start_stream, supported_rates_hz
from service.capture.device_messages import (
    Alive,
    Failed,
    Finished,
    Listed,
    ListOrder,
    Message,
    Opened,
    Order,
    RecordOrder,
    Sound,
)
from service.errors import CaptureError

__all__ = ["Gatherer", "main", "obey"]

_ALIVE_S: Final = 0.5
"""How often the process makes sure that somebody listens."""
_BLOCK_S: Final = 0.1
"""Length of the blocks that are told."""
_MOST_WAITING_S: Final = 2.0
"""How much sound may wait to be told, when the listener is suspended."""

Tell = Callable[[Message], None]
"""Tells the listener something."""


def main() -> None:
    """Do what standard input asks for, and end."""
    # A terminal or a service manager signals every process; when to end is for the listener to say.
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    order: Order = pickle.load(sys.stdin.buffer)  # noqa: S301 - it comes from our own parent
    with os.fdopen(os.dup(sys.stdout.fileno()), "wb") as out:
        # Audio libraries write to standard output what would disturb.
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123 - it is a device and no path
            os.dup2(nowhere.fileno(), sys.stdout.fileno())
        told = threading.Lock()

        def tell(message: Message) -> None:
            """Tell the listener; end where there is none."""
            try:
                with told:
                    pickle.dump(message, out)
                    out.flush()
            except OSError:
                # Not by an exception: another thread may hang in the audio library for ever.
                os._exit(1)

        def stay_alive() -> None:
            """Find out that nobody listens even while no sound comes."""
            never = threading.Event()
            while not never.wait(_ALIVE_S):
                tell(Alive())

        threading.Thread(target=stay_alive, daemon=True).start()
        # Not through Python's buffer, whose lock would be held when the interpreter ends.
        obey(order, tell, wait_for_end=lambda: os.read(sys.stdin.fileno(), 1))


def obey(order: Order, tell: Tell, *, wait_for_end: Callable[[], object]) -> None:
    """Do what is asked and tell what comes of it.

    Parameters
    ----------
    order : RecordOrder or ListOrder
        What is asked.
    tell : callable
        Given each message.
    wait_for_end : callable
        Returns when a recording is to end.
    """
    try:
        match order:
            case ListOrder():
                tell(Listed(tuple(_with_rates(device) for device in input_devices())))
            case RecordOrder():
                _record(order, tell, wait_for_end)
    except EvenhushError as error:
        tell(Failed(error))
    except Exception as error:  # noqa: BLE001 - nobody sees what this process prints
        tell(Failed(CaptureError(f"The audio library failed ({error!r}); try again.")))


def _with_rates(device: InputDevice) -> InputDevice:
    """Ask a device for its rates."""
    return replace(device, rates_hz=supported_rates_hz(device))


def _record(order: RecordOrder, tell: Tell, wait_for_end: Callable[[], object]) -> None:
    """Tell the sound of a device until it is gone, or nobody wants it."""
    opened = _found(order)
    gatherer = Gatherer(round(_BLOCK_S * order.rate_hz), order.rate_hz)
    stream = start_stream(
        opened.device,
        rate_hz=order.rate_hz,
        channels=order.channels,
        arrive=gatherer.arrive,
        finished=gatherer.finish,
    )
    tell(opened)

    def finish_at_the_end() -> None:
        """Let no more sound come when nobody wants it."""
        wait_for_end()
        gatherer.finish()

    threading.Thread(target=finish_at_the_end, daemon=True).start()
    for sound in gatherer.blocks():
        tell(sound)
    tell(Finished())
    # With a sound server that hangs this does so for ever, until it is killed.
    stream.close()


def _found(order: RecordOrder) -> Opened:
    """Find the device that is meant, as it is now."""
    devices = input_devices()
    if order.known is None:
        device = choose_device(order.name_part, devices)
        return Opened(device, is_only_one(device, devices))
    known = order.known.device
    device = find_again(known, devices, only_one=order.known.only_one)
    return Opened(device, order.known.only_one)


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """What the audio library brings at once."""

    samples: npt.NDArray[np.float32]
    time_s: float
    status: object
    after_loss: bool


class Gatherer:
    """Between the audio library's thread and the listener: makes blocks of one length of pieces.

    Parameters
    ----------
    block_frames : int
        Length of the blocks.
    rate_hz : int
        Sampling rate in hertz.
    """

    def __init__(self, block_frames: int, rate_hz: int) -> None:
        self._block_frames = block_frames
        self._rate_hz = rate_hz
        self._pieces: queue.SimpleQueue[_Piece | None] = queue.SimpleQueue()
        self._most_waiting = round(_MOST_WAITING_S * rate_hz)
        # Each is written by one thread only.
        self._frames_in = 0
        self._frames_out = 0
        self._lost = False

    def arrive(
        self, samples: npt.NDArray[np.float32], frames: int, _times: object, status: object, /
    ) -> None:
        """Take a piece in the audio library's own thread: copy and queue, nothing else."""
        if self._frames_in - self._frames_out > self._most_waiting:
            self._lost = True
            return
        self._frames_in += frames
        self._pieces.put(_Piece(samples.copy(), time.monotonic(), status, self._lost))
        self._lost = False

    def finish(self) -> None:
        """Say that no more comes."""
        self._pieces.put(None)

    def blocks(self) -> Iterator[Sound]:
        """Wait for pieces and put them together, until no more come.

        Yields
        ------
        Sound
            Each block; what is left at the end is too short for one.
        """
        waiting: list[npt.NDArray[np.float32]] = []
        frames = 0
        faults: dict[str, None] = {}
        while (piece := self._pieces.get()) is not None:
            self._frames_out += len(piece.samples)
            here = _faults_of(piece)
            faults |= here
            waiting.append(piece.samples)
            frames += len(piece.samples)
            if frames < self._block_frames:
                continue
            samples = np.concatenate(waiting)
            while frames >= self._block_frames:
                block, samples = np.split(samples, [self._block_frames])
                frames -= self._block_frames
                yield Sound(block, piece.time_s - frames / self._rate_hz, tuple(faults))
            waiting = [samples]
            # The rest of a piece is in the next block.
            faults = dict(here) if frames else {}


def _faults_of(piece: _Piece) -> dict[str, None]:
    """Say what is known against a piece."""
    faults = []
    if piece.status:
        faults.append(f"the audio library says {piece.status}")
    if piece.after_loss:
        faults.append("sound was lost, as nobody took it in time")
    return dict.fromkeys(faults)


if __name__ == "__main__":
    main()
