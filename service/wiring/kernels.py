"""Which inner loops the acoustic chain runs on: compiled ones where numba is there and pays."""

import importlib.util
from typing import Final

import numpy as np

from acoustic import array_kernels
from acoustic.kernels import Kernels

__all__ = ["keep_freed_memory", "kernels_for"]

_PAYS_FROM_S: Final = 600.0
"""Sound from which loading the compiled loops takes less time than they save."""


def kernels_for(sound_s: float) -> Kernels:
    """Choose for an amount of sound.

    Parameters
    ----------
    sound_s : float
        How much sound is to be measured, in seconds; infinity for a measurement without an end.

    Returns
    -------
    Kernels
        Compiled loops, or those with NumPy where the sound is short or numba is not installed or
        cannot be used. Both give the same levels.
    """
    if sound_s < _PAYS_FROM_S or importlib.util.find_spec("numba") is None:
        return array_kernels
    try:
        from acoustic import compiled_kernels  # noqa: PLC0415 - half a second, and optional
    except (ImportError, RuntimeError):  # made for another NumPy; or no folder to keep its code in
        return array_kernels
    return compiled_kernels


def keep_freed_memory() -> None:
    """Let the C library keep the memory that a block frees for the next block.

    That of Linux gives megabytes back to the system, which then has to clear every page of them
    for the next block: a third of the time. It stops doing so once it has seen a larger piece
    freed. Nothing is written to this one, so it costs nothing, there or elsewhere.
    """
    np.empty(24 * 2**20, np.uint8)
