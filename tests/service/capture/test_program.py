import os
import shlex
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.errors import InputError
from service.capture.pipe_reader import PipeReader
from service.capture.program import ProgramSource, split_command
from service.errors import CaptureStalled, SettingsError, SoundEnded

RATE_HZ = 48_000
COUNTER = """
import array, sys
for start in range(0, 2**23, 512):
    block = array.array("f", [n / 2**24 for n in range(start, start + 512)])
    if sys.byteorder == "big":
        block.byteswap()
    sys.stdout.buffer.write(block.tobytes())
    sys.stdout.buffer.flush()
"""

Start = Callable[..., ProgramSource]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Start Python programs as sources, and close them whatever happens."""
    sources: list[ProgramSource] = []

    def make(program: str, *, channels: int = 1, stall_s: float = 20.0) -> ProgramSource:
        path = tmp_path / f"program {len(sources)}.py"
        path.write_text(program)
        command = f'"{sys.executable}" "{path}"'
        sources.append(ProgramSource(command, rate_hz=RATE_HZ, channels=channels, stall_s=stall_s))
        return sources[-1]

    yield make
    for source in sources:
        source.close()
        assert source._process.poll() is not None


@pytest.mark.parametrize("channels", [1, 2, 8])
def test_every_sample_comes_once(start: Start, channels: int) -> None:
    """Samples come in order, interleaved, in any pieces, and the program ends with the source."""
    source = start(COUNTER, channels=channels)
    blocks = [source.read(frames) for frames in (1, 999, 4800, 200)]
    heard = np.concatenate([block.signal.samples for block in blocks])

    np.testing.assert_array_equal(heard.ravel(), np.arange(6000 * channels) / 2**24)
    assert all(block.faults == () for block in blocks)
    assert (source.rate_hz, source.channels) == (RATE_HZ, channels)
    assert source.name.startswith("exec:")

    source.close()
    source.close()
    assert source._process.returncode is not None
    with pytest.raises(SoundEnded):
        source.read(1)


def test_program_that_fails(start: Start) -> None:
    """A program that ends early is told with its status, its last words and what was heard."""
    source = start("""
import sys
sys.stdout.buffer.write(bytes(4 * 72_000))
sys.stdout.buffer.flush()
print("first remark", file=sys.stderr)
print("no microphone\\x1b[0m\\n", file=sys.stderr)
sys.exit(3)
""")
    source.read(48_000)

    with pytest.raises(SoundEnded) as caught:
        source.read(48_000)

    text = str(caught.value)
    assert "failed with status 3 after 1.5 s of sound" in text
    assert "no microphone" in text
    assert text.isprintable()
    with pytest.raises(SoundEnded):
        source.read(1)


def test_program_that_ends_well(start: Start) -> None:
    """The end of a program without error is an end too, and a part of a frame is no frame."""
    source = start("import sys; sys.stdout.buffer.write(bytes(4 * 100 + 3))")

    with pytest.raises(SoundEnded, match=r"ended after 0\.0 s of sound\.$"):
        source.read(101)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals between programs")
def test_program_that_is_killed(start: Start) -> None:
    """A program that was ended by a signal is told so."""
    source = start("import os, signal; os.kill(os.getpid(), signal.SIGKILL)")

    with pytest.raises(SoundEnded, match="was ended by signal 9"):
        source.read(1)


HANGING = """
import sys, time
sys.stdout.buffer.write(bytes(4 * 100))
sys.stdout.buffer.flush()
time.sleep(1000)
"""


def test_program_that_hangs(start: Start) -> None:
    """A program that writes nothing any more is given up after the limit, and is ended."""
    source = start(HANGING, stall_s=0.5)
    source.read(100)

    with pytest.raises(CaptureStalled, match=r"no sound for 0\.5 s"):
        source.read(50)
    source.close()
    assert source._process.returncode is not None


@pytest.mark.skipif(os.name == "nt", reason="Windows programs cannot refuse to end")
def test_program_that_will_not_end(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that ignores a closed output and the request to end is ended all the same."""
    monkeypatch.setattr("service.capture.program._CLOSE_S", 0.2)
    source = start(
        "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN)" + HANGING, stall_s=20
    )
    source.read(100)
    source.close()

    assert source._process.returncode == -9


@pytest.mark.skipif(os.name == "nt", reason="uses a shell of other systems")
def test_what_it_started_ends_too(tmp_path: Path) -> None:
    """A program that hangs behind a shell is ended with the shell."""
    script = tmp_path / "wrapped.sh"
    script.write_text(f"{shlex.quote(sys.executable)} -c {shlex.quote(HANGING)} | cat\n")
    source = ProgramSource(f"sh '{script}'", rate_hz=RATE_HZ, channels=1, stall_s=0.2)
    with pytest.raises(CaptureStalled):
        source.read(1000)
    source.close()

    # Standard error ends when nobody is left who could write to it.
    assert not source._remarks._thread.is_alive()


