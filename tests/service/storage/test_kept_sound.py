"""Sound that is kept while it is heard, whatever happens to the disk or to the program."""

import json
import subprocess
import sys
import threading
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile
from series_doubles import CALIBRATION
from sound_keepers import GivenSound, SmallDisk, on_grid

from acoustic.signals import DigitalSignal
from calibration.bench_state import ActuatorState, BenchState
from service.documents.kept_sound import KeptSoundDocument
from service.errors import SoundEnded, StorageError
from service.ports import SoundBlock
from service.storage import kept_files, kept_writer
from service.storage.growing_sound import FlacFile
from service.storage.kept_files import read_kept_sound, reserve_files
from service.storage.kept_notes import KeptNotes
from service.storage.kept_sound import KeptSound

FORMS = pytest.mark.parametrize("form", ["flac", "wav"])
TESTS = Path(__file__).parents[2]


def keeper(folder, source, form="flac", **more):
    """Keep a source; also return what is said."""
    said = []
    kept = KeptSound(
        source,
        folder,
        form,
        **({"stem": "x", "command": "match", "cooler": "Fjord 140", "tell": said.append} | more),
    )
    return kept, said


def read_all(kept, frames=4800):
    """Hear a source to its end."""
    blocks = []
    while True:
        try:
            blocks.append(kept.read(frames))
        except SoundEnded:
            return blocks


def sidecar(path):
    """Read the document beside a file."""
    return json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))


def bench_state(duty_percent, rpm):
    """A bench with one fan, told by a tachometer or not."""
    return BenchState("leased", None, {"fan": ActuatorState(duty_percent, rpm)}, {})


@FORMS
def test_what_is_heard_is_what_is_kept(tmp_path, form):
    """The blocks come through untouched, and the file holds them; both inputs are closed once."""
    samples = on_grid(48_000 * 3, channels=2)
    source = GivenSound(samples, faulty={2})
    kept, said = keeper(tmp_path / "new" / "folder", source, form)
    blocks = read_all(kept)
    kept.close()
    kept.close()

    found, rate_hz = soundfile.read(kept.path, always_2d=True)
    assert np.array_equal(np.concatenate([block.signal.samples for block in blocks]), samples)
    assert [block.faults for block in blocks[1:4]] == [(), ("sound was dropped",), ()]
    assert (kept.name, kept.rate_hz, kept.channels) == ("device:given", 48_000, 2)
    assert rate_hz == 48_000
    assert np.array_equal(found, samples)
    assert source.closed
    assert said == []


def test_the_sidecar_says_what_it_takes_to_use_the_sound(tmp_path):
    """It is valid by its published schema; marks, settings and stretches have their place."""
    kept, _ = keeper(tmp_path, GivenSound(on_grid(48_000 * 4, channels=2), faulty={2, 3, 30}))
    kept.know([CALIBRATION.model_copy(update={"channel": 2})], None)
    kept.at_bench("south")
    with kept.stretch("match of Fjord 140, 40db"):
        kept.set_to(bench_state(60.0, 1500.0))
        for _ in range(10):
            kept.read(4800)
        for rpm in (1400.0, 1250.0, 1205.0, 1195.0):
            kept.set_to(bench_state(45.0, rpm))
            kept.read(9600)
    read_all(kept)
    kept.close()
    found = sidecar(kept.path)

    jsonschema.validate(found, KeptSoundDocument.model_json_schema(mode="serialization"))
    assert found["schema"] == "evenhush.kept-sound/1"
    assert (found["command"], found["cooler"], found["bench"]) == ("match", "Fjord 140", "south")
    assert (found["input"], found["file"]) == ("device:given", "x.flac")
    assert (found["rate_hz"], found["channels"], found["duration_s"]) == (48_000, 2, 4.0)
    assert found["finished"] is True
    assert found["pascal_per_unit"] == [None, 6.4]
    assert found["calibrations"][0]["U95_db"] == CALIBRATION.U95_db
    assert found["marked"] == [
        {"start_s": 0.2, "end_s": 0.4, "channels": None, "reasons": ["sound was dropped"]},
        {"start_s": 3.4, "end_s": 3.5, "channels": None, "reasons": ["sound was dropped"]},
    ]
    assert found["stretches"] == [
        {"start_s": 0.0, "end_s": 1.8, "what": "match of Fjord 140, 40db"}
    ]
    assert [(each["start_s"], each["end_s"]) for each in found["settings"]] == [(0, 1), (1, 1.8)]
    # 1250 is 4 % above the mean of the two readings after it.
    assert found["settings"][1]["steady_from_s"] == 1.4
    assert found["settings"][1]["actuators"] == {"fan": {"duty_percent": 45.0, "rpm": 1200.0}}
    with soundfile.SoundFile(kept.path) as file:
        assert json.loads(file.comment) == found


