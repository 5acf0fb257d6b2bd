"""Sound files while they grow: exact, readable at any time, whole up to a full disk."""

import shutil
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from sound_keepers import SmallDisk, on_grid

from service.storage.growing_sound import FlacFile, WavFile

KINDS = pytest.mark.parametrize("kind", [FlacFile, WavFile])
BLOCK = 4096
"""Frames in a block of FLAC, as libFLAC makes it."""


def begun(kind, path, *, rate_hz=48_000, channels=1, **more):
    """Begin a file."""
    file = path.open("xb", buffering=0)
    return kind(file, rate_hz=rate_hz, channels=channels, comment='{"a": 1}', **more)


@settings(max_examples=25)
@given(
    steps=arrays(
        np.int32,
        st.tuples(st.integers(1, 50), st.integers(1, 8)),
        elements=st.integers(-(2**23), 2**23 - 1),
    ),
    rate_hz=st.sampled_from([8000, 44_100, 48_000, 192_000]),
    pieces=st.integers(1, 4),
)
def test_flac_gives_every_24_bit_value_back(tmp_path_factory, steps, rate_hz, pieces):
    """Samples on the grid of 24 bits come back bit for bit, however they were cut."""
    path = tmp_path_factory.mktemp("flac") / "x.flac"
    growing = begun(FlacFile, path, rate_hz=rate_hz, channels=steps.shape[1])
    for piece in np.array_split(steps, pieces):
        if len(piece):
            growing.write(piece / 2.0**23)
    growing.finish("{}")

    found, found_rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert found_rate_hz == rate_hz
    assert np.array_equal(found >> 8, steps)


def test_flac_rounds_to_the_nearest_and_stops_at_full_scale(tmp_path):
    """Between two steps the nearer one is taken; 1.0 and more become the highest step."""
    steps = np.array([[0.4], [0.6], [-0.6], [2.0**23 - 1], [2.0**23], [2.0**24], [-(2.0**24)]])
    growing = begun(FlacFile, tmp_path / "x.flac")
    growing.write(steps / 2.0**23)
    growing.finish("{}")

    found, _ = soundfile.read(tmp_path / "x.flac", dtype="int32")
    high, low = 2**23 - 1, -(2**23)
    assert (found >> 8).tolist() == [0, 1, -1, high, high, high, low]


@pytest.mark.parametrize("channels", [1, 2, 10])
def test_wav_gives_every_single_precision_value_back(tmp_path, channels):
    """Single-precision samples come back bit for bit, also far beyond full scale."""
    samples = np.random.default_rng(2).standard_normal((5000, channels)).astype("<f4") * 100
    growing = begun(WavFile, tmp_path / "x.wav", channels=channels)
    for piece in np.array_split(samples.astype(np.float64), 7):
        growing.write(piece)
    growing.finish('{"b": 2}')

    with soundfile.SoundFile(tmp_path / "x.wav") as file:
        assert (file.format, file.subtype) == ("WAV", "FLOAT")
        assert np.array_equal(file.read(dtype="float32", always_2d=True), samples)


@KINDS
def test_it_can_be_read_while_it_grows(tmp_path, kind):
    """At any time, and with the beginning of a torn piece behind it, all secured frames read."""
    samples = on_grid(48_000)
    path = tmp_path / "x"
    growing = begun(kind, path)
    for piece in np.array_split(samples, 5):
        growing.write(piece)
        growing.secure()
        shutil.copy(path, tmp_path / "copy")
        with (tmp_path / "copy").open("ab") as torn:
            torn.write(b"\xff\xf8\xca\x0c torn")
        found, _ = soundfile.read(tmp_path / "copy", always_2d=True)
        assert np.array_equal(found, samples[: growing.frames])
    missing = len(samples) - growing.frames
    growing.finish("{}")

    # FLAC holds back what does not fill a block, and the block that it looks ahead.
    assert missing <= (2 * BLOCK if kind is FlacFile else 0)
    assert soundfile.info(path).frames == len(samples)


