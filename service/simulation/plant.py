"""The plant: one cooler in one room before one microphone, moved by the samples drawn from it.

Everything moves in steps of 50 ms of sound. What is left of a step after a read waits for the
next one, so a duty is heard at most 50 ms after it was set, like behind a driver's buffer, and
how a listener cuts its reads changes nothing. Every part has its own stream of random numbers:
the same seed and the same calls give the same samples, bit for bit.
"""

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from acoustic.signals import Samples
from service.errors import SettingsError
from service.simulation.cooler import Cooler
from service.simulation.heat import Heat, own_duty_percent, own_steady_state
from service.simulation.intrusions import Intrusion
from service.simulation.machine_sound import MachineSound
from service.simulation.microphone import Calibrator, CalibratorSound, Converter, Microphone
from service.simulation.room import Room, RoomSound
from service.simulation.rotor import Rotor
from service.simulation.tachometer import Tachometer

__all__ = ["Plant", "PlantReading", "Position"]

Position = Literal["room", "calibrator"]
"""What the microphone hears: the room with the cooler, or the calibrator put over it."""

_STEPS_PER_S = 20


@dataclass(frozen=True, slots=True)
class PlantReading:
    """What the sensors of the plant read at one moment."""

    duty_percent: Mapping[str, float]
    """Duty that is set, by actuator."""
    rpm: Mapping[str, float]
    """Tachometer reading, by actuator."""
    processor_c: float
    """Temperature of the processor, in degrees Celsius."""


@dataclass(frozen=True, slots=True)
class _Part:
    """A machine at work."""

    rotor: Rotor
    tachometer: Tachometer
    sound: MachineSound


