"""The demonstration, as a newcomer runs it."""

import csv
import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from thermal_truth import RunPlan, true_rise_k

from service.simulation.catalogue import COOLERS
from service.simulation.truth import cooler_level_db

REACHABLE = {"Fjord 140", "Isthmus 2x140", "Lagoon 240", "Estuary 360"}


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Run the demonstration once."""
    folder = tmp_path_factory.mktemp("demo")
    command = [Path(sys.executable).with_name("evenhush"), "demo", "--out", folder / "out"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=folder)
    return folder / "out", done.stdout


def test_every_reachable_cooler_truly_makes_the_target(shown):
    """Matched settings put each cooler's true level within the tolerance."""
    folder, _ = shown
    document = json.loads((folder / "matched-settings.json").read_text())

    by_name = {cooler["cooler"]: cooler for cooler in document["coolers"]}
    assert set(by_name) == set(COOLERS)
    for name in REACHABLE:
        duties = {key: s["duty_percent"] for key, s in by_name[name]["settings"].items()}
        assert by_name[name]["outcome"] == "matched"
        assert cooler_level_db(COOLERS[name], duties) == pytest.approx(40.0, abs=0.3)
    assert by_name["Moor 120"]["outcome"] == "quieter-at-full-speed"
    assert by_name["Gannet 80"]["outcome"] == "louder-at-minimum"


def test_the_coldest_at_equal_noise_is_truly_the_coldest(shown):
    """Rises of all runs are those of the plant without noise, and every verdict is right."""
    folder, printed = shown
    document = json.loads((folder / "comparison.json").read_text())
    truth = {}
    for run in document["runs"]:
        cooler = COOLERS[run["cooler"]]
        plan = RunPlan(cooler, load_w=150.0, low_w=40.0, period_s=30.0, high_share=0.7)
        shares = {
            name: speed["rpm"] / cooler.machines[name].law.full_rpm
            for name, speed in run["speeds"].items()
        }
        shares = {"speed_share": shares["fan"], "pump_share": shares.get("pump", 0.0)}
        truth[run["cooler"], run["at"]] = true_rise_k(replace(plan, **shares))

        assert run["rise_k"] == pytest.approx(truth[run["cooler"], run["at"]], abs=0.6)
        assert run["cycling"]
    at_40 = {name: rise_k for (name, at), rise_k in truth.items() if at == "40 dB(A)"}
    (comparison,) = [each for each in document["comparisons"] if each["at"] == "40 dB(A)"]
    compared = {each["first"] for each in comparison["differences"]} | {comparison["coldest"]}
    assert "Gannet 80" not in compared  # it is louder than that at its slowest
    assert comparison["coldest"] == min(compared, key=at_40.get)
    for pair in comparison["differences"]:
        if pair["outside_error"]:
            assert pair["difference_k"] * (at_40[pair["first"]] - at_40[pair["second"]]) > 0
    assert f"Coldest at 40 dB(A): {comparison['coldest']}" in " ".join(printed.split())


def test_the_document_fits_its_published_schema(shown, evenhush):
    """The schema that ``evenhush schema`` prints describes what is written."""
    folder, _ = shown
    for name in ("matched-settings", "calibration", "floor", "comparison"):
        schema = evenhush("schema", name).json
        document = json.loads((folder / f"{name}.json").read_text())

        jsonschema.Draft202012Validator(schema).validate(document)


def test_every_interval_is_what_its_budget_says(shown):
    """Rows of every cooler add up to its interval, and the measured floor is shared by all."""
    folder, _ = shown
    document = json.loads((folder / "matched-settings.json").read_text())
    given = [cooler["level"] for cooler in document["coolers"] if cooler["level"]]
    added = {True: [], False: []}
    for level in given:
        added[True].append(_norm(row for row in level["budget"] if row["shared"]))
        added[False].append(_norm(row for row in level["budget"] if not row["shared"]))
        assert level["U95_db"] == pytest.approx(1.96 * _norm(level["budget"]), abs=1e-3)
        assert any(row["component"] == "listening here" for row in level["budget"])
    assert len(document["absolute"]) == len(given)
    assert len(document["differences"]) == len(given) * (len(given) - 1) / 2
    chain = _norm(row for row in document["chain"]["budget"] if not row["shared"])
    first = document["differences"][0]["U95_db"]
    # What is own adds up; of what is shared the difference is left.
    left = [*added[False][:2], chain, chain, added[True][0] - added[True][1]]
    assert first == pytest.approx(1.96 * sum(u**2 for u in left) ** 0.5, abs=1e-3)


def _norm(rows):
    """Root sum of squares of what rows add."""
    return sum(row["contribution_db"] ** 2 for row in rows) ** 0.5


def test_table_and_pictures_show_the_same(shown):
    """The CSV has the same duties, and the pictures are whole files of their kind."""
    folder, _ = shown
    document = json.loads((folder / "matched-settings.json").read_text())
    rows = list(csv.DictReader((folder / "matched-settings.csv").read_text().splitlines()))

    duties = [float(row["fan_duty_percent"]) for row in rows]
    assert duties == [c["settings"]["fan"]["duty_percent"] for c in document["coolers"]]
    assert (folder / "matched-settings.png").read_bytes().startswith(b"\x89PNG")
    assert ET.parse(folder / "matched-settings.svg").getroot().tag.endswith("svg")


def test_every_trail_replays_to_the_same_result(shown, evenhush):
    """What was decided can be decided again from the evidence."""
    folder, _ = shown
    trails = sorted(folder.glob("*.trail.jsonl"))

    assert len(trails) == len(COOLERS)
    for trail in trails[:2]:
        ran = evenhush("replay", trail, "--json")
        assert (ran.code, ran.json["identical"]) == (0, True)


def test_it_ends_with_a_table_the_files_and_what_to_try_next(shown):
    """A newcomer sees each cooler, where the files are, and the next command."""
    _, printed = shown

    assert all(name in printed for name in COOLERS)
    assert "matched-settings.json" in printed
    assert "evenhush replay" in printed


def test_the_same_seed_gives_the_same_result(shown, evenhush, tmp_path):
    """A second run writes the same table and picture, byte for byte."""
    folder, _ = shown
    again = evenhush("demo", "--out", tmp_path / "again")

    assert again.code == 0
    for name in ("matched-settings.csv", "matched-settings.svg"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes()
