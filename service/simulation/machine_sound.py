"""The sound of a machine at the microphone, one step of the plant at a time."""

from math import pi, sqrt

import numpy as np

from acoustic.signals import Samples
from service.simulation.machine import Machine
from service.simulation.spectrum import ShapedNoise, pressure_pa
from service.simulation.wander import Wander, energy_bias_db

__all__ = ["MachineSound"]


class MachineSound:
    """Broadband noise and tones that follow a speed within every step, without a jump of phase."""

    def __init__(
        self, machine: Machine, frames: int, rate_hz: int, generator: np.random.Generator
    ) -> None:
        self._machine = machine
        self._noise = ShapedNoise(machine.shape, rate_hz, generator)
        self._ramp = np.arange(1, frames + 1) / frames
        self._step_s = frames / rate_hz
        self._hunting = Wander(machine.hunting_db, machine.hunting_s, self._step_s, generator)
        self._bias_db = energy_bias_db(machine.hunting_db)
        self._turns = generator.random(len(machine.speed_ratios))
        self._orders = np.array([[float(tone.order)] for tone in machine.tones]).reshape(-1, 1)
        self._phases = generator.random((len(machine.speed_ratios), len(machine.tones), 1))
        self._amplitudes = np.array(
            [sqrt(2.0) * 10.0 ** (tone.level_db / 20.0) for tone in machine.tones],
            dtype=np.float32,
        )
        self._deviation_db = self._hunting.value - self._bias_db

    def step(self) -> tuple[float, float]:
        """Let the level hunt on by one step; return its deviation before and after, in dB."""
        before_db = self._deviation_db
        self._deviation_db = self._hunting.step() - self._bias_db
        return before_db, self._deviation_db

    def render(
        self, rpm_pair: tuple[float, float], deviation_pair_db: tuple[float, float]
    ) -> Samples:
        """Sound of one step.

        Parameters
        ----------
        rpm_pair : tuple of float
            Speed of the first rotor at the start and the end of the step.
        deviation_pair_db : tuple of float
            Deviation of the level at the start and the end, as `step` returned it.

        Returns
        -------
        ndarray of shape (frames,)
            Sound pressure in pascals.
        """
        machine = self._machine
        # Amplitudes of every rotor re full speed, shape (rotors, 2): start and end of the step.
        gains = np.array(
            [
                [
                    pressure_pa(machine.gain_db(rpm * ratio) + deviation_db)
                    for rpm, deviation_db in zip(rpm_pair, deviation_pair_db, strict=True)
                ]
                for ratio in machine.speed_ratios
            ]
        )
        if not gains.any():
            return np.zeros(len(self._ramp))
        start, end = 10.0 ** (machine.level_db / 20.0) * np.sqrt((gains**2).sum(axis=0))
        sound = self._noise.draw(len(self._ramp)) * (start + (end - start) * self._ramp)
        for rotor, ratio in enumerate(machine.speed_ratios):
            first, last = (rpm * ratio / 60.0 * self._step_s for rpm in rpm_pair)
            turns = self._turns[rotor] + self._ramp * (first + (last - first) / 2.0 * self._ramp)
            self._turns[rotor] = turns[-1] % 1.0
            start, end = gains[rotor]
            gain = start + (end - start) * self._ramp
            cycles = self._orders * turns + self._phases[rotor]
            # Single precision is exact enough (-140 dB) once whole turns are taken off.
            angle = ((cycles - np.floor(cycles)) * (2.0 * pi)).astype(np.float32)
            sound += gain * (self._amplitudes @ np.sin(angle))
        return np.asarray(sound)
