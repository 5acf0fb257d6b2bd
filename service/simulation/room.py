"""The room without the cooler: a falling spectrum, mains hum, slow wander and intrusions."""

from dataclasses import dataclass
from math import inf, log10, pi, sqrt

import numpy as np

from acoustic.signals import Samples
from service.simulation.intrusions import Intrusion, IntrusionSound, draw_intrusion
from service.simulation.spectrum import NoiseShape, ShapedNoise, a_weighting_db, pressure_pa
from service.simulation.wander import Wander, energy_bias_db

__all__ = ["Room", "RoomSound", "hum_tones"]

_HUM_PATTERN: tuple[tuple[int, float], ...] = (
    (1, 0.0),
    (2, -3.0),
    (3, -10.0),
    (4, -9.0),
    (6, -14.0),
)
"""Multiples of the mains frequency and their unweighted levels re the first, in dB."""

_FALLING = NoiseShape(highpass_hz=15.0, lowpass_hz=(70.0, 1800.0))

_WANDER_LIMIT = 2.0
"""Wander is held within this many standard deviations."""


@dataclass(frozen=True, slots=True)
class Room:
    """A room as the microphone hears it with the cooler at rest."""

    floor_db: float = 26.0
    """A-weighted level of noise and hum together, without intrusions, in dB re 20 uPa."""
    shape: NoiseShape = _FALLING
    """Spectrum of the noise."""
    hum_hz: float = 50.0
    """Mains frequency."""
    hum_below_db: float = 12.0
    """How far the A-weighted level of the hum lies below the floor."""
    wander_db: float = 0.5
    """The floor wanders within plus and minus this many dB."""
    wander_s: float = 60.0
    """Correlation time of that wander, in seconds."""
    intrusions_per_minute: float = 1.0
    """How often a door, a vehicle or a voice is heard; 0 for a room left alone."""
    ambient_c: float = 22.0
    """Temperature of the air, in degrees Celsius."""


def hum_tones(room: Room) -> tuple[tuple[float, float], ...]:
    """Return frequency in hertz and unweighted level in dB of every hum tone."""
    frequencies = np.array([multiple * room.hum_hz for multiple, _ in _HUM_PATTERN])
    relative_db = np.array([level_db for _, level_db in _HUM_PATTERN])
    weighted_db = 10.0 * log10(
        float((10.0 ** ((relative_db + a_weighting_db(frequencies)) / 10.0)).sum())
    )
    shift_db = room.floor_db - room.hum_below_db - weighted_db
    return tuple(zip(frequencies.tolist(), (relative_db + shift_db).tolist(), strict=True))


class RoomSound:
    """The sound of the room at the microphone, one step of the plant at a time."""

    def __init__(
        self, room: Room, frames: int, rate_hz: int, generator: np.random.Generator
    ) -> None:
        self._room = room
        self._rate_hz = rate_hz
        self._frames = frames
        self._ramp = np.arange(1, frames + 1) / frames
        # Events of their own stream: whether sound is drawn must not change when a door slams.
        events, samples = generator.spawn(2)
        self._events = events
        self._samples = samples
        self._noise = ShapedNoise(room.shape, rate_hz, samples)
        self._noise_db = room.floor_db + 10.0 * log10(1.0 - 10.0 ** (-room.hum_below_db / 10.0))
        step_s = frames / rate_hz
        deviation_db = room.wander_db / _WANDER_LIMIT
        self._wander = Wander(deviation_db, room.wander_s, step_s, events)
        self._bias_db = energy_bias_db(deviation_db)
        self._gain_db = self._limited_db(self._wander.value)
        self._step_frames = 0
        self._next_frame = self._wait_frames()
        self._going_on: list[IntrusionSound] = []
        self.intrusions: list[Intrusion] = []
        """Everything that was heard so far, for whoever may know the truth."""

        # Hum as the sines and cosines of one step; its phase at the step's start turns them.
        tones = hum_tones(room)
        frequencies_hz = np.array([frequency_hz for frequency_hz, _ in tones])
        angles = 2.0 * pi * frequencies_hz[:, None] * np.arange(frames) / rate_hz
        self._hum_basis = np.concatenate([np.sin(angles), np.cos(angles)])
        self._hum_pa = np.array([sqrt(2.0) * pressure_pa(level_db) for _, level_db in tones])
        self._hum_cycles = events.random(len(tones))
        self._hum_cycles_per_step = frequencies_hz * step_s

    def _limited_db(self, wander_db: float) -> float:
        """Return a wander within the room's limits, shifted so that it has no mean energy."""
        limit_db = self._room.wander_db
        return min(max(wander_db, -limit_db), limit_db) - self._bias_db

    def _wait_frames(self) -> float:
        """Draw how long it stays quiet until the next intrusion begins, in frames."""
        if self._room.intrusions_per_minute <= 0.0:
            return inf
        wait_s = self._events.exponential(60.0 / self._room.intrusions_per_minute)
        return float(wait_s) * self._rate_hz

    def step(self) -> tuple[float, float]:
        """Move on by one step; return the wander before and after, in dB."""
        end_frame = self._step_frames + self._frames
        self._going_on = [sound for sound in self._going_on if not sound.over]
        while self._next_frame < end_frame:
            event = draw_intrusion(self._events, self._next_frame / self._rate_hz)
            self.intrusions.append(event)
            (samples,) = self._samples.spawn(1)
            self._going_on.append(
                IntrusionSound(event, self._frames, self._rate_hz, self._step_frames, samples)
            )
            self._next_frame += self._wait_frames()
        self._step_frames = end_frame
        before_db = self._gain_db
        self._gain_db = self._limited_db(self._wander.step())
        return before_db, self._gain_db

    def skip(self) -> None:
        """Let the intrusions of this step pass unheard."""
        for sound in self._going_on:
            sound.skip()

    def render(self, wander_pair_db: tuple[float, float]) -> Samples:
        """Return the sound of this step in pascals, shape ``(frames,)``."""
        start, end = (pressure_pa(self._noise_db + gain_db) for gain_db in wander_pair_db)
        sound = self._noise.draw(self._frames) * (start + (end - start) * self._ramp)
        start_angle = 2.0 * pi * self._hum_cycles
        self._hum_cycles = (self._hum_cycles + self._hum_cycles_per_step) % 1.0
        turned = (self._hum_pa * np.cos(start_angle), self._hum_pa * np.sin(start_angle))
        sound += np.concatenate(turned) @ self._hum_basis
        for intrusion in self._going_on:
            sound += intrusion.render()
        return sound