def test_the_text_in_the_head_can_be_replaced(tmp_path):
    """What stands there in the end is the last text; readers find it as the comment."""
    growing = begun(FlacFile, tmp_path / "x.flac")
    growing.write(on_grid(100))
    growing.finish('{"at the end": true}')

    with soundfile.SoundFile(tmp_path / "x.flac") as file:
        assert file.comment.strip() == '{"at the end": true}'
    wav = begun(WavFile, tmp_path / "x.wav")
    wav.write(on_grid(100))
    wav.finish('{"at the end": true}')
    content = (tmp_path / "x.wav").read_bytes()
    length = struct.unpack_from("<I", content, content.index(b"ICMT") + 4)[0]
    text = content[content.index(b"ICMT") + 8 :][:length]
    assert text.rstrip(b" \0") == b'{"at the end": true}'


def test_wav_becomes_rf64_where_its_sizes_do_not_fit(tmp_path):
    """Below the limit it is WAV with room for the large sizes; from it on, the same as RF64."""
    samples = on_grid(3000)
    path = tmp_path / "x.wav"
    growing = begun(WavFile, path, rf64_from=8000)
    growing.write(samples[:1000])
    growing.secure()
    small = path.read_bytes()
    small_frames = soundfile.info(path).frames
    growing.write(samples[1000:])
    growing.finish("{}")
    large = path.read_bytes()

    assert small[:4] == b"RIFF"
    assert small[12:16] == b"JUNK"
    assert small_frames == 1000
    assert struct.unpack_from("<4sI4s4sI", large) == (b"RF64", 2**32 - 1, b"WAVE", b"ds64", 28)
    assert struct.unpack_from("<QQQ", large, 20) == (len(large) - 8, 12_000, 3000)
    found, _ = soundfile.read(path, always_2d=True)
    assert soundfile.info(path).format == "RF64"
    assert np.array_equal(found, samples)


def test_five_gigabytes_are_read_to_their_end(tmp_path):
    """A file beyond 4 GB, mostly a hole in the disk, has all its frames and the right last ones."""
    frames = 5 * 2**30 // 4
    path = tmp_path / "x.wav"
    growing = begun(WavFile, path)
    growing.write(on_grid(100))
    head_bytes = path.stat().st_size - 400
    with path.open("r+b") as file:
        file.truncate(head_bytes + 4 * (frames - 100))
    with path.open("ab") as file:
        file.write(on_grid(100, seed=2).astype("<f4").tobytes())
    growing.frames = frames
    growing.finish("{}")

    with soundfile.SoundFile(path) as file:
        assert (file.format, file.frames) == ("RF64", frames)
        file.seek(frames - 100)
        assert np.array_equal(file.read(always_2d=True), on_grid(100, seed=2))


@KINDS
@pytest.mark.parametrize("room", [33_000, 50_000, 99_999, 123_456])
def test_a_full_disk_leaves_what_was_written_whole(tmp_path, kind, room):
    """Writing goes on into nothing, and the file reads as the beginning of the sound."""
    samples = on_grid(96_000)
    path = tmp_path / "x"
    growing = kind(SmallDisk(path, room), rate_hz=48_000, channels=1, comment="{}")
    for piece in np.array_split(samples, 20):
        growing.write(piece)
    failure = growing.disk.failure
    growing.finish('{"full": true}')

    assert failure.strerror == "No space left on device"
    if growing.frames:
        found, _ = soundfile.read(path, always_2d=True)
        assert np.array_equal(found, samples[: growing.frames])
    # What is lost is less than a piece or a block, which is what was being written.
    head_bytes = 33_000
    assert path.stat().st_size <= room
    assert 4 * (growing.frames + 4800) >= room - head_bytes


@KINDS
def test_a_disk_that_is_full_from_the_beginning(tmp_path, kind):
    """Without room for a head there is no sound, and still no error."""
    growing = kind(SmallDisk(tmp_path / "x", 100), rate_hz=48_000, channels=1, comment="{}")
    growing.write(on_grid(10_000))
    growing.secure()
    growing.finish("{}")

    assert growing.frames == 0
    assert (tmp_path / "x").stat().st_size <= 100
