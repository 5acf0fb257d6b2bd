"""What the measuring side needs of the outside world, as protocols.

Jobs know only these. `service.wiring` chooses what stands behind them: a device, a recording, a
program or the simulated room; a bench over HTTP; real or simulated hardware.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from acoustic.signals import DigitalSignal
from calibration.bench_state import Actuator, BenchDescription, BenchState
from service.records.lab import JobRecord
from service.records.paging import Page

__all__ = [
    "BenchConnection",
    "BenchHardware",
    "HardwareReading",
    "JobArchive",
    "RecordedSound",
    "SoundBlock",
    "SoundSource",
]


@dataclass(frozen=True, slots=True, eq=False)
class SoundBlock:
    """A stretch of sound and whether it may enter a level."""

    signal: DigitalSignal
    """The samples, re full scale."""
    faults: tuple[str, ...] = ()
    """Why this block must not enter a level, in words; empty when it may."""
    channel_faults: tuple[tuple[str, ...], ...] = ()
    """Those among them that only one channel has, channel by channel; empty for none."""

    def faults_of(self, channels: Collection[int]) -> tuple[str, ...]:
        """Return why some channels of this block must not enter a level.

        Parameters
        ----------
        channels : collection of int
            The channels that are used, counted from 0.

        Returns
        -------
        tuple of str
            What concerns all channels or one of these.
        """
        elsewhere = {
            fault
            for channel, faults in enumerate(self.channel_faults)
            if channel not in channels
            for fault in faults
        }
        return tuple(fault for fault in self.faults if fault not in elsewhere)


class SoundSource(Protocol):
    """One sound input.

    **Sound is the clock**: to wait is to read, so a source that delivers faster than real time
    makes everything faster.
    """

    @property
    def name(self) -> str:
        """What the user called it, such as ``file:tone.flac``."""
        ...

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        ...

    @property
    def channels(self) -> int:
        """Number of channels."""
        ...

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames, read on demand with at most 0.2 s of read-ahead.

        Raises
        ------
        SoundEnded
            If fewer frames are left; nothing of the rest is returned.
        CaptureError
            If the input failed or delivers nothing any more.
        """
        ...

    def close(self) -> None:
        """Give the input back; harmless when done twice."""
        ...


class RecordedSound(SoundSource, Protocol):
    """A sound input whose end is known beforehand."""

    @property
    def frames(self) -> int:
        """Length of the whole in frames."""
        ...

    def skip(self, frames: int) -> None:
        """Go forward without reading.

        Raises
        ------
        SoundEnded
            If fewer frames are left.
        """
        ...


class BenchConnection(Protocol):
    """A bench, seen from the measuring side: the bench control API, version 1."""

    def describe(self) -> BenchDescription:
        """Ask what the bench is.

        Raises
        ------
        BenchError
            If it does not answer, or not by the API.
        """
        ...

    def state(self) -> BenchState:
        """Ask what the bench does now.

        Raises
        ------
        BenchError
            If it does not answer, or not by the API.
        """
        ...

    def acquire(self, holder: str) -> None:
        """Take the lease, and keep it alive until `release`.

        Raises
        ------
        LeaseHeld
            If somebody else holds it.
        SafetyStop
            If the bench is in its safe state.
        BenchError
            If it does not answer, or not by the API.
        """
        ...

    def set_duty(self, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties by actuator name, all or none.

        Raises
        ------
        LimitExceeded
            If one is outside the bench's limits.
        LeaseLost
            If the lease is gone.
        SafetyStop
            If the bench took over to protect the hardware.
        BenchError
            If it does not answer, or not by the API.
        """
        ...

    def release(self) -> None:
        """Give the lease back and stop renewing it; never raises, harmless when done twice."""
        ...


@dataclass(frozen=True, slots=True)
class HardwareReading:
    """What a driver reads: speeds and temperatures; None where a sensor cannot be read."""

    duty_percent: Mapping[str, float]
    """Duty that is set, by actuator."""
    rpm: Mapping[str, float | None]
    """Speed by actuator; None without a tachometer."""
    temperatures_c: Mapping[str, float | None]
    """Temperature by name; None when its sensor cannot be read."""
    unread: Mapping[str, str] = field(default_factory=dict)
    """Why something could not be read, in a sentence, by what it is: ``the temperature NAME``,
    ``the speed of NAME`` or ``the duty of NAME``. May be left out."""


class BenchHardware(Protocol):
    """Fans, pumps and sensors behind a bench: what a driver has to offer.

    Calls come from one thread at a time; the bench's guard sees to that.
    """

    @property
    def name(self) -> str:
        """Name of the bench."""
        ...

    @property
    def actuators(self) -> Mapping[str, Actuator]:
        """The speeds it can set, with their limits."""
        ...

    @property
    def temperature_limits_c(self) -> Mapping[str, float]:
        """The temperatures it can read, with the limit of each."""
        ...

    def read(self) -> HardwareReading:
        """Read duties, speeds and temperatures.

        Raises
        ------
        HardwareFault
            If nothing can be read at all.
        """
        ...

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Take manual control of the named actuators and set their duties.

        Raises
        ------
        HardwareFault
            If one cannot be set.
        """
        ...

    def hand_back(self) -> None:
        """Return every actuator to the control it was under before the first `write_duty`.

        Raises
        ------
        HardwareFault
            If one cannot be handed back.
        """
        ...

    def close(self) -> None:
        """Hand back and give up the hardware; harmless when done twice."""
        ...


class JobArchive(Protocol):
    """Where measurements that were asked for are kept; used from any thread.

    Every method raises a StorageError where nothing can be kept or read, and all that are given
    the id of a job raise NotKept where there is none.
    """

    def add(self, *, kind: str, request: Mapping[str, Any], who: str) -> JobRecord:
        """Take up a job in the state ``queued``, behind all that wait."""
        ...

    def save(self, job: JobRecord) -> None:
        """Write down how a job stands; its place is changed by `order`, or taken from it here."""
        ...

    def order(self, ids: Sequence[str]) -> None:
        """Put those that wait in order, next first; no other job has a place."""
        ...

    def get(self, id: str) -> JobRecord:  # noqa: A002 - the archive's word for it
        """Return a job."""
        ...

    def waiting(self) -> tuple[JobRecord, ...]:
        """Return the jobs with a place, next first."""
        ...

    def list(
        self,
        *,
        states: Collection[str] | None = None,
        limit: int = 50,
        before: str | None = None,
    ) -> Page[JobRecord]:
        """List jobs, newest first."""
        ...
