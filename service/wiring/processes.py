"""The same work on many things, in as many processes as there are processors.

Every process is asked for one thing after the other over a pipe of its own. So either side sees
at once that the other is gone: a process without its caller ends by itself, and a caller does not
wait for a process that died.
"""

import contextlib
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, TypeVar

from acoustic.errors import EvenhushError

__all__ = ["run_in_processes"]

Task = TypeVar("Task")
Answer = TypeVar("Answer")

Work = Callable[[Task, Callable[[float], None]], Answer]
"""Does one task, telling the share of it that is done."""


@dataclass(frozen=True, slots=True)
class _Share:
    """A process tells how far it is."""

    number: int
    share: float


@dataclass(frozen=True, slots=True)
class _Done:
    """A process has its answer."""

    number: int
    answer: Any


@dataclass(frozen=True, slots=True)
class _Failed:
    """A process could not do it."""

    error: EvenhushError


@dataclass(frozen=True, slots=True, eq=False)
class _Worker:
    """A process and the pipe to it."""

    process: SpawnProcess
    pipe: Connection

    def ask(self, thing: object) -> None:
        """Send something to it."""
        with _seeing_it_die():
            self.pipe.send(thing)

    def hear(self) -> object:
        """Take what it has to say."""
        with _seeing_it_die():
            return self.pipe.recv()

    def end(self) -> None:
        """End it, whatever it does."""
        self.process.terminate()
        self.process.join()
        self.pipe.close()


def run_in_processes(
    work: Work[Task, Answer],
    tasks: Sequence[Task],
    progress: Callable[[int, float], None],
    *,
    processes: int | None = None,
) -> list[Answer]:
    """Do all tasks, several at a time.

    Parameters
    ----------
    work : callable
        Does one task; a function of a module, so that other processes find it.
    tasks : sequence
        What it is given.
    progress : callable
        Told the number of a task and the share of it that is done.
    processes : int, optional
        How many processes at most; by default one for each processor.

    Returns
    -------
    list
        The answers, in the order of the tasks.

    Raises
    ------
    EvenhushError
        If a task raises one, or its process ends without an answer; all others are ended.
    """
    count = min(len(tasks), processes or os.cpu_count() or 1)
    if count <= 1:
        # Another process would only cost its start.
        return [work(task, partial(progress, number)) for number, task in enumerate(tasks)]
    waiting = iter(enumerate(tasks))
    answers: dict[int, Answer] = {}
    with contextlib.ExitStack() as stack:
        workers = []
        for _ in range(count):
            workers.append(_start())
            stack.callback(workers[-1].end)
            workers[-1].ask(work)
            workers[-1].ask(next(waiting))
        while len(answers) < len(tasks):
            ready = wait([worker.pipe for worker in workers])
            for worker in workers:
                if worker.pipe not in ready:
                    continue
                match worker.hear():
                    case _Share(number, share):
                        progress(number, share)
                    case _Done(number, answer):
                        answers[number] = answer
                        if (task := next(waiting, None)) is not None:
                            worker.ask(task)
                    case _Failed(error):
                        raise error
    return [answers[number] for number in range(len(tasks))]


def _start() -> _Worker:
    """Start a process; a fresh interpreter, so that nothing of the caller's state is copied."""
    context = get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs,), daemon=True)
    process.start()
    # Only when no copy is left here does the pipe end with the process.
    theirs.close()
    return _Worker(process, ours)


def _serve(pipe: Connection) -> None:
    """Do what is asked until nobody asks any more."""
    # Ctrl-C reaches every process of a terminal; what it means is for the caller to decide.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(EOFError, BrokenPipeError, ConnectionResetError):  # nobody is there
        work = pipe.recv()
        while True:
            number, task = pipe.recv()
            try:
                answer = work(task, partial(_tell, pipe, number))
            except EvenhushError as error:
                pipe.send(_Failed(error))
            else:
                pipe.send(_Done(number, answer))


def _tell(pipe: Connection, number: int, share: float) -> None:
    """Tell the caller how far a task is."""
    pipe.send(_Share(number, share))


@contextlib.contextmanager
def _seeing_it_die() -> Iterator[None]:
    """Turn the end of a pipe into a sentence."""
    try:
        yield
    except (EOFError, OSError) as error:
        raise EvenhushError(
            "A process ended before its work was done, perhaps because memory ran out; "
            "try again with fewer files at once."
        ) from error
