"""The hub: one thread that reads the microphone for all, and survives whatever the input does."""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from acoustic.errors import EvenhushError
from service.errors import CaptureError, CaptureStalled
from service.live.heard import HeardBlock
from service.live.pace import Pace, PaceKeeper
from service.live.tap import READ_AHEAD_S, SoundTap, failure_of
from service.ports import SoundSource

__all__ = ["BLOCK_S", "HubState", "Listener", "SoundHub"]

BLOCK_S: Final = 0.1
"""How much sound is read at a time, in seconds."""
_PAUSES_S: Final = (1.0, 2.0, 5.0, 10.0, 30.0)
"""Pauses between attempts to reach a lost input, the last one over and over."""
_END_S: Final = 5.0
"""How long the end waits for the input to let go."""

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class HubState:
    """The input at one moment."""

    connected: bool
    """Whether it delivers sound."""
    name: str | None
    """What it is called; None before it was reached once."""
    rate_hz: int | None
    """Sampling rate in hertz; None before."""
    channels: int | None
    """Number of channels; None before."""
    since: datetime
    """Since when it is connected or not."""
    why: str | None
    """Why it is not, in one sentence."""


class Listener:
    """Who hears every block besides the measurement; the hub calls it in its thread."""

    def opened(self, source: SoundSource) -> None:
        """Learn that an input was opened, before its first block."""

    def hear(self, heard: HeardBlock) -> None:
        """Take a block; must return at once."""

    def gives_way(self) -> bool:
        """Tell whether it can take another block; asked of inputs that can be kept waiting."""
        return True

    def wants(self) -> bool:
        """Tell whether it wants to hear; asked of inputs that are read on demand."""
        return False


