"""The sound of a simulated bench that runs in another process, taken over its HTTP port."""

import json
from typing import Final, Literal

import numpy as np
from pydantic import ValidationError

from acoustic.errors import SignalError
from acoustic.signals import DigitalSignal
from service.documents.bench_api import SoundFormatAnswer
from service.errors import BenchMisbehaved, BenchUnreachable, CaptureStalled, SoundEnded
from service.http_calls import HttpAnswer, HttpCaller
from service.ports import SoundBlock

__all__ = ["BenchSound"]

_PATH: Final = "/v1/simulated-sound"
_OK: Final = 200


class BenchSound:
    """What the microphone of a simulated bench hears; taking it is what moves that bench.

    Parameters
    ----------
    url : str
        Base URL of the bench.
    position : {"room", "calibrator"}
        What the microphone is to hear.
    name : str
        What the user called it.

    Raises
    ------
    CaptureStalled
        If nobody answers there.
    BenchMisbehaved
        If what answers has no sound.
    """

    def __init__(self, url: str, *, position: Literal["room", "calibrator"], name: str) -> None:
        self._caller = HttpCaller(url)
        self._position = position
        self._name = name
        self._closed = False
        answer = self._get("/format", {})
        try:
            self._format = SoundFormatAnswer.model_validate_json(answer.content)
        except ValidationError as error:
            raise BenchMisbehaved(f"What answers at {url} is no simulated bench.") from error

    @property
    def name(self) -> str:
        """What the user called it."""
        return self._name

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self._format.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self._format.channels

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The samples and what the bench says against them.

        Raises
        ------
        SoundEnded
            If the source was closed.
        CaptureStalled
            If the bench does not answer any more.
        BenchMisbehaved
            If it answers something else.
        """
        if self._closed:
            raise SoundEnded(f"The input {self._name} was closed; open it again to go on.")
        # Sound that was lost on the way cannot be asked for again: it has moved the bench.
        answer = self._get("", {"frames": frames, "position": self._position}, repeat=False)
        try:
            samples = np.frombuffer(answer.content, dtype="<f4").reshape(frames, self.channels)
            faults = json.loads(answer.headers.get("Sound-Faults", "[]"))
            signal = DigitalSignal(samples.astype(np.float64), self.rate_hz)
        except (ValueError, SignalError) as error:
            raise BenchMisbehaved(
                f"The simulated bench behind {self._name} sent something that is no sound."
            ) from error
        return SoundBlock(signal, tuple(str(fault) for fault in faults))

    def close(self) -> None:
        """Give the connection up; harmless when done twice."""
        self._closed = True
        self._caller.close()

    def _get(self, path: str, params: dict[str, str | int], *, repeat: bool = True) -> HttpAnswer:
        """Ask, and insist on an answer that means yes."""
        try:
            answer = self._caller.call("GET", _PATH + path, params=params, repeat=repeat)
        except BenchUnreachable as error:
            raise CaptureStalled(
                f"The simulated bench behind {self._name} does not answer; start it again with "
                "'evenhush bench --simulated'."
            ) from error
        if answer.status != _OK:
            raise BenchMisbehaved(
                f"The bench behind {self._name} gives no sound (status {answer.status})."
            )
        return answer
