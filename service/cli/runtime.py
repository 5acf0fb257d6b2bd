"""What commands do before and after their work: settings, inputs, calibrations, printing."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from acoustic.microphone_response import MicrophoneResponse
    from calibration.results import FloorReading
    from service.documents.calibration import CalibrationDocument
    from service.ports import BenchConnection, SoundSource
    from service.settings import Settings
    from service.wiring.keeping import Keeping, KeepRequest

__all__ = [
    "Session",
    "check_out",
    "check_pump_options",
    "open_session",
    "print_json",
    "read_floor",
    "remark",
]


def print_json(document: object) -> None:
    """Print one JSON document to standard output."""
    import json

    print(json.dumps(document, indent=1, ensure_ascii=False))


def remark(text: str) -> None:
    """Print a remark to standard error, where it does not disturb a script."""
    print(text, file=sys.stderr, flush=True)


@dataclass(frozen=True, slots=True)
class Session:
    """What the options and the configuration come to."""

    settings: "Settings"
    """The configuration."""
    data_folder: Path
    """Where calibrations and records are kept."""

    def input_text(self, given: str | None) -> str:
        """Return the input to use.

        Raises
        ------
        SettingsError
            If none is named anywhere.
        """
        from service.errors import SettingsError

        text = given or self.settings.input
        if not text:
            raise SettingsError(
                "No input is named; give --input device:NAME, file:PATH, exec:COMMAND or "
                "simulated:NAME, or set it in the configuration."
            )
        return text

    @contextmanager
    def open_input(
        self,
        given: str | None,
        *,
        rate_hz: int | None,
        channels: int | None,
        position: Literal["room", "calibrator"] = "room",
    ) -> Iterator["SoundSource"]:
        """Open the input, and close it on every way out."""
        from service.wiring.inputs import open_input

        source = open_input(
            self.input_text(given),
            rate_hz=rate_hz or self.settings.rate_hz,
            channels=channels or self.settings.channels,
            data_folder=self.data_folder,
            position=position,
            device_return_s=self.settings.device_return_s,
            tell=remark,
        )
        try:
            yield source
        finally:
            source.close()

    def keep_request(
        self, folder: Path | None, form: str | None, command: str
    ) -> "KeepRequest | None":
        """Return where the sound that a command hears is to be kept; None where it is not.

        Raises
        ------
        SettingsError
            If the form is none.
        """
        from service.errors import SettingsError
        from service.wiring.keeping import KeepRequest

        if form not in (None, "flac", "wav"):
            raise SettingsError(f"--keep-as is 'flac' or 'wav', not {form!r}.")
        folder = folder or self.settings.keep
        if folder is None:
            if form is not None:
                raise SettingsError("--keep-as says how sound is kept; name a folder with --keep.")
            return None
        chosen = self.settings.keep_as if form is None else form
        return KeepRequest(folder, "wav" if chosen == "wav" else "flac", command)

    @contextmanager
    def open_kept(
        self,
        given: str | None,
        *,
        rate_hz: int | None,
        channels: int | None,
        position: Literal["room", "calibrator"] = "room",
        keep: "KeepRequest | None",
        cooler: str | None = None,
        insist: bool = True,
    ) -> Iterator["Keeping"]:
        """Open the input, keep its sound if that is asked for, and close it on every way out."""
        from service.wiring.keeping import keep_sound

        with (
            self.open_input(given, rate_hz=rate_hz, channels=channels, position=position) as source,
            keep_sound(source, keep, cooler=cooler, insist=insist, tell=remark) as keeping,
        ):
            yield keeping

    @contextmanager
    def open_bench(self, url: str | None, token: str | None) -> Iterator["BenchConnection"]:
        """Reach the bench; on every way out its lease and the connection are given up.

        Raises
        ------
        SettingsError
            If none is named anywhere.
        """
        from service.bench.client import BenchClient
        from service.errors import SettingsError

        url = url or self.settings.bench
        if not url:
            raise SettingsError(
                "No bench is named; give --bench URL, or set it in the configuration."
            )
        client = BenchClient(url, token=token or self.settings.bench_token)
        try:
            yield client
        finally:
            client.close()

    def channels_for(self, given: int | None, used: Sequence[int] | None) -> int | None:
        """Return how many channels to open: as many as are named, else as are used."""
        if given is not None or not used:
            return given
        return max(self.settings.channels, *used)

    def calibration(
        self,
        given: Path | None,
        source: "SoundSource",
        used: Sequence[int] | None = None,
    ) -> "CalibrationDocument":
        """Return the calibration to use: the named one, else the newest kept of each channel.

        Raises
        ------
        DocumentError
            If a channel that is used has none, or it cannot be used.
        """
        from service.documents.calibration import CalibrationDocument
        from service.errors import DocumentError
        from service.jobs.listening import calibration_of
        from service.storage.calibrations import CalibrationHistory
        from service.storage.document_files import read_document_text

        path = given or self.settings.calibration
        if path is not None:
            text = read_document_text(path, "calibration")
            document = CalibrationDocument.from_json(text, str(path))
            if not document.accepted:
                return document  # whoever uses it says so
            return calibration_of(source, document.by_channel(), used)
        history = CalibrationHistory(self.data_folder)
        newest = {
            channel: found
            for channel in range(1, source.channels + 1)
            if (found := history.latest(source.name, channel)) is not None
        }
        if not newest:
            raise DocumentError(
                f"{source.name} was never calibrated, so no level can be given; run "
                "'evenhush calibrate' on it, or name a calibration with --calibration."
            )
        single = {channel: found.by_channel()[channel] for channel, found in newest.items()}
        document = calibration_of(source, single, used)
        of_channels = document.by_channel()
        for channel, each in of_channels.items():
            what = f" of channel {channel}" if len(of_channels) > 1 else ""
            remark(f"using the calibration{what} of {each.time:%Y-%m-%d %H:%M} UTC")
        return document

    def response(
        self, given: Path | None, calibration: "CalibrationDocument"
    ) -> "MicrophoneResponse | None":
        """Return the response of the microphone to take out, if one is named anywhere."""
        from service.errors import DocumentError
        from service.storage.response_tables import read_response

        path = given or self.settings.response
        if path is None:
            return None
        of_channels = calibration.by_channel().values()
        if len({each.reference_frequency_hz for each in of_channels}) > 1:
            raise DocumentError(
                "The channels were calibrated at several frequencies, but a response counts from "
                "one; calibrate them with the same calibrator."
            )
        return read_response(path, calibrated_at_hz=calibration.reference_frequency_hz or 1000.0)


def read_floor(given: Path | None) -> "FloorReading | None":
    """Read the room floor that ``--floor`` names, if it names one.

    Raises
    ------
    DocumentError
        If it cannot be read or is none.
    """
    from service.documents.floor import FloorDocument
    from service.jobs.floor_checking import floor_reading
    from service.storage.document_files import read_document_text

    if given is None:
        return None
    return floor_reading(
        FloorDocument.from_json(read_document_text(given, "room floor"), str(given))
    )


def check_pump_options(pump_duty_percent: float | None, *, follows: bool) -> None:
    """Refuse a pump that is both held and led along.

    Raises
    ------
    SettingsError
        If both are asked for.
    """
    from service.errors import SettingsError

    if follows and pump_duty_percent is not None:
        raise SettingsError("Give either --pump-duty-percent or --pump-follows, not both.")


def check_out(out: Path) -> None:
    """Refuse a name for results before minutes of listening go into them.

    Raises
    ------
    SettingsError
        If no document can stand there with its files beside it.
    """
    from service.errors import SettingsError

    if out.suffix in (".csv", ".png", ".svg", ".jsonl"):
        raise SettingsError(
            f"--out {out} names the JSON document, and {out.suffix} is for what goes beside it; "
            "let it end in .json."
        )
    if out.is_dir() or (out.parent.exists() and not out.parent.is_dir()):
        raise SettingsError(f"--out {out} is no name for a file; choose another.")


def open_session(config: Path | None, data: Path | None) -> Session:
    """Read the configuration and find the data folder.

    Parameters
    ----------
    config, data : Path or None
        What the options say.

    Returns
    -------
    Session
        Both.

    Raises
    ------
    SettingsError
        If the configuration cannot be used.
    """
    from service.settings import data_folder, read_settings

    settings = read_settings(config)
    return Session(settings, data_folder(data, settings))
