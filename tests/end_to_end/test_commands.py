"""The commands one by one, with every input that needs no hardware."""

import json
import shlex
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from service.simulation.catalogue import COOLERS
from service.simulation.truth import cooler_level_db

ROOT = Path(__file__).parents[2]
RECORDINGS = ROOT / "recordings"
TONE = RECORDINGS / "reference-tone-94-db.flac"
FLOOR = RECORDINGS / "room-floor.flac"


def truth_of(recording):
    """Return the sidecar of a demo recording."""
    return json.loads(recording.with_suffix(".json").read_text())


def play(recording, gain=1.0):
    """Return an ``exec:`` input that plays a recording as raw float32."""
    code = (
        "import sys, numpy, soundfile; "
        f"x = soundfile.read({str(recording)!r}, dtype='float32')[0] * numpy.float32({gain}); "
        "sys.stdout.buffer.write(x.tobytes())"
    )
    return f"exec:{shlex.join([sys.executable, '-c', code])}"


@pytest.mark.parametrize("source", [f"file:{TONE}", str(TONE), play(TONE)])
def test_calibrate_finds_the_factor(evenhush, tmp_path, source):
    """A recording, a bare path and a program give the same factor, and the file is saved."""
    ran = evenhush(
        "calibrate",
        "--input",
        source,
        "--level-db",
        94,
        "--frequency-hz",
        1000,
        "--seconds",
        8,
        "--save",
        "cal.json",
        "--json",
    )

    assert ran.code == 0
    assert ran.json["accepted"] is True
    assert ran.json["pascal_per_unit"] == pytest.approx(
        truth_of(TONE)["pascal_per_unit"], rel=0.006
    )
    assert json.loads((tmp_path / "cal.json").read_text()) == ran.json


def test_budgets_of_calibration_and_floor_are_printed_on_request(evenhush_here, tmp_path):
    """With --budget, tables on standard error end with the intervals that the documents state."""
    calibrated = evenhush_here(
        tmp_path, "calibrate", "--input", TONE, "--save", "cal.json", "--budget", "--json"
    )
    floor = evenhush_here(
        tmp_path, "floor", "--input", FLOOR, "--calibration", "cal.json", "--budget", "--json"
    )

    assert f"95 % within +-{calibrated.json['U95_db']:.3f} dB (k = 2.00)" in calibrated.err
    assert "seating" in calibrated.err
    for name in ("U95_db", "U95_absolute_db"):
        assert f"95 % within +-{floor.json[name]:.3f} dB (k = 1.96)" in floor.err
    assert "response and field" in floor.err


def test_calibrate_refuses_a_room(evenhush, tmp_path):
    """A recording without a tone is refused with exit 1, reasons, and nothing saved."""
    ran = evenhush("calibrate", "--input", FLOOR, "--save", "cal.json", "--json")

    assert ran.code == 1
    assert ran.json["accepted"] is False
    assert ran.json["reasons"]
    assert not (tmp_path / "cal.json").exists()


def test_floor_of_a_recording(evenhush):
    """The demo room's floor is what its sidecar says, and exit 1 says when it is too high."""
    evenhush("calibrate", "--input", TONE, "--save", "cal.json")
    ran = evenhush("floor", "--input", FLOOR, "--calibration", "cal.json", "--json")
    too_high = evenhush(
        "floor", "--input", FLOOR, "--calibration", "cal.json", "--target-db", 29, "--json"
    )

    assert ran.code == 0
    assert ran.json["LAeq_db"] == pytest.approx(truth_of(FLOOR)["LAeq_db"], abs=0.15)
    assert too_high.code == 1


