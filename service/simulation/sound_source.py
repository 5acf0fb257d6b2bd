"""The simulated microphone behind the sound port."""

from acoustic.signals import DigitalSignal
from service.errors import CaptureError
from service.ports import SoundBlock
from service.simulation.plant import Plant, Position

__all__ = ["SimulatedSource"]


class SimulatedSource:
    """What the microphone of a plant hears; reading from it is what makes the plant move.

    Parameters
    ----------
    plant : Plant
        The plant.
    position : {"room", "calibrator"}
        Whether the calibrator is over the microphone; can be changed at any time.
    name : str, optional
        What the user called it.
    """

    def __init__(
        self, plant: Plant, *, position: Position = "room", name: str | None = None
    ) -> None:
        self._plant = plant
        self.position: Position = position
        """What the microphone hears from the next read on."""
        self._name = name or f"simulated:{plant.cooler.name}"
        self._closed = False

    @property
    def name(self) -> str:
        """What the user called it."""
        return self._name

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self._plant.rate_hz

    @property
    def channels(self) -> int:
        """One."""
        return 1

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The samples; the plant moves on by their duration.

        Raises
        ------
        CaptureError
            If the source was closed.
        """
        if self._closed:
            raise CaptureError(f"The input {self._name} was closed; open it again to go on.")
        samples = self._plant.draw(frames, self.position)
        return SoundBlock(DigitalSignal(samples[:, None], self._plant.rate_hz))

    def close(self) -> None:
        """Give the input back; harmless when done twice."""
        self._closed = True
