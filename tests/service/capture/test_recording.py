import wave
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest
import soundfile

from service.capture.recording import RecordingSource, inspect_recording
from service.errors import CaptureError, RecordingError, SoundEnded

RATE_HZ = 44_100


def counter(frames: int, channels: int) -> np.ndarray:
    """Return whole numbers of 16 bits, each frame and channel another one."""
    return (np.arange(frames * channels).reshape(frames, channels) - 1000).astype("<i2")


@pytest.fixture
def two_channels(tmp_path: Path) -> Path:
    """A file of 1000 frames, written by the standard library and not by what reads it."""
    path = tmp_path / "two channels.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(counter(1000, 2).tobytes())
    return path


@pytest.mark.parametrize("pieces", [(1000,), (1, 2, 400, 597), (7,) * 142])
def test_every_sample_comes_once(two_channels: Path, pieces: tuple[int, ...]) -> None:
    """Whatever the pieces, all samples come in order, with 1.0 as full scale."""
    source = RecordingSource(two_channels)
    blocks = [source.read(frames) for frames in pieces]
    source.close()

    heard = np.concatenate([block.signal.samples for block in blocks])
    np.testing.assert_array_equal(heard, counter(1000, 2)[: len(heard)] / 32768)
    assert source.rate_hz == RATE_HZ
    assert source.channels == 2
    assert all(block.faults == () for block in blocks)
    assert source.name == f"file:{two_channels}"


def test_too_few_frames_left(two_channels: Path) -> None:
    """A read beyond the end says where the file ends and returns nothing of the rest."""
    source = RecordingSource(two_channels)
    source.read(900)

    with pytest.raises(SoundEnded, match=r"ends after 0\.0 s"):
        source.read(101)
    source.close()
    source.close()
    with pytest.raises(SoundEnded):
        source.read(1)


def test_skipping(two_channels: Path) -> None:
    """Frames can be passed over, as many as are left."""
    source = RecordingSource(two_channels)
    assert source.frames == 1000
    source.skip(400)
    assert source.frames_left == 600

    np.testing.assert_array_equal(source.read(1).signal.samples, counter(1000, 2)[400:401] / 32768)
    with pytest.raises(SoundEnded):
        source.skip(600)
    source.close()


def test_faults_are_marked(tmp_path: Path) -> None:
    """A clipped block says so, and the one before does not."""
    path = tmp_path / "x.wav"
    sound = 0.1 * np.random.default_rng(1).standard_normal((200, 1))
    sound[150:155] = 1.0
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")

    source = RecordingSource(path)
    faults = [source.read(100).faults for _ in range(2)]
    source.close()
    assert faults == [(), ("channel 1 is clipped",)]


def test_format(two_channels: Path) -> None:
    """The format is told without reading sound."""
    found = inspect_recording(two_channels)

    assert (found.container, found.coding) == ("WAV", "PCM_16")
    assert (found.rate_hz, found.channels, found.frames) == (RATE_HZ, 2, 1000)
    assert found.duration_s == 1000 / RATE_HZ


@pytest.mark.parametrize(
    ("suffix", "coding", "step"),
    [("wav", "PCM_24", 2**-23), ("wav", "FLOAT", 1e-7), ("flac", "PCM_24", 2**-23)],
)
def test_codings(tmp_path: Path, suffix: str, coding: str, step: float) -> None:
    """24-bit and float files come to within their own resolution."""
    path = tmp_path / f"x.{suffix}"
    sound = 0.3 * np.random.default_rng(1).standard_normal((500, 1)).clip(-3, 3)
    soundfile.write(path, sound, RATE_HZ, subtype=coding)

    source = RecordingSource(path)
    np.testing.assert_allclose(source.read(500).signal.samples, sound, atol=step, rtol=1e-7)
    source.close()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30])
def test_samples_that_are_none(tmp_path: Path, bad: float) -> None:
    """What is no sample becomes zero and a fault of its block, and of no other."""
    path = tmp_path / "x.wav"
    sound = np.full((300, 1), 0.25)
    sound[150] = bad
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")

    source = RecordingSource(path)
    first, second, third = (source.read(100) for _ in range(3))
    source.close()

    assert first.faults == third.faults == ()
    assert second.faults == ("some samples are no numbers, or far beyond full scale",)
    assert second.signal.samples[50] == 0
    assert (np.delete(second.signal.samples, 50) == 0.25).all()


@pytest.mark.parametrize("coding", ["PCM_U8", "ULAW", "ALAW", "IMA_ADPCM"])
def test_eight_bits_are_refused(tmp_path: Path, coding: str) -> None:
    """Codings of 8 bits and fewer are refused with the reason."""
    path = tmp_path / "x.wav"
    soundfile.write(path, np.zeros((500, 1)), 8000, subtype=coding)

    for use in (RecordingSource, inspect_recording):
        with pytest.raises(RecordingError, match="8 bits a sample or fewer"):
            use(path)


def test_unusable_files(tmp_path: Path) -> None:
    """A missing, empty, soundless or foreign file and a folder each get their own sentence."""
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("no sound at all, but long enough to look at")
    (tmp_path / "headless.raw").write_bytes(bytes(1000))
    soundfile.write(tmp_path / "soundless.wav", np.zeros((0, 1)), RATE_HZ)
    soundfile.write(tmp_path / "slow.wav", np.zeros((100, 1)), 4000)
    words = {
        "missing.wav": "There is no file",
        "empty.wav": "is empty",
        "text.wav": "cannot be read as a recording",
        "headless.raw": "cannot be read as a recording",
        "soundless.wav": "holds no sound",
        "slow.wav": "sampling rate of 4000 Hz",
        ".": "is not a file",
    }
    for name, expected in words.items():
        for use in (RecordingSource, inspect_recording):
            with pytest.raises(RecordingError, match=expected) as caught:
                use(tmp_path / name)
            assert str(caught.value).count("\n") == 0


def test_file_that_may_not_be_read(two_channels: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that the system refuses to open is refused in a sentence, whatever its kind."""

    def refuse(*_: object, **__: object) -> NoReturn:
        raise PermissionError(13, "Permission denied")

    # Refused by hand: where the tests run as root, no permission stops them.
    monkeypatch.setattr(soundfile, "SoundFile", refuse)

    with pytest.raises(RecordingError, match="ermission"):
        RecordingSource(two_channels)


def test_truncated_file(two_channels: Path) -> None:
    """A file whose header promises more than there is gives what there is and nothing else."""
    two_channels.write_bytes(two_channels.read_bytes()[:-400])
    source = RecordingSource(two_channels)

    assert len(source.read(900).signal.samples) == 900
    with pytest.raises((SoundEnded, CaptureError)):
        source.read(100)
    source.close()


def test_damaged_file(tmp_path: Path) -> None:
    """A compressed file with damage inside is told with the place, and gives no wrong sound."""
    path = tmp_path / "x.flac"
    sound = 0.3 * np.random.default_rng(1).uniform(-1, 1, (RATE_HZ, 1))
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
    content = bytearray(path.read_bytes())
    content[len(content) // 2 :] = bytes(len(content) - len(content) // 2)
    path.write_bytes(content)
    source = RecordingSource(path)

    def read_on() -> None:
        for _ in range(10):
            source.read(RATE_HZ // 10)

    with pytest.raises((CaptureError, SoundEnded)):
        read_on()
    source.close()