class Plant:
    """A cooler, a room and a microphone that may be used from several threads.

    Parameters
    ----------
    cooler : Cooler
        What is mounted.
    seed : int
        Seed of everything random.
    rate_hz : int
        Sampling rate in hertz, a multiple of 20 (44.1, 48, 96 and 192 kHz are).
    room, microphone, calibrator : optional
        The surroundings; ordinary ones by default.
    load_w : float
        Power the processor turns into heat, in watts.

    Raises
    ------
    SettingsError
        If the rate does not divide into steps of 50 ms.
    """

    def __init__(
        self,
        cooler: Cooler,
        *,
        seed: int,
        rate_hz: int = 48_000,
        room: Room | None = None,
        microphone: Microphone | None = None,
        calibrator: Calibrator | None = None,
        load_w: float = 120.0,
    ) -> None:
        if rate_hz <= 0 or rate_hz % _STEPS_PER_S:
            raise SettingsError(
                f"The simulated room cannot sound at {rate_hz} Hz; "
                "choose a usual rate such as 44100 or 48000 Hz."
            )
        self.cooler = cooler
        """What is mounted."""
        self.room = room or Room()
        """Where it stands."""
        self.microphone = microphone or Microphone()
        """What listens."""
        self.rate_hz = rate_hz
        """Sampling rate in hertz."""
        self._frames = rate_hz // _STEPS_PER_S
        self._lock = threading.Lock()
        self._manual: dict[str, float] = {}
        self._frames_drawn = 0
        self._left = np.empty(0)
        self._left_position: Position = "room"

        streams = np.random.default_rng(seed).spawn(3 + len(cooler.machines))
        room_stream, microphone_stream, calibrator_stream, *machine_streams = streams
        ambient_c = self.room.ambient_c
        processor_c = own_steady_state(cooler, load_w, ambient_c)
        self._heat = Heat(cooler, load_w, ambient_c, processor_c)
        self._room_sound = RoomSound(self.room, self._frames, rate_hz, room_stream)
        self._converter = Converter(self.microphone, self._frames, rate_hz, microphone_stream)
        self._calibrator_sound = CalibratorSound(
            calibrator or Calibrator(), self._frames, rate_hz, calibrator_stream
        )
        self._parts: dict[str, _Part] = {}
        duties = own_duty_percent(cooler, processor_c)
        for (name, machine), stream in zip(cooler.machines.items(), machine_streams, strict=True):
            turning, sounding = stream.spawn(2)
            rotor = Rotor(machine.law, duties[name], 1.0 / _STEPS_PER_S, turning)
            self._parts[name] = _Part(
                rotor,
                Tachometer(rotor.turns, rotor.rpm, 1.0 / _STEPS_PER_S),
                MachineSound(machine, self._frames, rate_hz, sounding),
            )

    def draw(self, frames: int, position: Position = "room") -> Samples:
        """Take the next samples; this is what makes time pass.

        Parameters
        ----------
        frames : int
            How many.
        position : {"room", "calibrator"}
            What the microphone hears.

        Returns
        -------
        ndarray of shape (frames,)
            Samples re full scale.
        """
        with self._lock:
            if position != self._left_position:
                self._left, self._left_position = np.empty(0), position
            pieces, ready = [self._left], len(self._left)
            while ready < frames:
                pieces.append(self._sounding_step(position))
                ready += self._frames
            samples = np.concatenate(pieces)
            # A copy: a view would keep the whole read alive for a few frames.
            self._left = samples[frames:].copy()
            self._frames_drawn += frames
            return samples[:frames]

    def advance(self, seconds: float) -> None:
        """Let time pass unheard, in whole steps of 50 ms."""
        with self._lock:
            for _ in range(round(seconds * _STEPS_PER_S)):
                self._silent_step()

    def set_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Set the duties of the named actuators by hand."""
        with self._lock:
            self._manual.update(duty_percent)

    def hand_back(self) -> None:
        """Return every actuator to the bench's own control."""
        with self._lock:
            self._manual.clear()

    def set_load(self, load_w: float) -> None:
        """Set the power that the processor turns into heat, in watts."""
        with self._lock:
            self._heat.load_w = load_w

    def read(self) -> PlantReading:
        """Read the sensors."""
        with self._lock:
            return PlantReading(
                self._duties(),
                {name: part.tachometer.read_rpm() for name, part in self._parts.items()},
                round(self._heat.processor_c, 1),
            )

    @property
    def frames_drawn(self) -> int:
        """How many frames were taken so far."""
        return self._frames_drawn

    @property
    def goal_rpm(self) -> Mapping[str, float]:
        """Speed at which each machine settles under its present duty; not visible to a bench."""
        with self._lock:
            duties = self._duties()
            return {name: part.rotor.goal_rpm(duties[name]) for name, part in self._parts.items()}

    @property
    def intrusions(self) -> tuple[Intrusion, ...]:
        """Every intrusion that has begun so far; not visible to a listener."""
        with self._lock:
            return tuple(self._room_sound.intrusions)

    def _duties(self) -> dict[str, float]:
        """Return the duty of every actuator: by hand, or of the bench's own control."""
        return own_duty_percent(self.cooler, self._heat.processor_c) | self._manual

    def _turn(self) -> None:
        """Move rotors, tachometers and temperatures on by one step."""
        duties = self._duties()
        for name, part in self._parts.items():
            part.rotor.step(duties[name])
            part.tachometer.step(part.rotor.turns)
        self._heat.step(
            {name: part.rotor.rpm for name, part in self._parts.items()}, 1.0 / _STEPS_PER_S
        )

    def _silent_step(self) -> None:
        """Move everything on by one step without making its sound."""
        self._turn()
        for part in self._parts.values():
            part.sound.step()
        self._room_sound.step()
        self._room_sound.skip()
        self._converter.step()

    def _sounding_step(self, position: Position) -> Samples:
        """Move everything on by one step and return its samples, shape ``(frames,)``."""
        before_rpm = {name: part.rotor.rpm for name, part in self._parts.items()}
        self._turn()
        sound = self._room_sound.render(self._room_sound.step())
        for name, part in self._parts.items():
            sound += part.sound.render((before_rpm[name], part.rotor.rpm), part.sound.step())
        if position == "calibrator":
            sound = self._calibrator_sound.render() + self._calibrator_sound.room_gain * sound
        return self._converter.convert(sound, self._converter.step())
