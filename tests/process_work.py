"""Work for other processes: they find it here by name."""

import os
import sys
import threading

from acoustic.errors import InputError


def work(task, progress):
    """Do as the task says: double a number, refuse, die, or go on until nobody listens."""
    if task == "refuse":
        raise InputError("This one cannot be used.")
    if task == "die":
        os._exit(1)
    never = threading.Event()
    while task == "go on" and not never.wait(0.01):
        progress(0.5)
    progress(1.0)
    return 2 * task


def tell(number, _share):
    """Print which task has told its share."""
    sys.stdout.write(f"{number}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    from service.wiring.processes import run_in_processes

    run_in_processes(work, ["go on"] * 3, tell, processes=2)
