"""``evenhush recheck`` as a user runs it."""

import json

import jsonschema
import pytest


def test_a_matched_cooler_is_checked_again(evenhush_here, simulated_bench, tmp_path):
    """The level holds, the document fits its schema, and the history shows both rechecks."""
    url, _ = simulated_bench("south", "Fjord 140")
    evenhush_here(tmp_path, "calibrate", "--input", "simulated:south", "--seconds", 4)
    usual = ("--bench", url, "--input", "simulated:south")
    evenhush_here(tmp_path, "match", *usual, "--cooler", "Fjord 140", "--out", "fjord.json")
    first = evenhush_here(tmp_path, "recheck", "fjord.json", *usual, "--json")
    second = evenhush_here(tmp_path, "recheck", "fjord.json", *usual)
    told = evenhush_here(tmp_path, "recheck", "--history", "fjord.json")
    history = evenhush_here(tmp_path, "recheck", "--history", "fjord.json", "--json")

    assert (first.code, second.code) == (0, 0)
    (part,) = first.json["coolers"]
    assert part["outcome"] == "holds"
    assert abs(part["difference_db"]) <= part["difference_U95_db"]
    for name, document in (("recheck", first.json), ("recheck-history", history.json)):
        jsonschema.validate(document, evenhush_here(tmp_path, "schema", name).json)
    assert "Fjord 140 at" in second.out
    assert told.out.count("holds") == 2
    assert "repeatability" in told.out
    differences = [entry["difference_db"] for entry in history.json["coolers"][0]["rechecks"]]
    assert history.json["coolers"][0]["repeatability_db"] == pytest.approx(
        abs(differences[0] - differences[1]) / 2**0.5, abs=1e-3
    )

    elsewhere = json.loads((tmp_path / "fjord.json").read_text())
    elsewhere["coolers"][0]["bench"] = "north"
    (tmp_path / "north.json").write_text(json.dumps(elsewhere))
    refused = evenhush_here(tmp_path, "recheck", "north.json", *usual)
    assert refused.code == 2
    assert "bench north" in refused.sentence
