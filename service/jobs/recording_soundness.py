"""Whether a recording is sound throughout: not clipped, not silent, not standing still."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.signals import DigitalSignal
from acoustic.soundness import Stretch, faults_in, find_clipping, find_standstill
from service.errors import RecordingError
from service.ports import SoundBlock

__all__ = ["SoundnessWatch", "Standstill"]

_STANDSTILL_S: Final = 0.05
"""Longest time for which sound may keep one value: a period at 20 Hz."""


@dataclass(frozen=True, slots=True)
class Standstill:
    """All stretches in which one channel keeps its value."""

    channel: int
    """Which channel, by its number."""
    first_s: float
    """Where the first begins, in seconds from the beginning of the recording."""
    total_s: float
    """How long they last together, in seconds."""


class SoundnessWatch:
    """Watches the samples of a recording go by.

    Parameters
    ----------
    file : str
        What the recording is called in an error's sentence.
    rate_hz : int
        Its sampling rate.
    channels : int
        Its number of channels.
    start_s : float
        Where in the recording the first samples are from.
    numbers : sequence of int, optional
        What the channels are called; by default they are counted from 1.
    """

    def __init__(
        self,
        file: str,
        rate_hz: int,
        channels: int,
        start_s: float,
        numbers: Sequence[int] | None = None,
    ) -> None:
        self._file = file
        self._rate_hz = rate_hz
        self._heard_s = start_s
        self._numbers = numbers or range(1, channels + 1)
        self._end_of_block = np.zeros((0, channels))
        self._lowest = np.full(channels, np.inf)
        self._highest = np.full(channels, -np.inf)
        self._standstills: dict[int, Standstill] = {}
        self._still_until_s = dict.fromkeys(range(channels), -np.inf)

    def hear(self, block: SoundBlock) -> None:
        """Look at the next samples.

        Parameters
        ----------
        block : SoundBlock
            The next block.

        Raises
        ------
        RecordingError
            If they are clipped, as what was cut off cannot be measured, or no samples at all.
        """
        signal = block.signal
        # With the end of the block before, so that no run is missed that crosses over.
        samples = np.concatenate([self._end_of_block, signal.samples])
        begin_s = self._heard_s - len(self._end_of_block) / self._rate_hz
        joined = DigitalSignal(samples, signal.rate_hz)
        clipped = find_clipping(joined)
        if clipped:
            first = min(clipped, key=lambda stretch: stretch.start_s)
            raise RecordingError(
                f"{self._file} is clipped {begin_s + first.start_s:.2f} s from its beginning in "
                f"channel {self._numbers[first.channel]}, so its level cannot be known; record "
                "again with less gain, or choose a part without it."
            )
        # What the samples themselves show is judged here, with its place; this is the rest.
        others = [fault for fault in block.faults if fault not in faults_in(signal)]
        if others:
            raise RecordingError(
                f"{self._file} cannot be used {self._heard_s:.1f} s from its beginning: "
                f"{', '.join(others)}; use an undamaged copy."
            )
        for stretch in find_standstill(joined, longest_s=_STANDSTILL_S):
            self._note(stretch, begin_s)
        self._end_of_block = samples[-int(_STANDSTILL_S * self._rate_hz) :].copy()
        self._lowest = np.minimum(self._lowest, signal.samples.min(axis=0, initial=np.inf))
        self._highest = np.maximum(self._highest, signal.samples.max(axis=0, initial=-np.inf))
        self._heard_s += signal.duration_s

    def pass_over(self, frames: int) -> None:
        """Leave samples out, whatever is wrong with them.

        Parameters
        ----------
        frames : int
            How many.
        """
        self._end_of_block = self._end_of_block[:0]
        self._heard_s += frames / self._rate_hz

    def _note(self, stretch: Stretch, begin_s: float) -> None:
        """Add a stretch, of which the beginning may be known already."""
        channel = stretch.channel
        start_s = begin_s + stretch.start_s
        end_s = start_s + stretch.duration_s
        known_s = min(max(self._still_until_s[channel], start_s), end_s)
        number = self._numbers[channel]
        before = self._standstills.get(channel, Standstill(number, start_s, 0.0))
        self._standstills[channel] = Standstill(
            number, before.first_s, before.total_s + end_s - known_s
        )
        self._still_until_s[channel] = end_s

    @property
    def silent_channels(self) -> tuple[int, ...]:
        """Channels, counted from 0, of which all samples were equal."""
        return tuple(int(channel) for channel in np.flatnonzero(self._lowest >= self._highest))

    @property
    def standstills(self) -> tuple[Standstill, ...]:
        """Channels that stood still for a time, without those that are silent throughout."""
        return tuple(
            self._standstills[channel]
            for channel in sorted(self._standstills)
            if channel not in self.silent_channels
        )