class SoundHub:
    """Reads one input and gives what it hears to a listener and to one measurement at most.

    Parameters
    ----------
    open_source : callable
        Opens the input; called again whenever it was lost.
    pace : Pace
        How quickly it is read.
    listener : Listener
        Who hears every block.
    now : callable
        The time.
    changed : callable, optional
        Told each new state of the input.
    pauses_s : sequence of float, optional
        Pauses between attempts to reach a lost input, in seconds; the last one over and over.
    monotonic : callable, optional
        A clock in seconds.
    """

    def __init__(
        self,
        open_source: Callable[[], SoundSource],
        *,
        pace: Pace,
        listener: Listener,
        now: Callable[[], datetime],
        changed: Callable[[HubState], None] = lambda _: None,
        pauses_s: Sequence[float] = _PAUSES_S,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._open = open_source
        self._pace = pace
        self._listener = listener
        self._now = now
        self._tell = changed
        self._pauses_s = pauses_s
        self._monotonic = monotonic
        self._heard_s = monotonic()
        self._keeper = PaceKeeper(pace, monotonic)
        self._changed = threading.Condition()
        self._tap: SoundTap | None = None
        self._source: SoundSource | None = None
        self._ending = threading.Event()
        self._state = HubState(
            connected=False,
            name=None,
            rate_hz=None,
            channels=None,
            since=now(),
            why="The input was not opened yet.",
        )
        self._number = 0
        self._thread = threading.Thread(target=self._run, name="evenhush-hub", daemon=True)

    @property
    def state(self) -> HubState:
        """The input now."""
        return self._state

    @property
    def silent_s(self) -> float:
        """How long an input that is connected has delivered nothing, in seconds.

        Always 0 for one that can be kept waiting, as somebody may just do that.
        """
        if self._pace.waits or not self._state.connected:
            return 0.0
        return self._monotonic() - self._heard_s

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def listen(self, timeout_s: float = 10.0) -> SoundTap:
        """Hear the sound from now on, as the only measurement.

        Parameters
        ----------
        timeout_s : float, optional
            How long to wait for an input that is not there, in seconds.

        Returns
        -------
        SoundTap
            The sound; close it when done.

        Raises
        ------
        CaptureStalled
            If the input is not there.
        CaptureError
            If another measurement listens.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._state.connected or self._ended, timeout_s)
            if not self._state.connected or self._ended:
                raise CaptureStalled(self._state.why or "The input was closed.")
            if self._tap is not None:
                raise CaptureError("Another measurement listens to the input; wait for its end.")
            state = self._state
            assert state.name and state.rate_hz and state.channels  # noqa: S101, PT018
            self._tap = SoundTap(
                state.name,
                state.rate_hz,
                state.channels,
                changed=self._changed,
                let_go=self._let_go,
            )
            self._changed.notify_all()
            return self._tap

    def wake(self) -> None:
        """Look again whether somebody wants to hear."""
        with self._changed:
            self._changed.notify_all()

    def close(self) -> None:
        """Stop reading and let the input go; harmless when done twice."""
        with self._changed:
            self._ending.set()
            self._changed.notify_all()
        if not self._thread.is_alive():
            return
        self._thread.join(0.5)
        if self._thread.is_alive() and self._source is not None:
            # A read that waits for a device ends when the device is let go.
            self._source.close()
        self._thread.join(_END_S)

    @property
    def _ended(self) -> bool:
        return self._ending.is_set()

    def _let_go(self, tap: SoundTap) -> None:
        with self._changed:
            if self._tap is tap:
                self._tap = None
            self._changed.notify_all()

    def _run(self) -> None:
        """Read until the end, whatever the input does."""
        attempt = 0
        while not self._ended:
            heard_before = self._number
            try:
                self._read_until_lost()
            except EvenhushError as error:
                self._lose(failure_of(error))
            except Exception as error:
                # A driver that has a bug must not end everything else.
                logger.exception("The input failed")
                self._lose(CaptureError(f"The input failed ({error}); its log says where."))
            attempt = 0 if self._number > heard_before else attempt + 1
            self._ending.wait(self._pauses_s[min(attempt, len(self._pauses_s) - 1)])
        self._lose(CaptureStalled("The input was closed."))

    def _read_until_lost(self) -> None:
        """Open the input and read it to its end."""
        source = self._source = self._open()
        try:
            self._listener.opened(source)
            self._heard_s = self._monotonic()
            self._enter(
                HubState(
                    connected=True,
                    name=source.name,
                    rate_hz=source.rate_hz,
                    channels=source.channels,
                    since=self._now(),
                    why=None,
                )
            )
            read = 0
            while self._wait_for_turn():
                # Whole frames that are tenths of a second in the mean.
                last = (read + 1) * source.rate_hz // 10
                block = source.read(last - read * source.rate_hz // 10)
                read += 1
                self._heard_s = self._monotonic()
                if self._ended:
                    return
                heard = HeardBlock(self._number, self._now(), block)
                self._number += 1
                tap = self._tap
                if tap is not None:
                    tap.give(block)
                self._listener.hear(heard)
        finally:
            self._source = None
            source.close()

    def _wait_for_turn(self) -> bool:
        """Wait until the next block is due and wanted; False at the end."""
        if self._pace.waits:
            with self._changed:
                self._changed.wait_for(lambda: self._ended or self._wanted())
        wait_s = self._keeper.wait_s(BLOCK_S)
        if wait_s > 0.0:
            self._ending.wait(wait_s)
        return not self._ended

    def _wanted(self) -> bool:
        """Tell whether everybody has room, and, on demand, whether anybody wants to hear."""
        ahead_s = 0.0 if self._pace.on_demand else READ_AHEAD_S
        if not self._listener.gives_way():
            return False
        if self._tap is not None:
            return self._tap.gives_way(ahead_s=ahead_s)
        return not self._pace.on_demand or self._listener.wants()

    def _lose(self, error: Exception) -> None:
        """Tell everybody that there is no sound."""
        with self._changed:
            tap, before = self._tap, self._state
        if tap is not None:
            tap.end(error)
        since = before.since if not before.connected else self._now()
        self._enter(
            HubState(
                connected=False,
                name=before.name,
                rate_hz=before.rate_hz,
                channels=before.channels,
                since=since,
                why=str(error),
            )
        )

    def _enter(self, state: HubState) -> None:
        """Take a new state."""
        with self._changed:
            self._state = state
            self._changed.notify_all()
        self._tell(state)
