"""The levels of a minute as bytes: whole numbers of 0.01 dB, 16 bits each, low byte first."""

from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples
from service.records.levels import ROWS_A_MINUTE

__all__ = ["block_bytes", "decoded", "decoded_columns", "encoded", "merged"]

_STEPS_PER_DB: Final = 100
_NOTHING: Final = -32768
"""Stands for NaN."""
_SILENCE: Final = -32767
"""Stands for ``-inf``."""
_FORM: Final = np.dtype("<i2")


def encoded(levels: Samples) -> bytes:
    """Put the levels of a minute into bytes.

    Parameters
    ----------
    levels : ndarray of shape (600, columns)
        Levels in dB from -327.66 to 327.67; NaN where there are none, ``-inf`` for silence.

    Returns
    -------
    bytes
        The levels, row by row, to the nearest 0.01 dB.
    """
    steps = np.clip(np.rint(levels * _STEPS_PER_DB), _SILENCE + 1, 32767)
    steps = np.where(np.isneginf(levels), _SILENCE, steps)
    return np.where(np.isnan(levels), _NOTHING, steps).astype(_FORM).tobytes()


def decoded(block: bytes, columns: int) -> npt.NDArray[np.float32]:
    """Take levels out of bytes.

    Parameters
    ----------
    block : bytes
        The minute.
    columns : int
        Number of columns.

    Returns
    -------
    ndarray of float32, shape (600, columns)
        Levels in dB.
    """
    return _levels_of(np.frombuffer(block, dtype=_FORM).reshape(-1, columns))


def decoded_columns(block: bytes, columns: int) -> Samples:
    """Take the first columns of a minute out of bytes.

    Parameters
    ----------
    block : bytes
        The minute.
    columns : int
        How many.

    Returns
    -------
    ndarray of shape (600, columns)
        Levels in dB.
    """
    steps = np.frombuffer(block, dtype=_FORM).reshape(ROWS_A_MINUTE, -1)[:, :columns]
    return _levels_of(steps).astype(np.float64)


def merged(earlier: bytes, later: bytes) -> bytes:
    """Add the levels of a minute to what is known of it; both have the same columns."""
    old, new = (np.frombuffer(block, dtype=_FORM) for block in (earlier, later))
    return np.where(new == _NOTHING, old, new).astype(_FORM).tobytes()


def block_bytes(columns: int) -> int:
    """Return how many bytes a minute has."""
    return ROWS_A_MINUTE * columns * _FORM.itemsize


def _levels_of(steps: npt.NDArray[np.int16]) -> npt.NDArray[np.float32]:
    """Turn stored numbers into levels."""
    levels = steps.astype(np.float32)
    levels /= _STEPS_PER_DB
    for code, meaning in ((_NOTHING, np.nan), (_SILENCE, -np.inf)):
        np.copyto(levels, meaning, where=steps == code)
    return levels
