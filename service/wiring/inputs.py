"""From what `--input` says to a sound source, and what there is to say."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from service.clock import utc_now
from service.documents.inputs import InputPart, InputsDocument
from service.errors import DeviceNotFound, SettingsError
from service.ports import SoundSource

if TYPE_CHECKING:
    from service.capture.audio_devices import InputDevice

__all__ = ["Position", "inputs_document", "list_inputs", "open_input"]

Position = Literal["room", "calibrator"]
"""Whether a simulated microphone hears the room or the calibrator."""


def open_input(
    text: str,
    *,
    rate_hz: int,
    channels: int,
    data_folder: Path,
    position: Position,
    device_return_s: float,
    tell: Callable[[str], None],
) -> SoundSource:
    """Open a sound input.

    Parameters
    ----------
    text : str
        ``file:PATH`` or just a path, ``exec:COMMAND``, ``device:NAME`` or ``simulated:NAME``.
    rate_hz, channels : int
        Rate and channels of a device or a program; recordings and simulated benches have their
        own.
    data_folder : Path
        Where running simulated benches are noted.
    position : {"room", "calibrator"}
        What a simulated microphone is to hear.
    device_return_s : float
        How long a device that is lost may take to come back.
    tell : callable
        Given remarks for the person at the input.

    Returns
    -------
    SoundSource
        The source; the caller closes it.

    Raises
    ------
    SettingsError
        If the text names no input.
    EvenhushError
        If there is no such input or it cannot be opened.
    """
    kind, colon, rest = text.partition(":")
    if colon and not rest.strip():
        raise SettingsError(f"The input {text!r} names nothing after the colon.")
    match kind if colon else "":
        case "exec":
            from service.capture.program import ProgramSource

            return ProgramSource(rest, rate_hz=rate_hz, channels=channels)
        case "device":
            from service.capture.device import DeviceSource

            return DeviceSource(
                rest, rate_hz=rate_hz, channels=channels, return_s=device_return_s, tell=tell
            )
        case "simulated":
            from service.capture.bench_sound import BenchSound
            from service.storage.simulated_benches import find_bench_url

            url = find_bench_url(data_folder, rest)
            return BenchSound(url, position=position, name=text)
        case "file":
            return _recording(Path(rest))
        case _:
            # A bare path, which on some platforms has a colon of its own.
            return _recording(Path(text))


def _recording(path: Path) -> SoundSource:
    """Open a recording."""
    from service.capture.recording import RecordingSource

    return RecordingSource(path)


def inputs_document(devices: Sequence["InputDevice"], *, rate_hz: int) -> InputsDocument:
    """Put the inputs of a machine into a document.

    Parameters
    ----------
    devices : sequence of InputDevice
        The inputs, with their rates.
    rate_hz : int
        Sampling rate that would be used.

    Returns
    -------
    InputsDocument
        Each with what names it, and what speaks against it.
    """
    from service.capture.audio_devices import choose_device, doubt_about

    def naming(device: "InputDevice") -> str | None:
        """Find the shortest of its names that means it and no other."""
        for text in (device.name, device.label):
            try:
                if choose_device(text, devices) is device:
                    return f"device:{text}"
            except DeviceNotFound:
                continue
        return None

    def part(device: "InputDevice") -> InputPart:
        doubt, named = doubt_about(device), naming(device)
        warnings = [] if doubt is None else [doubt]
        if named is None:
            warnings.append("Another input has the same name, so this one cannot be named.")
        if not device.rates_hz:
            warnings.append("It does not tell its rates; see whether another program has it.")
        elif rate_hz not in device.rates_hz:
            warnings.append(f"It does not take {rate_hz} Hz; name another rate with --rate-hz.")
        return InputPart(
            input=named,
            name=device.name,
            interface=device.interface,
            channels=device.channels,
            default_rate_hz=device.default_rate_hz,
            rates_hz=list(device.rates_hz),
            default=device.default,
            direct=doubt is None,
            warnings=warnings,
        )

    # A stable sort: what the audio system lists first stays first among its like.
    parts = sorted((part(device) for device in devices), key=lambda each: not each.direct)
    return InputsDocument(time=utc_now(), inputs=parts)


def list_inputs(*, rate_hz: int) -> InputsDocument:
    """List the sound inputs of this machine.

    Parameters
    ----------
    rate_hz : int
        Sampling rate that would be used.

    Returns
    -------
    InputsDocument
        At least one input.

    Raises
    ------
    DeviceNotFound
        If there is none, or no library to ask.
    CaptureError
        If the audio system does not answer.
    """
    from service.capture import device_process

    devices = device_process.list_inputs()
    if not devices:
        raise DeviceNotFound(
            "This machine has no sound input that can be used: plug in a microphone and try again, "
            "or take a recording with file:PATH or a program with exec:COMMAND."
        )
    return inputs_document(devices, rate_hz=rate_hz)
