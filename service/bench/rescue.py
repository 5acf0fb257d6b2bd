"""A second process that saves the hardware when the bench process no longer can.

A bench process that is killed, stopped or hung in a driver cannot turn the fans up any more. So
its guard tells another process after each look that all is in hand. When that process hears
nothing for too long, or the pipe ends without a farewell, it ends the bench process, so that
nobody else writes, and brings the hardware to safety through a driver of its own.

The other way round, the bench process wants an answer to each beat, and starts another rescuer
where none comes. Only both of them killed within a second leave the hardware alone; for that case
the service manager's unit puts it back.
"""

import contextlib
import logging
import os
import signal
import threading
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Protocol

from calibration.bench_state import Control
from service.errors import BenchError

__all__ = ["Rescue", "Rescuer"]

SILENCE_S = 4.0
"""How long the guard may tell nothing before it counts as hung. It looks four times a second, but
one look may run several programs, on a machine that is kept busy on purpose."""
ANSWER_S = 2.0
"""How long the rescuer may take to answer."""
ATTEMPTS = 30
"""How often it tries; a chip may be there again in a minute."""
PAUSE_S = 2.0
"""Time between two attempts, in seconds."""
START_S = 30.0
"""How long it may take to start on a busy machine."""
FAREWELL = "farewell"
"""What the bench process says when it has handed the hardware back by itself."""

logger = logging.getLogger(__name__)


class Rescue(Protocol):
    """Brings hardware to safety from a process that did not own it before; can be pickled."""

    def __call__(self, *, full_speed: bool) -> None:
        """Hand the hardware back to its own control, or set it to full speed and leave it so."""
        ...


class Rescuer:
    """The bench process's side: keeps one rescuer alive and tells it that all is in hand.

    Parameters
    ----------
    bench : str
        Name of the bench, for the log.
    rescue : Rescue
        What is to be done when this process no longer answers.
    """

    def __init__(self, bench: str, rescue: Rescue) -> None:
        self._bench = bench
        self._rescue = rescue
        self._control: Control = "own"
        self._in_hand = threading.Event()
        self._ending = threading.Event()
        self._helper: _Helper | None = None
        self._thread = threading.Thread(
            target=self._keep, name="evenhush-bench-rescuer", daemon=True
        )

    def start(self) -> None:
        """Start the rescuer, and wait until it is on the watch.

        Raises
        ------
        BenchError
            If it does not start.
        """
        self._helper = self._begin()
        self._thread.start()

    def all_in_hand(self, control: Control) -> None:
        """Say that the guard has just looked; never waits.

        Parameters
        ----------
        control : {"own", "leased", "safe"}
            What the bench does now: one that protects itself is left at full speed.
        """
        self._control = control
        self._in_hand.set()

    def end(self, *, handed_back: bool) -> None:
        """Let the rescuer end; harmless when done twice.

        Parameters
        ----------
        handed_back : bool
            Whether the hardware is back under its own control; where it is not, the rescuer tries.
        """
        self._ending.set()
        self._in_hand.set()
        if self._thread.is_alive():
            self._thread.join(START_S + ANSWER_S)
        helper, self._helper = self._helper, None
        if helper is not None and handed_back:
            helper.end()
        elif helper is not None:
            helper.let_act()

    def _begin(self) -> "_Helper":
        """Start a rescuer."""
        ours, theirs = get_context("spawn").Pipe()
        process = get_context("spawn").Process(
            target=_stand_by,
            args=(theirs, self._bench, self._rescue, os.getpid()),
            name=f"evenhush rescuer of {self._bench}",
            # As a daemon it would be ended with us, just when it is needed; but then it ends
            # by itself in any case, as the pipe ends with us.
            daemon=False,
        )
        process.start()
        theirs.close()
        helper = _Helper(process, ours)
        if not helper.answers(START_S):
            helper.end()
            raise BenchError(
                f"The process that saves the hardware of bench {self._bench} should it ever hang "
                "does not start; look at what the log says before this."
            )
        return helper

    def _keep(self) -> None:
        """Pass on that all is in hand; replace a rescuer that does not answer."""
        while True:
            self._in_hand.wait()
            self._in_hand.clear()
            if self._ending.is_set():
                return
            if self._helper is not None:
                if self._helper.tell(self._control):
                    continue
                self._helper.end()
                self._helper = None
            logger.warning("Bench %s: its rescuer does not answer and is replaced", self._bench)
            with contextlib.suppress(BenchError):  # the next look tries again
                self._helper = self._begin()


@dataclass(frozen=True, slots=True)
class _Helper:
    """A rescuer process and the pipe to it."""

    process: SpawnProcess
    pipe: Connection

    def tell(self, control: Control) -> bool:
        """Tell it what the bench does; return whether it answers."""
        try:
            self.pipe.send(control)
        except OSError:
            return False
        return self.answers(ANSWER_S)

    def answers(self, patience_s: float) -> bool:
        """Take an answer."""
        try:
            if not self.pipe.poll(patience_s):
                return False
            self.pipe.recv()
        except (OSError, EOFError):
            return False
        return True

    def end(self) -> None:
        """Let it go: it has nothing to do, or nothing it can do."""
        with contextlib.suppress(OSError):
            self.pipe.send(FAREWELL)
        self.process.join(ANSWER_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()
        self.pipe.close()

    def let_act(self) -> None:
        """End the pipe without a farewell."""
        self.pipe.close()
        self.process.join(START_S)


def _stand_by(pipe: Connection, bench: str, rescue: Rescue, bench_pid: int) -> None:
    """Wait for the bench process to fail; the main function of the rescuer."""
    # A service manager or a terminal signals every process; this one ends with a farewell.
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    control: Control = "own"
    try:
        pipe.send("on the watch")
        while pipe.poll(SILENCE_S):
            said = pipe.recv()
            if said == FAREWELL:
                return
            control = said
            pipe.send("heard")
        why = f"tells nothing for {SILENCE_S:g} s"
        # Two that write would undo each other's work.
        with contextlib.suppress(ProcessLookupError):
            os.kill(bench_pid, getattr(signal, "SIGKILL", signal.SIGTERM))
    except (EOFError, OSError):
        why = "has ended"
    full_speed = control == "safe"
    pause = threading.Event()
    for attempt in range(1, ATTEMPTS + 1):
        try:
            rescue(full_speed=full_speed)
            break
        except Exception:
            logger.critical(
                "Bench %s: its process %s and its hardware cannot be brought to safety "
                "(attempt %d of %d); switch the machine off.",
                bench,
                why,
                attempt,
                ATTEMPTS,
                exc_info=True,
            )
            if attempt == ATTEMPTS:
                raise
            pause.wait(PAUSE_S)
    logger.critical(
        "Bench %s: its process %s; the hardware %s.",
        bench,
        why,
        "stays at full speed, as the bench protected itself"
        if full_speed
        else "is back under its own control",
    )