def test_what_only_one_channel_has_is_marked_there():
    """A fault of one channel does not mark the others; what concerns all does."""
    signal = DigitalSignal(on_grid(4800, channels=2), 48_000)
    notes = KeptNotes(48_000)
    both = SoundBlock(signal, ("late", "channel 2 is clipped"), ((), ("channel 2 is clipped",)))
    notes.mark_block(0, 4800, both)
    notes.mark_block(4800, 9600, SoundBlock(signal, ("channel 2 is clipped",), both.channel_faults))
    notes.mark_block(9600, 14_400, SoundBlock(signal))
    marked = notes.parts(14_400)["marked"]

    assert [(mark.end_s, mark.channels, mark.reasons) for mark in marked] == [
        (0.1, None, ["late"]),
        (0.2, [2], ["channel 2 is clipped"]),
    ]


def test_a_setting_without_a_tachometer_has_no_speed():
    """Where nothing tells a speed, none is made up, nor since when it was steady."""
    notes = KeptNotes(1000)
    notes.begin_stretch(0, "all")
    notes.set_to(0, bench_state(50.0, None))
    notes.end_stretch(2000)
    (setting,) = notes.parts(2000)["settings"]

    assert (setting.start_s, setting.end_s, setting.steady_from_s) == (0.0, 2.0, None)
    assert setting.actuators["fan"].rpm is None


def test_text_in_the_file_leaves_out_what_has_no_room(tmp_path):
    """Thousands of settings stand in the sidecar; the file says so and holds the rest."""
    kept, _ = keeper(tmp_path, GivenSound(on_grid(10_000)))
    for number in range(1000):
        kept.read(10)
        kept.set_to(bench_state(number / 10.0, 1000.0))
    kept.close()
    with soundfile.SoundFile(kept.path) as file:
        inside = json.loads(file.comment)

    assert len(sidecar(kept.path)["settings"]) > 900
    assert inside["settings"] == []
    assert inside["warnings"] == ["The settings stand in the sidecar only."]


@FORMS
def test_nothing_is_overwritten(tmp_path, form):
    """Names that are taken, by sound or by anything else, are left alone."""
    (tmp_path / "x-3.json").write_text("a document of somebody else")
    paths = []
    for seed in range(3):
        kept, _ = keeper(tmp_path, GivenSound(on_grid(4800, seed=seed)), form)
        read_all(kept)
        kept.close()
        paths.append(kept.path)

    assert [path.name for path in paths] == [f"x.{form}", f"x-2.{form}", f"x-4.{form}"]
    assert (tmp_path / "x-3.json").read_text() == "a document of somebody else"
    for seed, path in enumerate(paths):
        assert np.array_equal(soundfile.read(path, always_2d=True)[0], on_grid(4800, seed=seed))
        assert sidecar(path)["file"] == path.name


def test_sound_that_was_never_heard_leaves_no_file(tmp_path):
    """A measurement that ends before its first sound leaves the folder as it was."""
    kept, _ = keeper(tmp_path, GivenSound(on_grid(10)))
    kept.close()

    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_takes_no_files_is_refused_in_a_sentence(tmp_path):
    """Before anything is heard a wrong folder is an error, and leaves nothing."""
    (tmp_path / "file").touch()
    with pytest.raises(StorageError, match=r"folder .* cannot be made"):
        keeper(tmp_path / "file", GivenSound(on_grid(10)))
    with pytest.raises(StorageError, match="FLAC holds 8 channels, not 9"):
        keeper(tmp_path, GivenSound(on_grid(10, channels=9)))
    with pytest.raises(StorageError, match="leave --keep out"):
        keeper(tmp_path, GivenSound(on_grid(10)), stem="x" * 300)

    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_no_sidecar_is_left_where_the_sound_has_no_room(tmp_path, monkeypatch):
    """If the second of two files cannot be made, the first is taken back."""

    def refuse(*_words, **_more):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(kept_files.Path, "open", refuse)
    with pytest.raises(StorageError, match="Permission denied"):
        reserve_files(tmp_path, "x", "flac", 1)

    assert list(tmp_path.iterdir()) == []


