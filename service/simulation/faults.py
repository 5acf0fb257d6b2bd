"""What can go wrong, as wrappers over any sound source or bench hardware, simulated or real."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from acoustic.signals import DigitalSignal, Samples
from calibration.bench_state import Actuator
from service.errors import CaptureStalled, HardwareFault
from service.ports import BenchHardware, HardwareReading, SoundBlock, SoundSource

__all__ = [
    "DoorSlam",
    "DriftingMicrophone",
    "FailingWrite",
    "MissingFrames",
    "Overload",
    "Stall",
    "StuckFan",
    "UnreadableSensor",
]


class _OverSource(ABC):
    """A sound source that passes everything through and knows how much was read."""

    def __init__(self, source: SoundSource) -> None:
        self._source = source
        self._frames_read = 0

    @property
    def name(self) -> str:
        """Name of the source below."""
        return self._source.name

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self._source.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self._source.channels

    def close(self) -> None:
        """Close the source below."""
        self._source.close()

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames, with the fault in them."""
        start = self._frames_read
        block = self._disturb(self._source.read(frames), start)
        self._frames_read += frames
        return block

    @abstractmethod
    def _disturb(self, block: SoundBlock, start: int) -> SoundBlock:
        """Return `block`, which begins at frame `start`, as the faulty source delivers it."""

    def _with_samples(self, block: SoundBlock, samples: Samples) -> SoundBlock:
        """Return `block` with other samples."""
        return replace(block, signal=DigitalSignal(samples, block.signal.rate_hz))


class MissingFrames(_OverSource):
    """Loses `frames` frames at `at_s` seconds of what was read, and says so in that block."""

    def __init__(self, source: SoundSource, *, at_s: float, frames: int) -> None:
        super().__init__(source)
        self._at_frame = round(at_s * source.rate_hz)
        self._frames = frames

    def _disturb(self, block: SoundBlock, start: int) -> SoundBlock:
        """Cut the frames out and close the gap with what follows."""
        samples = block.signal.samples
        cut = self._at_frame - start
        if not 0 <= cut < len(samples):
            return block
        following = self._source.read(self._frames).signal.samples
        joined = np.concatenate([samples, following])
        without = np.delete(joined, slice(cut, cut + self._frames), axis=0)
        faults = (*block.faults, f"{self._frames} frames are missing")
        return replace(self._with_samples(block, without), faults=faults)


class Stall(_OverSource):
    """Delivers nothing any more once `at_s` seconds were read."""

    def __init__(self, source: SoundSource, *, at_s: float) -> None:
        super().__init__(source)
        self._at_frame = round(at_s * source.rate_hz)

    def _disturb(self, block: SoundBlock, start: int) -> SoundBlock:
        """Let only sound from before the stall through."""
        if start + len(block.signal.samples) > self._at_frame:
            raise CaptureStalled(
                f"The input {self.name} delivers nothing any more; check its cable and try again."
            )
        return block


class Overload(_OverSource):
    """Has its gain turned up by `gain_db`, and clips at full scale."""

    def __init__(self, source: SoundSource, *, gain_db: float) -> None:
        super().__init__(source)
        self._gain = 10.0 ** (gain_db / 20.0)

    def _disturb(self, block: SoundBlock, start: int) -> SoundBlock:  # noqa: ARG002 - at any time
        """Amplify and clip."""
        return self._with_samples(block, np.clip(block.signal.samples * self._gain, -1.0, 1.0))


class DoorSlam(_OverSource):
    """Adds a bang at `at_s` that begins at `peak_dbfs` and dies down in half a second."""

    def __init__(self, source: SoundSource, *, at_s: float, peak_dbfs: float) -> None:
        super().__init__(source)
        self._at_frame = round(at_s * source.rate_hz)
        time_s = np.arange(source.rate_hz // 2) / source.rate_hz
        decay = 10.0 ** (peak_dbfs / 20.0) * np.exp(-time_s / 0.08)
        self._bang = (decay * np.cos(2.0 * np.pi * 180.0 * time_s))[:, None]

    def _disturb(self, block: SoundBlock, start: int) -> SoundBlock:
        """Add the part of the bang that falls into this block."""
        samples = block.signal.samples
        first = max(self._at_frame, start)
        last = min(self._at_frame + len(self._bang), start + len(samples))
        if first >= last:
            return block
        heard = samples.copy()
        bang = self._bang[first - self._at_frame : last - self._at_frame]
        heard[first - start : last - start] += bang
        return self._with_samples(block, np.clip(heard, -1.0, 1.0))


class DriftingMicrophone(_OverSource):
    """Gains `drift_db_per_minute` steadily from the first frame on."""

    def __init__(self, source: SoundSource, *, drift_db_per_minute: float) -> None:
        super().__init__(source)
        self._drift_db_per_frame = drift_db_per_minute / 60.0 / source.rate_hz

    def _disturb(self, block: SoundBlock, start: int) -> SoundBlock:
        """Apply the gain that has built up."""
        frames = start + np.arange(len(block.signal.samples))
        gain = 10.0 ** (frames * self._drift_db_per_frame / 20.0)
        return self._with_samples(block, block.signal.samples * gain[:, None])


class _OverHardware:
    """Bench hardware that passes everything through."""

    def __init__(self, hardware: BenchHardware) -> None:
        self._hardware = hardware

    @property
    def name(self) -> str:
        """Name of the bench below."""
        return self._hardware.name

    @property
    def actuators(self) -> Mapping[str, Actuator]:
        """The actuators below."""
        return self._hardware.actuators

    @property
    def temperature_limits_c(self) -> Mapping[str, float]:
        """The temperature limits below."""
        return self._hardware.temperature_limits_c

    def read(self) -> HardwareReading:
        """Read the hardware below."""
        return self._hardware.read()

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Write to the hardware below."""
        self._hardware.write_duty(duty_percent)

    def hand_back(self) -> None:
        """Hand the hardware below back."""
        self._hardware.hand_back()

    def close(self) -> None:
        """Close the hardware below."""
        self._hardware.close()


class StuckFan(_OverHardware):
    """Something blocks `actuator`: its tachometer reads 0 whatever its duty."""

    def __init__(self, hardware: BenchHardware, *, actuator: str) -> None:
        super().__init__(hardware)
        self._actuator = actuator

    def read(self) -> HardwareReading:
        """Read the hardware below, with that speed 0."""
        reading = self._hardware.read()
        return replace(reading, rpm={**reading.rpm, self._actuator: 0.0})


class UnreadableSensor(_OverHardware):
    """The sensor of `temperature` cannot be read."""

    def __init__(self, hardware: BenchHardware, *, temperature: str) -> None:
        super().__init__(hardware)
        self._temperature = temperature

    def read(self) -> HardwareReading:
        """Read the hardware below, without that temperature."""
        reading = self._hardware.read()
        return replace(reading, temperatures_c={**reading.temperatures_c, self._temperature: None})


class FailingWrite(_OverHardware):
    """Every write after the first `good_writes` fails."""

    def __init__(self, hardware: BenchHardware, *, good_writes: int = 0) -> None:
        super().__init__(hardware)
        self._good_writes = good_writes

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Write to the hardware below while it still takes it.

        Parameters
        ----------
        duty_percent : mapping of str to float
            Duty by actuator.

        Raises
        ------
        HardwareFault
            Once the good writes are used up.
        """
        if self._good_writes == 0:
            raise HardwareFault(
                f"The bench {self.name} refuses the duty of {', '.join(duty_percent)}; "
                "check that the driver may write to it."
            )
        self._good_writes -= 1
        self._hardware.write_duty(duty_percent)
