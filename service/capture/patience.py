"""Waiting with a limit that a suspended process does not use up."""

import math
from collections.abc import Callable
from typing import Final

__all__ = ["wait_patiently"]

_STEP_S: Final = 0.1


def wait_patiently(wait: Callable[[float], bool], patience_s: float) -> bool:
    """Wait in short steps until something is there, or until there were enough of them.

    A process that is suspended, by Ctrl-Z in a terminal or with its whole machine, finds that the
    clock has gone on; what it waits for may not have had the time to come. And on some platforms
    Ctrl-C is heard only between waits.

    Parameters
    ----------
    wait : callable
        Waits for at most the seconds it is given; returns whether it is there.
    patience_s : float
        How long to wait, in seconds.

    Returns
    -------
    bool
        Whether it is there.
    """
    steps = max(math.ceil(patience_s / _STEP_S), 1)
    return any(wait(patience_s / steps) for _ in range(steps))
