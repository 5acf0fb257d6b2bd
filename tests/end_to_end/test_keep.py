"""Keeping sound from the command line."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from series_doubles import CALIBRATION

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.errors import CaptureError
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.simulated_benches import announce_bench
from service.wiring import sweeping

RECORDINGS = Path(__file__).parents[2] / "recordings"
TONE = RECORDINGS / "reference-tone-94-db.flac"
FLOOR = RECORDINGS / "room-floor.flac"


def test_a_reference_tone_is_kept_with_what_it_came_to(evenhush_here, tmp_path):
    """Analysed, the tone has the level that the calibrator makes."""
    ran = evenhush_here(tmp_path, "calibrate", "--input", TONE, "--keep", "sound", "--json")
    (path,) = (tmp_path / "sound").glob("*-calibrate.flac")
    sidecar = json.loads(path.with_suffix(".json").read_text())
    found = evenhush_here(tmp_path, "analyse", path, "--from", 1, "--json").json

    assert ran.code == 0
    assert f"sound kept: sound/{path.name}" in ran.err.replace("\\", "/")
    assert sidecar["pascal_per_unit"] == [ran.json["pascal_per_unit"]]
    assert sidecar["stretches"][0]["what"] == "reference tone of 94 dB at 1000 Hz"
    assert found["levels"]["LZeq_db"] == pytest.approx(94.0, abs=0.02)


def test_a_refused_tone_is_kept_without_a_calibration(evenhush_here, tmp_path):
    """What was no tone can be looked at afterwards, re full scale."""
    ran = evenhush_here(tmp_path, "calibrate", "--input", FLOOR, "--keep", "sound")
    (path,) = (tmp_path / "sound").glob("*.flac")

    assert ran.code == 1
    assert evenhush_here(tmp_path, "analyse", path, "--json").json["calibrated"] is False


def test_the_configuration_can_keep_everything(evenhush_here, tmp_path, monkeypatch):
    """A folder and a form that are configured hold for every measurement."""
    evenhush_here(tmp_path, "calibrate", "--input", TONE, "--save", "cal.json")
    (tmp_path / "evenhush.toml").write_text('keep = "sound"\nkeep_as = "wav"\n')
    floor = ("floor", "--input", FLOOR, "--seconds", 6, "--calibration", "cal.json", "--json")
    assert evenhush_here(tmp_path, *floor).code == 0
    monkeypatch.setenv("EVENHUSH_KEEP", "elsewhere")
    assert evenhush_here(tmp_path, *floor, "--keep-as", "flac").code == 0

    assert len(list((tmp_path / "sound").glob("*-floor.wav"))) == 1
    assert len(list((tmp_path / "elsewhere").glob("*-floor.flac"))) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--keep", "sound", "--keep-as", "mp3"), "--keep-as is 'flac' or 'wav', not 'mp3'"),
        (("--keep-as", "wav"), "name a folder with --keep"),
        (("--keep", "file"), "The folder file cannot be made"),
    ],
)
def test_what_cannot_be_kept_is_refused_before_anything_is_heard(
    evenhush_here, tmp_path, words, said
):
    """A wrong form or folder is one sentence and leaves nothing."""
    (tmp_path / "file").touch()
    ran = evenhush_here(tmp_path, "calibrate", "--input", TONE, *words)

    assert ran.code == 2
    assert said in ran.sentence
    assert "listening" not in ran.err
    assert {path.name for path in tmp_path.iterdir()} <= {"file", "evenhush-data"}


@pytest.fixture
def bench_here(tmp_path):
    """Serve a simulated bench within the test's process, which spares the start of another."""
    plant = Plant(COOLERS["Fjord 140"], seed=4)
    guard = BenchGuard(SimulatedBench(plant, name="south"))

    def sound(position):
        return SimulatedSource(plant, position=position)

    with BenchServer(guard, sound=sound) as server:
        announce_bench(tmp_path / "evenhush-data", "south", server.url)
        (tmp_path / "cal.json").write_text(CALIBRATION.to_json())
        yield "--bench", server.url, "--input", "simulated:south", "--calibration", "cal.json"


def test_match_recheck_and_sweep_keep_what_they_hear(
    evenhush_here, bench_here, tmp_path, monkeypatch
):
    """Each has a file of its own, with the cooler in its name and the bench's settings beside."""
    bench, keep = bench_here, ("--keep", tmp_path / "sound")
    match = evenhush_here(
        tmp_path, "match", *bench, *keep, "--cooler", "Fjord 140", "--out", "fjord.json"
    )
    recheck = evenhush_here(tmp_path, "recheck", "fjord.json", *bench, *keep)

    def pulled(_cooler, _request, client, source, _calibration, **_more):
        source.read(24_000)
        client.state()
        source.read(24_000)
        raise CaptureError("The cable was pulled.")

    monkeypatch.setattr(sweeping, "sweep_and_record", pulled)
    sweep = evenhush_here(tmp_path, "sweep", *bench, *keep, "--cooler", "Fjord 140")
    sidecars = [
        json.loads(path.read_text()) for path in sorted((tmp_path / "sound").glob("*.json"))
    ]

    assert (match.code, recheck.code, sweep.code) == (0, 0, 2)
    assert [each["command"] for each in sidecars] == ["match", "recheck", "sweep"]
    for each in sidecars:
        assert each["finished"] is True
        assert (each["cooler"], each["bench"], each["marked"]) == ("Fjord 140", "south", [])
        assert each["file"].endswith(f"Z-{each['command']}-fjord-140.flac")
        (stretch,) = each["stretches"]
        assert stretch["what"].startswith(f"{each['command']} of Fjord 140")
        assert stretch["end_s"] == each["duration_s"]
        assert each["settings"][-1]["end_s"] == each["duration_s"]
    assert sidecars[2]["settings"][0]["start_s"] == 0.5


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit for the size of a file")
def test_a_disk_that_takes_no_more_is_said_on_standard_error(evenhush_here, tmp_path):
    """With a true limit of the system a floor is measured to its end, and says what is missing."""
    evenhush_here(tmp_path, "calibrate", "--input", TONE, "--save", "cal.json")
    limited = (
        "import resource, service.cli.main as m; "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000)); m.main()"
    )
    words = ["floor", "--input", FLOOR, "--calibration", "cal.json", "--keep", "sound", "--json"]
    done = subprocess.run(
        [sys.executable, "-c", limited, *words],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    (path,) = (tmp_path / "sound").glob("*.flac")
    (warning,) = (text for text in json.loads(done.stdout)["warnings"] if "kept" in text)
    found = evenhush_here(tmp_path, "analyse", path, "--json").json

    assert done.returncode == 0
    assert done.stderr.count(warning) == 1
    assert "(File too large); the measurement goes on." in warning
    assert f"ends after {found['duration_s']:.1f} s" in warning
    assert warning in found["warnings"]
    assert found["calibrated"] is True
