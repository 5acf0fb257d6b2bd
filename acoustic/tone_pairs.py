"""Tones of two sounds that belong together."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from acoustic.tones import DiscreteTone

__all__ = ["TonePair", "pair_tones"]

TonePair = tuple[DiscreteTone | None, DiscreteTone | None]
"""A tone of the first sound and the one of the second that belongs to it; None for none."""

_MOST_APART: Final = 0.02
"""How far frequencies may be apart, relative to them: two fans of one model differ by as much."""


def pair_tones(
    first: Sequence[DiscreteTone], second: Sequence[DiscreteTone]
) -> tuple[TonePair, ...]:
    """Pair tones by their frequency.

    Parameters
    ----------
    first, second : sequence of DiscreteTone
        Tones of both sounds.

    Returns
    -------
    tuple of TonePair
        Every tone once, low to high. Two are a pair if they lie within 2 % and either is the
        nearest to the other.
    """
    partner: dict[int, int] = {}
    if first and second:
        apart = np.abs(
            np.log([tone.frequency_hz for tone in first])[:, None]
            - np.log([tone.frequency_hz for tone in second])
        )
        nearest, nearest_back = apart.argmin(axis=1), apart.argmin(axis=0)
        partner = {
            place: other
            for place, other in enumerate(nearest.tolist())
            if nearest_back[other] == place and apart[place, other] <= _MOST_APART
        }
    taken = set(partner.values())
    pairs = [
        (tone.frequency_hz, (tone, second[partner[place]] if place in partner else None))
        for place, tone in enumerate(first)
    ] + [
        (tone.frequency_hz, (None, tone)) for place, tone in enumerate(second) if place not in taken
    ]
    return tuple(pair for _, pair in sorted(pairs, key=lambda each: each[0]))