def test_a_killed_program_leaves_all_but_the_last_second(tmp_path):
    """After SIGKILL, whatever was being written, the files read, and their marks are known."""
    programs = {
        form: subprocess.Popen(
            [sys.executable, TESTS / "sound_keepers.py", tmp_path / form, form, "5"],
            stdout=subprocess.PIPE,
            text=True,
        )
        for form in ("flac", "wav")
    }
    for program in programs.values():
        with program:
            assert program.stdout.readline() == "heard\n"
            program.kill()
    for form, program in programs.items():
        path = tmp_path / form / f"killed.{form}"
        found, _ = soundfile.read(path, always_2d=True)
        document = read_kept_sound(path, rate_hz=48_000, channels=1)

        assert program.returncode != 0
        assert len(found) >= 4 * 48_000
        assert np.array_equal(found, np.resize(on_grid(48_000 * 5), (len(found), 1)))
        assert document.finished is False
        first = document.marked[0]
        assert (first.start_s, first.end_s) == (0.3, 0.5)


@FORMS
def test_a_full_disk_ends_the_keeping_and_nothing_else(tmp_path, monkeypatch, form):
    """All sound is heard, one sentence says until when it is kept, and that much can be read."""
    real_open = Path.open

    def small(path, mode="r", **more):
        if path.suffix == f".{form}" and mode == "xb":
            return SmallDisk(path, 400_000)
        return real_open(path, mode, **more)

    monkeypatch.setattr(Path, "open", small)
    samples = on_grid(48_000 * 5)
    kept, said = keeper(tmp_path, GivenSound(samples), form)
    blocks = read_all(kept)
    during = kept.warnings()
    kept.close()
    monkeypatch.undo()
    found, _ = soundfile.read(kept.path, always_2d=True)

    assert len(blocks) == 50
    (sentence,) = said
    assert during == said == kept.warnings() == sidecar(kept.path)["warnings"]
    assert f"ends after {len(found) / 48_000:.1f} s (No space left on device)" in sentence
    assert "the measurement goes on" in sentence
    assert len(found) > 48_000
    assert np.array_equal(found, samples[: len(found)])
    assert sidecar(kept.path)["duration_s"] == pytest.approx(len(found) / 48_000, abs=1e-6)


def test_notes_that_cannot_be_written_are_said_once(tmp_path, monkeypatch):
    """Without its sidecar the sound is kept all the same, with the notes inside."""

    def refuse(path, _text):
        raise StorageError(f"{path} cannot be written (Read-only file system); change that.")

    monkeypatch.setattr(kept_writer, "save_text", refuse)
    samples = on_grid(48_000 * 3)
    kept, said = keeper(tmp_path, GivenSound(samples, faulty={5, 20}))
    read_all(kept)
    kept.close()
    inside = read_kept_sound(kept.path, rate_hz=48_000, channels=1)

    (sentence,) = said
    assert "Read-only file system" in sentence
    assert kept.warnings() == said
    assert np.array_equal(soundfile.read(kept.path, always_2d=True)[0], samples)
    assert [(mark.start_s, mark.end_s) for mark in inside.marked] == [(0.5, 0.6), (2.0, 2.1)]


