"""What comes into a room from outside: a door, a passing vehicle, a voice."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from acoustic.signals import Samples
from service.simulation.spectrum import NoiseShape, ShapedNoise, pressure_pa

__all__ = ["Intrusion", "IntrusionKind", "IntrusionSound", "draw_intrusion", "envelope"]

IntrusionKind = Literal["door", "vehicle", "voice"]
"""What is heard."""

_SHAPES: dict[IntrusionKind, NoiseShape] = {
    "door": NoiseShape(highpass_hz=30.0, lowpass_hz=(90.0, 700.0)),
    "vehicle": NoiseShape(highpass_hz=30.0, lowpass_hz=(120.0, 900.0)),
    "voice": NoiseShape(highpass_hz=250.0, lowpass_hz=(600.0, 2500.0)),
}

_RANGES: dict[IntrusionKind, tuple[tuple[float, float], tuple[float, float]]] = {
    "door": ((0.8, 1.2), (58.0, 72.0)),
    "vehicle": ((6.0, 14.0), (36.0, 48.0)),
    "voice": ((1.5, 5.0), (42.0, 56.0)),
}
"""Duration in seconds and highest level in dB: what is drawn from, evenly."""

_ATTACK_S = 0.004
_DECAY_S = 0.09
_SYLLABLES_PER_S = 4.0


@dataclass(frozen=True, slots=True)
class Intrusion:
    """One event."""

    kind: IntrusionKind
    """What is heard."""
    start_s: float
    """When it begins, in seconds of the plant."""
    duration_s: float
    """How long it lasts, in seconds."""
    level_db: float
    """A-weighted level at the top of its envelope, in dB re 20 uPa."""


def draw_intrusion(generator: np.random.Generator, start_s: float) -> Intrusion:
    """Draw an event that begins at `start_s`."""
    kinds = tuple(_RANGES)
    kind = kinds[int(generator.integers(len(kinds)))]
    duration, level = _RANGES[kind]
    return Intrusion(
        kind, start_s, float(generator.uniform(*duration)), float(generator.uniform(*level))
    )


def envelope(kind: IntrusionKind, time_s: Samples, duration_s: float) -> Samples:
    """Return the amplitude re its top at `time_s` since the start; zero outside the event."""
    inside = (time_s >= 0.0) & (time_s < duration_s)
    time_s = np.clip(time_s, 0.0, duration_s)
    match kind:
        case "door":
            shape = np.minimum(time_s / _ATTACK_S, 1.0) * np.exp(-time_s / _DECAY_S)
        case "vehicle":
            shape = np.sin(np.pi * time_s / duration_s) ** 2
        case "voice":
            shape = np.sin(np.pi * _SYLLABLES_PER_S * time_s) ** 2
    return np.asarray(np.where(inside, shape, 0.0))


class IntrusionSound:
    """The sound of one event, drawn step by step."""

    def __init__(
        self,
        event: Intrusion,
        frames: int,
        rate_hz: int,
        step_frame: int,
        generator: np.random.Generator,
    ) -> None:
        self._event = event
        self._noise = ShapedNoise(_SHAPES[event.kind], rate_hz, generator)
        self._time_s = (step_frame + np.arange(frames)) / rate_hz - event.start_s
        self._step_s = frames / rate_hz

    @property
    def over(self) -> bool:
        """Whether nothing more will be heard of it."""
        return bool(self._time_s[0] >= self._event.duration_s)

    def skip(self) -> None:
        """Let one step pass unheard."""
        self._time_s = self._time_s + self._step_s

    def render(self) -> Samples:
        """Return the sound of one step in pascals, shape ``(frames,)``."""
        shape = envelope(self._event.kind, self._time_s, self._event.duration_s)
        self.skip()
        noise = self._noise.draw(len(shape))
        return np.asarray(noise * shape * pressure_pa(self._event.level_db))
