"""Which tones of a room are new: the same place heard again and again."""

from collections.abc import Sequence
from typing import Final

__all__ = ["checks_with_tone"]

_SAME: Final = 0.015
"""How far apart, relative to its frequency, a tone may be found from check to check."""


def checks_with_tone(
    frequency_hz: float, earlier_hz: Sequence[Sequence[float]], *, missing: int = 1
) -> int:
    """Count for how many checks a tone has been there without a break.

    Parameters
    ----------
    frequency_hz : float
        The tone, in the newest check.
    earlier_hz : sequence of sequence of float
        Frequencies of the tones of the checks before, in hertz, the newest first.
    missing : int, optional
        How many checks in a row may miss it, as it stood just below what counts as a tone.

    Returns
    -------
    int
        How many of the earlier checks lie between the first one in which it was heard and the
        newest, that first one included; 0 for a tone that is new.

    Examples
    --------
    >>> checks_with_tone(100.0, [[100.4, 300.0], [300.0], [99.9], [], [], [100.0]])
    3
    """
    first = 0
    for count, tones_hz in enumerate(earlier_hz, start=1):
        if any(abs(hz / frequency_hz - 1.0) <= _SAME for hz in tones_hz):
            first = count
        elif count - first > missing:
            break
    return first
