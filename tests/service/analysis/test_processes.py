"""Work in several processes."""

import multiprocessing
import subprocess
import sys
from pathlib import Path

import process_work
import pytest
from process_work import work

from acoustic.errors import EvenhushError, InputError
from service.wiring.processes import run_in_processes


@pytest.fixture(autouse=True)
def no_process_is_left():
    """Fail the test that leaves a process behind."""
    yield
    assert multiprocessing.active_children() == []


@pytest.mark.parametrize("processes", [1, 2])
def test_answers_come_in_the_order_of_the_tasks(processes):
    """More tasks than processes are all done, and answered in order."""
    told = []
    answers = run_in_processes(
        work, list(range(7)), lambda *what: told.append(what), processes=processes
    )

    assert answers == [0, 2, 4, 6, 8, 10, 12]
    assert sorted(told) == [(number, 1.0) for number in range(7)]


def test_a_refusal_ends_the_others():
    """The error of one task is raised here, and work that would never end is ended."""
    with pytest.raises(InputError, match=r"^This one cannot be used\.$"):
        run_in_processes(work, ["go on", "refuse", 1], lambda *_: None, processes=2)


def test_a_process_that_dies_is_an_error():
    """A process that is gone is not waited for."""
    with pytest.raises(EvenhushError, match="ended before its work was done"):
        run_in_processes(work, ["go on", "die"], lambda *_: None, processes=2)


def test_an_interruption_ends_all():
    """Ctrl-C while waiting ends every process."""

    def interrupt(*_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_in_processes(work, ["go on", "go on"], interrupt, processes=2)


def test_processes_end_with_their_caller():
    """A caller that is killed leaves no process behind that works for nobody."""
    caller = subprocess.Popen(
        [sys.executable, process_work.__file__],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=Path(process_work.__file__).parent,
        text=True,
    )
    while caller.stdout.readline().strip() != "1":
        pass  # until the second process has told its share
    caller.kill()

    # The pipe ends when the last process that holds it is gone.
    caller.communicate(timeout=30)
    assert caller.returncode != 0