def test_the_whole_job_by_hand_on_a_simulated_bench(evenhush, simulated_bench, tmp_path):
    """Calibrate, then match over HTTP with sound taken from the other process."""
    url, _ = simulated_bench("north", "Lagoon 240")
    evenhush("calibrate", "--input", "simulated:north")
    ran = evenhush(
        "match",
        "--bench",
        url + "/",
        "--input",
        "simulated:north",
        "--cooler",
        "Lagoon 240",
        "--out",
        "out/lagoon.json",
        "--budget",
        "--json",
    )

    cooler = ran.json["coolers"][0]
    duties = {key: setting["duty_percent"] for key, setting in cooler["settings"].items()}
    assert (ran.code, cooler["outcome"]) == (0, "matched")
    assert cooler_level_db(COOLERS["Lagoon 240"], duties) == pytest.approx(40.0, abs=0.3)
    assert f"95 % within +-{cooler['level']['U95_db']:.3f} dB" in ran.err
    assert f"95 % within +-{ran.json['absolute'][0]['U95_db']:.3f} dB" in ran.err
    assert "as calibration and response and field cancel" in ran.err
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        f"lagoon.{ending}" for ending in ("json", "csv", "png", "svg", "trail.jsonl")
    }
    state = json.load(urllib.request.urlopen(f"{url}/v1/state"))
    assert state["control"] == "own"

    again = evenhush("calibrate", "--input", "simulated:north", "--closes", "out/lagoon.json")
    closed = json.loads((tmp_path / "out" / "lagoon.json").read_text())
    assert again.code == 0
    assert abs(closed["chain"]["drift_db"]) < 0.2

    louder = evenhush("calibrate", "--input", play(TONE, 1.3), "--closes", "out/lagoon.json")
    closed = json.loads((tmp_path / "out" / "lagoon.json").read_text())
    assert louder.code == 1
    assert closed["chain"]["void"] is True
    assert "void" in louder.err


def test_ctrl_c_gives_the_bench_back(simulated_bench, evenhush, tmp_path):
    """An interrupted match releases the bench, says so in one sentence and writes no settings."""
    url, _ = simulated_bench("east")
    evenhush("calibrate", "--input", "simulated:east")
    process = subprocess.Popen(
        [
            Path(sys.executable).with_name("evenhush"),
            "match",
            "--bench",
            url,
            "--input",
            "simulated:east",
            "--cooler",
            "X",
            "--out",
            "x/x.json",
            "--tolerance-db",
            "0.05",
        ],
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
    )
    for line in process.stderr:
        if "going to" in line:
            break
    process.send_signal(signal.SIGINT)
    rest = process.stderr.read()
    process.stderr.close()

    assert process.wait(20) == 2
    assert rest.strip().splitlines()[-1] == (
        "evenhush: Interrupted; whatever was held has been released."
    )
    state = json.load(urllib.request.urlopen(f"{url}/v1/state"))
    assert state["control"] == "own"
    assert not (tmp_path / "x").exists()


def test_a_bench_stops_cleanly_and_forgets_its_name(evenhush, simulated_bench):
    """After Ctrl-C the bench is gone and ``simulated:NAME`` says how to start one."""
    _, process = simulated_bench("west")
    process.send_signal(signal.SIGINT)

    assert process.wait(20) == 0
    ran = evenhush("calibrate", "--input", "simulated:west")
    assert ran.code == 2
    assert "evenhush bench --simulated --name west" in ran.sentence


def test_demo_recordings_are_made_again(evenhush, tmp_path):
    """The command writes the same set of files that the repository holds."""
    ran = evenhush("demo-recordings", "new")

    assert ran.code == 0
    assert {path.name for path in (tmp_path / "new").iterdir()} == {
        path.name for path in RECORDINGS.iterdir()
    }


def test_a_microphone_table_changes_what_is_analysed(evenhush, tmp_path):
    """A table that is flat changes nothing, one that tilts lowers the bands it says too high."""
    cooler = RECORDINGS / "fjord-140-at-100-percent.flac"
    bands = (20, 40, 80, 160, 315, 630, 1000, 1250, 2500, 5000, 10000, 16000)
    for name, tilt in (("flat.txt", 0.0), ("tilted.txt", 3.0)):
        rows = [f"{hz} {tilt if hz > 1000 else 0.0}" for hz in bands]
        (tmp_path / name).write_text("\n".join(rows))

    def third_octaves(*words):
        ran = evenhush("analyse", cooler, "--pascal-per-unit", 6.4, "--json", *words)
        found = ran.json["third_octaves"]
        return dict(zip(found["nominal_hz"], found["LZeq_db"], strict=True))

    plain = third_octaves()
    flat = third_octaves("--response", "flat.txt")
    tilted = third_octaves("--response", "tilted.txt")

    assert all(abs(flat[hz] - plain[hz]) < 0.01 for hz in plain)
    assert tilted[4000] - plain[4000] == pytest.approx(-3.0, abs=0.1)
    assert tilted[500] - plain[500] == pytest.approx(0.0, abs=0.1)
