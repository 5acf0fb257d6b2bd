"""A sweep over HTTP on a simulated bench, and a match that starts from it."""

import csv
import json
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import numpy as np
import pytest

from service.simulation.catalogue import COOLERS
from service.simulation.truth import cooler_level_db

TONE = Path(__file__).parents[2] / "recordings" / "reference-tone-94-db.flac"
FJORD = COOLERS["Fjord 140"]


def state_of(url):
    """Ask a bench what it does."""
    return json.load(urllib.request.urlopen(f"{url}/v1/state"))


def test_a_sweep_becomes_a_profile_that_a_match_starts_from(evenhush, simulated_bench, tmp_path):
    """The profile says what the cooler is, is kept with its pictures, and saves a match work."""
    url, _ = simulated_bench("south", "Fjord 140")
    bench = ("--bench", url, "--input", "simulated:south", "--cooler", "Fjord 140")
    evenhush("calibrate", "--input", "simulated:south")
    ran = evenhush("sweep", *bench, "--out", "out/fjord.json", "--json")
    found = ran.json

    assert (ran.code, found["outcome"]) == (0, "complete")
    truth_db = cooler_level_db(FJORD, {"fan": 100.0})
    assert found["highest"]["LAeq_db"] == pytest.approx(truth_db, abs=0.5)
    # Tones over rotating noise make the whole a little less steep than the noise alone.
    slow, fast = (cooler_level_db(FJORD, {"fan": duty}) for duty in (40.0, 100.0))
    rpm = [FJORD.machines["fan"].law.turning_rpm(duty) for duty in (40.0, 100.0)]
    rise = (fast - slow) / np.log10(rpm[1] / rpm[0])
    assert found["exponent"]["db_per_decade"] == pytest.approx(rise, abs=4.0)
    law = FJORD.machines["fan"].law
    assert found["stall_duty_percent"] == pytest.approx(law.stall_duty_percent, abs=1.0)
    assert found["restart_duty_percent"] == pytest.approx(law.restart_duty_percent, abs=1.5)
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        f"fjord.{ending}" for ending in ("json", "csv", "png", "svg", "trail.jsonl")
    }
    assert json.loads((tmp_path / "out" / "fjord.json").read_text()) == found
    with (tmp_path / "out" / "fjord.csv").open(newline="") as file:
        kinds = [row["kind"] for row in csv.DictReader(file)]
    assert kinds.count("setting") == len(found["points"])
    assert kinds.count("glide") == len(found["glide"]["speed"])
    assert state_of(url)["control"] == "own"

    match = evenhush("match", *bench, "--target-db", 38, "--json")
    fresh = evenhush("match", *bench, "--target-db", 70, "--fresh", "--json")

    assert "starting from the profile of" in match.err
    assert "profile" not in fresh.err
    assert match.json["coolers"][0]["outcome"] == "matched"
    duty = match.json["coolers"][0]["settings"]["fan"]["duty_percent"]
    assert cooler_level_db(FJORD, {"fan": duty}) == pytest.approx(38.0, abs=0.5)


def test_ctrl_c_gives_the_bench_back(simulated_bench, evenhush, tmp_path):
    """An interrupted sweep releases the bench, says so in one sentence and keeps no profile."""
    url, _ = simulated_bench("east")
    evenhush("calibrate", "--input", "simulated:east")
    words = ["--bench", url, "--input", "simulated:east", "--cooler", "X"]
    process = subprocess.Popen(
        [Path(sys.executable).with_name("evenhush"), "sweep", *words, "--out", "x/x.json"],
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
    )
    for line in process.stderr:
        if "gliding" in line:
            break
    process.send_signal(signal.SIGINT)
    rest = process.stderr.read()
    process.stderr.close()

    assert process.wait(20) == 2
    assert rest.strip().splitlines()[-1] == (
        "evenhush: Interrupted; whatever was held has been released."
    )
    assert state_of(url)["control"] == "own"
    assert not (tmp_path / "x").exists()
    assert not (tmp_path / "evenhush-data" / "profiles").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "127.0.0.1:9"),
        (("--pump-follows", "--pump-duty-percent", "50"), "not both"),
        (("--floor", "cal.json"), "cal.json is no room floor"),
        (("--floor", "missing.json"), "missing.json"),
        (("--out", "profile.png"), ".json"),
        (("--calibration", "missing.json"), "missing.json"),
    ],
)
def test_bad_input_is_one_sentence(evenhush_here, tmp_path, words, said):
    """What cannot be used is named in one sentence with exit 2, and nothing is written."""
    evenhush_here(tmp_path, "calibrate", "--input", TONE, "--save", "cal.json", "--data", "kept")
    given = ("--bench", "http://127.0.0.1:9", "--input", TONE, "--cooler", "X", "--data", "kept")
    known = () if "--calibration" in words else ("--calibration", "cal.json")
    ran = evenhush_here(tmp_path, "sweep", *given, *known, *words)

    assert ran.code == 2
    assert ran.out == ""
    assert said in ran.sentence
    assert not (tmp_path / "kept" / "sweeps").exists()
    assert not (tmp_path / "kept" / "profiles").exists()
