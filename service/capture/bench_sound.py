"""The sound of a simulated bench that runs in another process, taken over its HTTP port."""

import json
from collections.abc import Mapping
from typing import Final, Literal

from pydantic import ValidationError

from service.capture.blocks import block_from_float32
from service.documents.bench_api import SoundFormatAnswer
from service.errors import BenchError, BenchUnreachable, CaptureError, CaptureStalled, SoundEnded
from service.http_calls import HttpAnswer, HttpCaller
from service.ports import SoundBlock

__all__ = ["BenchSound"]

_PATH: Final = "/v1/simulated-sound"
_FRAMES_A_CALL: Final = 48_000
"""Most frames to ask for at once, so that each answer is short and comes soon."""


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
    token : str, optional
        What the bench asks for.

    Raises
    ------
    CaptureStalled
        If nobody answers there.
    CaptureError
        If what answers has no sound.
    SettingsError
        If the address or the token is unusable.
    """

    def __init__(
        self,
        url: str,
        *,
        position: Literal["room", "calibrator"],
        name: str,
        token: str | None = None,
    ) -> None:
        self._caller = HttpCaller(url, token=token)
        self.position: Literal["room", "calibrator"] = position
        """What the microphone hears from the next read on."""
        self._name = name
        self._closed = False
        try:
            self._format = SoundFormatAnswer.model_validate_json(self._get("/format", {}).content)
        except ValidationError as error:
            self.close()
            raise CaptureError(
                f"What answers at {url} is no simulated bench; check the address."
            ) from error
        except CaptureError:
            self.close()
            raise

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
        CaptureError
            If it answers something else.
        """
        if self._closed:
            raise SoundEnded(f"The input {self._name} was closed; open it again to go on.")
        data = bytearray()
        faults: dict[str, None] = {}
        left = frames
        while left:
            part = min(left, _FRAMES_A_CALL)
            # Sound that was lost on the way cannot be asked for again: it has moved the bench.
            params = {"frames": part, "position": self.position}
            answer = self._get("", params, repeat=False)
            if len(answer.content) != part * self.channels * 4:
                raise CaptureError(
                    f"The bench behind {self._name} sent {len(answer.content)} bytes for {part} "
                    f"frames of {self.channels} channels; check that it is a simulated bench."
                )
            data += answer.content
            faults |= dict.fromkeys(_faults_of(answer))
            left -= part
        return block_from_float32(bytes(data), self.rate_hz, self.channels, tuple(faults))

    def close(self) -> None:
        """Give the connection up; harmless when done twice."""
        self._closed = True
        self._caller.close()

    def _get(
        self, path: str, params: Mapping[str, str | int], *, repeat: bool = True
    ) -> HttpAnswer:
        """Ask, and insist on an answer that means yes."""
        try:
            answer = self._caller.call("GET", _PATH + path, params=params, repeat=repeat)
        except BenchUnreachable as error:
            raise CaptureStalled(
                f"The simulated bench behind {self._name} does not answer; start it again with "
                "'evenhush bench --simulated'."
            ) from error
        except BenchError as error:
            raise CaptureError(str(error)) from error
        if answer.status != 200:
            raise CaptureError(
                f"The bench behind {self._name} gives no sound (status {answer.status}); "
                "only a simulated bench does."
            )
        return answer


def _faults_of(answer: HttpAnswer) -> list[str]:
    """Return what the bench says against the sound; what cannot be read speaks against it too."""
    try:
        faults = json.loads(answer.headers.get("Sound-Faults", "[]"))
    except ValueError:
        faults = None
    if not isinstance(faults, list):
        return ["the bench sent faults that cannot be read"]
    return [str(fault) for fault in faults]
