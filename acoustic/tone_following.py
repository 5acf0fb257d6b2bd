"""Which tones follow a speed and which stay, from the same machine heard at several speeds.

What turns takes its tones along; a resonance that something else excites, the mains and a switching
drive do not. A tone that would have to be elsewhere at another speed, and is there, follows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.signals import Samples

__all__ = ["STAYS", "HeardAtSpeed", "what_moves"]

STAYS: Final = ""
"""What a tone moves with that does not move at all."""

_LEAST_CHANGE: Final = 0.015
"""Relative change of a speed from which following and staying are two things."""
_NEAR: Final = 0.004
"""How far a tone may be from where it is looked for, relative to it: speeds are read so well."""
_HEARD_AGAIN: Final = 0.6
"""How often a tone is found at another speed too: it may be masked there, or not excited."""
_BY_CHANCE: Final = 0.04
"""How often some tone lies there by chance."""
_SURE: Final = 0.95


@dataclass(frozen=True, slots=True)
class HeardAtSpeed:
    """What was heard at one setting."""

    rpm: Mapping[str, float]
    """Speeds by the names of the rotors."""
    frequency_hz: Sequence[float]
    """Frequencies of the tones in hertz."""


def what_moves(settings: Sequence[HeardAtSpeed]) -> list[list[str | None]]:
    """Tell for every tone what it moves with.

    Parameters
    ----------
    settings : sequence of HeardAtSpeed
        The same machine at several settings.

    Returns
    -------
    list of list of str or None
        For each tone of each setting the name of the rotor that it follows, ``""`` where it
        stays, and None where that is not known: too few settings, or rotors that always move
        together.

    Notes
    -----
    For each other setting at which a speed differs by 1.5 % or more it is looked whether a tone is
    where this one would be. Found again counts as 15 times, missing as 0.4 times as probable; what
    is more than 95 % probable is told.
    """
    return [
        [_moves_with(place, float(hz), settings) for hz in setting.frequency_hz]
        for place, setting in enumerate(settings)
    ]


def _moves_with(place: int, hz: float, settings: Sequence[HeardAtSpeed]) -> str | None:
    """What one tone moves with."""
    here = settings[place]
    names = [STAYS, *here.rpm]
    log_odds = np.zeros(len(names))
    for other_place, other in enumerate(settings):
        shared = [name for name in here.rpm if name in other.rpm]
        ratios = [
            1.0,
            *(other.rpm[name] / here.rpm[name] if name in shared else 1.0 for name in here.rpm),
        ]
        if other_place == place or max(abs(ratio - 1.0) for ratio in ratios) < _LEAST_CHANGE:
            continue
        there = np.array([_is_near(hz * ratio, other.frequency_hz) for ratio in ratios])
        log_odds += np.where(
            there,
            np.log(_HEARD_AGAIN / _BY_CHANCE),
            np.log((1.0 - _HEARD_AGAIN) / (1.0 - _BY_CHANCE)),
        )
    # Nothing at all is as probable as any of them, so that a tone never found again is not told.
    odds = np.exp(np.append(log_odds, 0.0))
    best = int(np.argmax(odds[:-1]))
    return names[best] if odds[best] > _SURE * odds.sum() else None


def _is_near(hz: float, tones_hz: Sequence[float]) -> bool:
    """Whether some tone lies near a frequency."""
    away: Samples = np.abs(np.asarray(tones_hz, dtype=np.float64) / hz - 1.0)
    return bool((away < _NEAR).any())
