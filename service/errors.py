"""What can go wrong in the outside world, as one tree.

::

    EvenhushError                 (acoustic.errors)
      InputError                  the caller gave something unusable
        SettingsError             the configuration, an option or an environment variable
        RecordingError            a sound file
        DocumentError             a calibration, floor or settings file
        NotKept                   the archive has no such entry
        WrongJobState             a measurement cannot do this in its state
      CaptureError                the sound stopped being trustworthy
        DeviceNotFound            no such device, or no way to reach one
        CaptureStalled            an input delivers nothing any more
        SoundEnded                a recording or a program is at its end
      BenchError                  the bench control API
        BenchUnreachable          nobody answers at its address
        BenchMisbehaved           it answers something the API does not know
        LeaseHeld                 somebody else holds it
        LeaseLost                 our lease lapsed or was taken away
        LimitExceeded             outside the limits of the bench
        HardwareFault             a driver cannot set or read its hardware
      StorageError                a file cannot be written, or the database fails
        ArchiveClosed             it was closed already
      Halted                      a measurement was told to end before it was done
      SafetyStop                  stopped to protect hardware; no retry loop may swallow it
"""

from acoustic.errors import EvenhushError, InputError

__all__ = [
    "ArchiveClosed",
    "BenchError",
    "BenchMisbehaved",
    "BenchUnreachable",
    "CaptureError",
    "CaptureStalled",
    "DeviceNotFound",
    "DocumentError",
    "Halted",
    "HardwareFault",
    "LeaseHeld",
    "LeaseLost",
    "LimitExceeded",
    "NotKept",
    "RecordingError",
    "SafetyStop",
    "SettingsError",
    "SoundEnded",
    "StorageError",
    "WrongJobState",
]


class SettingsError(InputError):
    """A setting is unknown or unusable."""


class RecordingError(InputError):
    """A sound file cannot be used."""


class DocumentError(InputError):
    """A document that was given as input cannot be used."""


class WrongJobState(InputError):
    """A measurement cannot do this in its state."""


class NotKept(InputError):
    """The archive has no such entry."""


class CaptureError(EvenhushError):
    """The sound stopped being trustworthy."""


class DeviceNotFound(CaptureError):
    """No such input device, or nothing installed to reach one."""


class CaptureStalled(CaptureError):
    """An input delivers nothing any more."""


class SoundEnded(CaptureError):
    """A recording or a program is at its end."""


class BenchError(EvenhushError):
    """The bench control API failed."""


class BenchUnreachable(BenchError):
    """Nobody answers at the bench's address."""


class BenchMisbehaved(BenchError):
    """The bench answered something that the API does not know."""


class LeaseHeld(BenchError):
    """Somebody else holds the bench."""


class LeaseLost(BenchError):
    """The lease lapsed or was taken away."""


class LimitExceeded(BenchError):
    """A duty outside the limits of the bench."""


class HardwareFault(BenchError):
    """A driver cannot set or read its hardware."""


class SafetyStop(EvenhushError):
    """Stopped to protect hardware."""


class Halted(EvenhushError):
    """A measurement was told to end before it was done."""


class StorageError(EvenhushError):
    """A file cannot be written, or the database fails."""


class ArchiveClosed(StorageError):
    """The archive was closed already."""