def test_remarks_do_not_block(start: Start) -> None:
    """A program that writes much more to standard error than a pipe holds still delivers."""
    source = start("""
import sys
for _ in range(200):
    sys.stderr.write("x" * 10_000 + "\\n")
sys.stdout.buffer.write(bytes(4 * 100))
""")

    assert len(source.read(100).signal.samples) == 100


def test_samples_that_are_none(start: Start) -> None:
    """What is no number becomes zero and a fault of its block, and of no other."""
    source = start("""
import struct, sys
good = struct.pack("<100f", *(0.1 / (n + 1) for n in range(100)))
bad = struct.pack("<4f", float("nan"), float("inf"), 1e30, 0.5)
sys.stdout.buffer.write(good + bad + good)
""")
    first, second, third = source.read(100), source.read(4), source.read(100)

    assert first.faults == third.faults == ()
    assert second.faults == ("some samples are no numbers, or far beyond full scale",)
    np.testing.assert_array_equal(second.signal.samples[:, 0], [0, 0, 0, 0.5])


@pytest.mark.parametrize(("rate_hz", "channels"), [(48_000, 1), (44_100, 2), (8000, 1)])
def test_little_waits_in_the_pipe(rate_hz: int, channels: int) -> None:
    """The pipe holds at most 0.2 s of sound, where its size can be set."""
    fcntl = pytest.importorskip("fcntl")
    if not hasattr(fcntl, "F_GETPIPE_SZ"):
        pytest.skip("this system does not let a pipe be made smaller")
    source = ProgramSource(f'"{sys.executable}" -c ""', rate_hz=rate_hz, channels=channels)
    size = fcntl.fcntl(source._process.stdout, fcntl.F_GETPIPE_SZ)
    source.close()

    assert size / (4 * channels * rate_hz) <= 0.2


def test_nothing_is_read_ahead() -> None:
    """From the pipe comes what is asked for and no byte more."""
    asked: list[int] = []
    closed = threading.Event()

    class Stream:
        def __enter__(self) -> "Stream":
            return self

        def __exit__(self, *_: object) -> None:
            closed.set()

        def read(self, count: int) -> bytes:
            asked.append(count)
            return bytes(min(count, 3))

    reader = PipeReader(Stream(), "evenhush-test")  # type: ignore[arg-type] # what it needs of a stream
    assert reader.take(7, 20) == bytes(7)
    assert reader.take(2, 20) == bytes(2)

    assert reader.stop()
    reader.join(20)
    assert closed.is_set()
    assert asked == [7, 4, 1, 2]


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("", "names no program"),
        ("  ", "names no program"),
        ("''", "names no program"),
        ("'unclosed", "check its quotes"),
        ("/no/such/program --x", "There is no program /no/such/program"),
        ("no-such-program-anywhere", "There is no program"),
        (".", "cannot be started|There is no program"),
        ("a\0b", "cannot be started"),
    ],
)
def test_unusable_command(command: str, words: str) -> None:
    """A command that cannot be split or started gives one sentence about the input."""
    with pytest.raises(SettingsError, match=words) as caught:
        ProgramSource(command, rate_hz=RATE_HZ, channels=1)

    assert isinstance(caught.value, InputError)


@pytest.mark.parametrize(("rate_hz", "channels"), [(0, 1), (48_000, 0), (-1, 1)])
def test_unusable_format(rate_hz: int, channels: int) -> None:
    """A rate or a number of channels that is none is refused before anything is started."""
    with pytest.raises(SettingsError, match="must be positive"):
        ProgramSource(sys.executable, rate_hz=rate_hz, channels=channels)


@given(st.text(max_size=30))
def test_split_as_a_shell_does(command: str) -> None:
    """Words are those that the standard library's shell splitter finds, or both refuse."""
    try:
        expected = shlex.split(command)
    except ValueError:
        expected = []
    if expected and expected[0]:
        assert split_command(command, backslash_escapes=True) == expected
    else:
        with pytest.raises(SettingsError):
            split_command(command, backslash_escapes=True)


def test_no_shell_runs_it(start: Start) -> None:
    """What a shell would act on is handed to the program as it is."""
    source = start("")
    source.close()
    program = "import sys; sys.exit(0 if sys.argv[1:] == ['$HOME', '|', '>', '*', '~'] else 5)"
    command = f"'{sys.executable}' -c \"{program}\" '$HOME' '|' '>' '*' '~'"
    source = ProgramSource(command, rate_hz=RATE_HZ, channels=1)
    with pytest.raises(SoundEnded, match="ended after"):
        source.read(1)
    source.close()
