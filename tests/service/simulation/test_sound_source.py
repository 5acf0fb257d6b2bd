import numpy as np
import pytest

from service.errors import CaptureError
from service.ports import SoundSource
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource

FJORD = COOLERS["Fjord 140"]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_source_delivers_exactly_what_is_asked(rate_hz):
    """Any number of frames, one channel, at the plant's rate, with nothing wrong in it."""
    source: SoundSource = SimulatedSource(Plant(FJORD, seed=1, rate_hz=rate_hz))

    assert (source.rate_hz, source.channels, source.name) == (rate_hz, 1, "simulated:Fjord 140")
    for frames in (0, 1, 999, rate_hz // 10, rate_hz):
        block = source.read(frames)

        assert block.signal.samples.shape == (frames, 1)
        assert block.signal.rate_hz == rate_hz
        assert block.faults == ()


def test_source_delivers_what_its_plant_sounds_like():
    """The samples are those of the plant, in the room and under the calibrator."""
    plant, source = Plant(FJORD, seed=1), SimulatedSource(Plant(FJORD, seed=1), name="mic")

    in_room = source.read(4800)
    source.position = "calibrator"
    under_calibrator = source.read(4800)

    assert source.name == "mic"
    assert np.array_equal(in_room.signal.samples[:, 0], plant.draw(4800))
    assert np.array_equal(under_calibrator.signal.samples[:, 0], plant.draw(4800, "calibrator"))


def test_two_sources_share_one_plant():
    """Reading one source moves the time that the other one hears."""
    plant = Plant(FJORD, seed=1)
    room, calibrator = SimulatedSource(plant), SimulatedSource(plant, position="calibrator")

    room.read(2400)
    calibrator.read(2400)

    assert plant.frames_drawn == 4800


def test_a_closed_source_says_so():
    """Closing twice is harmless; reading afterwards is refused in a sentence."""
    source = SimulatedSource(Plant(FJORD, seed=1))
    source.close()
    source.close()

    with pytest.raises(CaptureError, match="was closed; open it again"):
        source.read(1)
