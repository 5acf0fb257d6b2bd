"""Which passages of a recording cannot be used, found while it is read, and what to say of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from acoustic.intrusions import find_intrusions
from acoustic.segments import SegmentState
from acoustic.signals import DigitalSignal, Samples
from acoustic.soundness import find_clipping, find_standstill

__all__ = ["LeftOutPassage", "PassageWatch", "bad_share", "intrusions_in", "words_about"]

PassageKind = Literal["marked", "clipped", "standing still", "intrusion"]
"""Why a passage is not used."""

_STANDSTILL_S: Final = 0.05
"""Longest time for which sound may keep one value: a period at 20 Hz."""
_BESIDE_S: Final = 0.05
"""What is left out on either side: a limiter lets go slowly, and a gap has edges."""
_JOINED_S: Final = 0.3
"""Faults closer together are one passage."""
_MOST_INTRUDED: Final = 0.4
"""Where more of the levels stand out, they are no intrusions: the sound itself changes."""

_WORDS: Final[dict[PassageKind, str]] = {
    "marked": "were marked as bad when they were kept",
    "clipped": "are clipped, so that their sound is not known; record again with less gain",
    "standing still": "keep one value: the input was muted or sound is missing there",
    "intrusion": "stand out of the steady sound, as a door or a voice does",
}


@dataclass(frozen=True, slots=True)
class LeftOutPassage:
    """A passage that is not used."""

    start_s: float
    """Where it begins, in seconds from the beginning of the part."""
    end_s: float
    """Where it ends."""
    kind: PassageKind
    """Why it is not used."""


class PassageWatch:
    """Looks for clipping and gaps while samples go by.

    Parameters
    ----------
    rate_hz : int
        Sampling rate.
    channels : int
        Number of channels.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._heard = 0
        self._end_of_block = np.zeros((0, channels))
        self._lowest = np.full(channels, np.inf)
        self._highest = np.full(channels, -np.inf)
        self._clipped: list[tuple[float, float]] = []
        self._still: list[list[tuple[float, float]]] = [[] for _ in range(channels)]

    def hear(self, signal: DigitalSignal) -> None:
        """Look at the next samples.

        Parameters
        ----------
        signal : DigitalSignal
            The samples, of all channels.
        """
        # With the end of the block before, so that no run is missed that crosses over.
        samples = np.concatenate([self._end_of_block, signal.samples])
        begin_s = (self._heard - len(self._end_of_block)) / self._rate_hz
        joined = DigitalSignal(samples, signal.rate_hz)
        for stretch in sorted(find_clipping(joined), key=lambda each: each.start_s):
            _extend(self._clipped, begin_s + stretch.start_s, stretch.duration_s)
        for stretch in find_standstill(joined, longest_s=_STANDSTILL_S):
            places = self._still[stretch.channel]
            _extend(places, begin_s + stretch.start_s, stretch.duration_s)
        self._end_of_block = samples[-int(_STANDSTILL_S * self._rate_hz) :].copy()
        self._lowest = np.minimum(self._lowest, signal.samples.min(axis=0, initial=np.inf))
        self._highest = np.maximum(self._highest, signal.samples.max(axis=0, initial=-np.inf))
        self._heard += len(signal.samples)

    @property
    def silent_channels(self) -> tuple[int, ...]:
        """Channels, counted from 0, of which all samples were equal."""
        return tuple(int(channel) for channel in np.flatnonzero(self._lowest >= self._highest))

    def passages(self) -> list[LeftOutPassage]:
        """Return what is clipped or stands still, silent channels apart."""
        silent = self.silent_channels
        still = [
            place
            for channel, places in enumerate(self._still)
            if channel not in silent
            for place in places
        ]
        return [
            *(LeftOutPassage(begin, end, "clipped") for begin, end in self._clipped),
            *(LeftOutPassage(begin, end, "standing still") for begin, end in sorted(still)),
        ]


def _extend(places: list[tuple[float, float]], start_s: float, duration_s: float) -> None:
    """Add a place to those found, or to the last of them where it is near."""
    begin, end = max(start_s - _BESIDE_S, 0.0), start_s + duration_s + _BESIDE_S
    if places and begin <= places[-1][1] + _JOINED_S:
        begin, last = places.pop()
        end = max(end, last)
    places.append((begin, end))


def bad_share(
    passages: Iterable[LeftOutPassage], state: SegmentState, per_group: int, groups: int
) -> Samples:
    """Find how many of the segments of each group touch what is left out.

    Parameters
    ----------
    passages : iterable of LeftOutPassage
        What is left out.
    state : SegmentState
        The stream of segments.
    per_group : int
        Segments in a group.
    groups : int
        Number of groups.

    Returns
    -------
    ndarray of float64, shape (groups,)
        Share of the segments, 0 to 1.
    """
    bad = np.zeros(groups * per_group)
    for passage in passages:
        # Segment k reaches from k to k + 2 half segments.
        first = max(int(np.floor(passage.start_s / state.hop_s)) - 1, 0)
        bad[first : max(int(np.ceil(passage.end_s / state.hop_s)), 0)] = 1.0
    share: Samples = bad.reshape(groups, per_group).mean(axis=1)
    return share


def intrusions_in(
    course_db: Samples, usable: npt.NDArray[np.bool_], row_s: float
) -> list[LeftOutPassage]:
    """Find what stands out of a steady level.

    Parameters
    ----------
    course_db : ndarray of float64, shape (rows,)
        Levels of consecutive rows in dB, each of two row lengths around its middle.
    usable : ndarray of bool, shape (rows,)
        Which of them count so far.
    row_s : float
        Time from one to the next, in seconds.

    Returns
    -------
    list of LeftOutPassage
        What stands out; empty where so much does that the sound itself changes.
    """
    rows = np.flatnonzero(usable & np.isfinite(course_db))
    marked = find_intrusions(course_db[rows])
    if not marked.any() or marked.mean() > _MOST_INTRUDED:
        return []
    found: list[tuple[float, float]] = []
    for row in rows[marked].tolist():
        begin, end = (row + 0.5) * row_s, (row + 1.5) * row_s
        if found and begin <= found[-1][1] + 0.5 * row_s:
            begin = found.pop()[0]
        found.append((begin, end))
    return [LeftOutPassage(begin, end, "intrusion") for begin, end in found]


def words_about(passages: Sequence[LeftOutPassage], start_s: float) -> list[str]:
    """Say what is left out, a sentence for each kind.

    Parameters
    ----------
    passages : sequence of LeftOutPassage
        What is left out.
    start_s : float
        Where the part begins in the recording, in seconds.

    Returns
    -------
    list of str
        Sentences.
    """
    texts = []
    for kind, words in _WORDS.items():
        some = [passage for passage in passages if passage.kind == kind]
        if some:
            total_s = sum(passage.end_s - passage.start_s for passage in some)
            places = "one place" if len(some) == 1 else f"{len(some)} places"
            first_s = start_s + min(passage.start_s for passage in some)
            texts.append(
                f"{total_s:.1f} s in {places}, first {first_s:.1f} s from the beginning of the "
                f"recording, {words}; they are left out."
            )
    return texts