def test_a_slow_disk_leaves_a_marked_gap_and_disturbs_nothing(tmp_path, monkeypatch):
    """What finds no room in time is silence in the file, marked and said once; the rest is kept."""
    goes_on = threading.Event()
    stuck = threading.Event()
    real_write = FlacFile.write

    def slow_write(self, samples):
        stuck.set()
        goes_on.wait(30.0)
        real_write(self, samples)

    monkeypatch.setattr(FlacFile, "write", slow_write)
    samples = on_grid(48_000 * 4)
    kept, said = keeper(tmp_path, GivenSound(samples), most_waiting_bytes=10 * 4800 * 8)
    blocks = [kept.read(4800)]
    assert stuck.wait(30.0)
    with monkeypatch.context() as patch:
        # As for sound that does not come before its time, only quicker.
        patch.setattr("service.storage.kept_sound._MOST_PATIENCE_S", 0.01)
        blocks += [kept.read(4800) for _ in range(20)]
    goes_on.set()
    assert kept.warnings() == said
    blocks += read_all(kept)
    kept.close()
    found, _ = soundfile.read(kept.path, always_2d=True)
    marked = [(mark["start_s"], mark["end_s"]) for mark in sidecar(kept.path)["marked"]]

    assert len(blocks) == 40
    (sentence,) = said
    assert "does not keep up" in sentence
    assert "from 1.1 s on" in sentence
    # One block was being written and ten waited; ten more found no room.
    assert marked == [(1.1, 2.1)]
    gap = slice(11 * 4800, 21 * 4800)
    assert not found[gap].any()
    assert np.array_equal(np.delete(found, gap, axis=0), np.delete(samples, gap, axis=0))


def test_a_gap_at_the_end_is_silence_too(tmp_path, monkeypatch):
    """A file whose disk was too slow for the end has the length of the sound."""
    goes_on = threading.Event()
    real_write = FlacFile.write

    def slow_write(self, samples):
        goes_on.wait(30.0)
        real_write(self, samples)

    monkeypatch.setattr(FlacFile, "write", slow_write)
    monkeypatch.setattr("service.storage.kept_sound._MOST_PATIENCE_S", 0.01)
    kept, _ = keeper(tmp_path, GivenSound(on_grid(48_000 * 2)), most_waiting_bytes=4800 * 8)
    read_all(kept)
    goes_on.set()
    kept.close()

    assert soundfile.info(kept.path).frames == 48_000 * 2
    assert sidecar(kept.path)["marked"][0]["end_s"] == 2.0


def test_a_disk_that_hangs_is_given_up(tmp_path, monkeypatch):
    """Closing does not wait for ever, and says what was given up."""
    goes_on = threading.Event()

    def hang(_self, _samples):
        goes_on.wait(30.0)

    monkeypatch.setattr(FlacFile, "write", hang)
    monkeypatch.setattr("service.storage.kept_sound._CLOSE_S", 0.05)
    kept, said = keeper(tmp_path, GivenSound(on_grid(48_000)))
    read_all(kept)
    kept.close()
    goes_on.set()
    kept._thread.join(30.0)

    assert said == [f"{kept.path} was given up, as its disk takes nothing any more."]


def test_flac_cuts_off_what_exceeds_full_scale_and_says_so(tmp_path):
    """The sound is heard whole; the file is cut off at full scale, there marked, and said once."""
    samples = on_grid(48_000 * 2)
    samples[10_000:10_010] = 1.5
    samples[60_000] = -1.25
    kept, said = keeper(tmp_path, GivenSound(samples))
    heard = np.concatenate([block.signal.samples for block in read_all(kept)])
    kept.close()
    found, _ = soundfile.read(kept.path, always_2d=True)

    assert heard.max() == 1.5
    assert found.max() == 1.0 - 2.0**-23
    assert found.min() == -1.0
    (sentence,) = said
    assert "reaches 1.5 times full scale 0.2 s after it began" in sentence
    assert "--keep-as wav" in sentence
    marks = sidecar(kept.path)["marked"]
    assert [round(mark["start_s"] * 48_000) for mark in marks] == [10_000, 60_000]
    assert [round(mark["end_s"] * 48_000) for mark in marks] == [10_010, 60_001]
    assert marks[0]["reasons"] == ["beyond full scale, and cut off in this file"]


def test_wav_holds_what_exceeds_full_scale(tmp_path):
    """Floating point has nothing to cut off, so nothing is marked or said."""
    samples = on_grid(4800)
    samples[100] = 3.0
    kept, said = keeper(tmp_path, GivenSound(samples), "wav")
    read_all(kept)
    kept.close()

    assert np.array_equal(soundfile.read(kept.path, always_2d=True)[0], samples)
    assert said == sidecar(kept.path)["marked"] == []
