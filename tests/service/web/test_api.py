"""The lab over its API: what a script does from the calibration to the settings."""

import json
import math
import struct
from datetime import timedelta

import kept_documents as draw
import numpy as np
import pytest

from service.documents.matched_settings import MatchedSettingsDocument
from service.wiring.lab_demo import DEMO_INPUT


def follow(made, ask, job):
    """Do what a job asks of a person until it has ended; return it."""
    for _ in range(20):
        view = ask.get(f"/api/v1/jobs/{job['id']}").json()
        if view["state"] == "waiting-for-person":
            ask.post(f"/api/v1/jobs/{job['id']}/go-on")
        elif view["ended"] is not None:
            return view
        else:
            made.until(made.queue.get(job["id"]), "done", "refused", "waiting-for-person")
    pytest.fail("It did not end.")


def test_the_whole_job_by_script(made, ask):
    """Calibrate, check the floor, match, take settings, picture and trail along."""
    calibrated = follow(made, ask, ask.post("/api/v1/calibrations", json={}).json())
    assert calibrated["state"] == "done"
    trend = ask.get("/api/v1/calibrations/trend").json()["items"]
    assert [one["accepted"] for one in trend] == [True]

    fjord = ask.post("/api/v1/coolers", json={"cooler": "Fjord 140"}).json()["record"]
    asked = ask.post(f"/api/v1/coolers/{fjord['id']}/match", json={"targets_db": [36.0]})
    assert asked.status_code == 201
    done = follow(made, ask, asked.json())
    assert done["state"] == "done", done["why"]

    (match,) = ask.get("/api/v1/matches", params={"cooler": "Fjord 140"}).json()["items"]
    assert match["outcome"] == "matched"
    shown = ask.get(f"/api/v1/matches/{match['id']}").json()
    assert shown["document"]["schema"] == "evenhush.matched-settings/1"
    (taken,) = ask.get("/api/v1/matches/export", params={"id": match["id"]}).json()
    assert MatchedSettingsDocument.from_json(json.dumps(taken), "x").coolers[0].level is not None
    table = ask.get("/api/v1/matches/export", params={"id": match["id"], "form": "csv"}).text
    assert table.splitlines()[1].split(",")[1:3] == ["36", "Fjord 140"]
    assert ask.get(f"/api/v1/matches/{match['id']}/picture.svg").text.startswith("<?xml")
    lines = ask.get(f"/api/v1/matches/{match['id']}/trail").text.splitlines()
    assert json.loads(lines[0])["cooler"] == "Fjord 140"
    history = ask.get(f"/api/v1/coolers/{fjord['id']}/history").json()
    assert [one["id"] for one in history["matches"]] == [match["id"]]
    assert b"evenhush_queue_length 0.0" in ask.get("/metrics").content


def test_what_cannot_be_done_is_a_sentence(ask):
    """Unknown ids, states that do not allow it and odd requests are told, never a failure."""
    assert ask.get("/api/v1/jobs/none").status_code == 404
    assert ask.get("/api/v1/matches/none").status_code == 404
    assert ask.post("/api/v1/match-queue", json={"coolers": ["Nobody"]}).status_code == 422
    job = ask.post("/api/v1/calibrations", json={}).json()
    assert ask.post(f"/api/v1/jobs/{job['id']}/resume").status_code == 409
    assert ask.post(f"/api/v1/jobs/{job['id']}/stop").json()["state"] == "stopped"
    odd = ask.get(
        "/api/v1/level-log",
        params={"since": "2026-01-02T00:00:00Z", "until": "2026-01-01T00:00:00Z"},
    )
    assert odd.status_code == 422
    assert odd.json()["detail"].endswith(".")


def test_the_queue_is_in_its_order_and_the_list_newest_first(ask):
    """What waits is told in the order in which its turn comes; what was asked for, backwards."""
    # The first of them waits for a person.
    asked = [ask.post("/api/v1/calibrations", json={}).json()["id"] for _ in range(3)]
    ask.post(f"/api/v1/jobs/{asked[2]}/move", json={"position": 0})
    waiting = [job["id"] for job in ask.get("/api/v1/queue").json()["items"]]
    assert waiting.index(asked[2]) < waiting.index(asked[1])
    assert [job["id"] for job in ask.get("/api/v1/jobs").json()["items"]][:3] == asked[::-1]


def test_coolers_are_registered_and_retired(ask):
    """A cooler can be added, described anew and put out of use; its name is taken once."""
    made = ask.post("/api/v1/coolers", json={"cooler": "Tarn 120", "blades": 7})
    assert made.status_code == 201
    entry = made.json()["record"]["id"]
    assert ask.post("/api/v1/coolers", json={"cooler": "Tarn 120"}).status_code == 422
    changed = ask.patch(f"/api/v1/coolers/{entry}", json={"retired": True, "notes": "sold"}).json()
    assert changed["document"]["notes"] == "sold"
    assert changed["document"]["blades"] == 7
    names = [one["name"] for one in ask.get("/api/v1/coolers?retired=false").json()["items"]]
    assert "Tarn 120" not in names


def test_lists_come_in_pages(ask):
    """What follows a page is asked for by its cursor, and each entry comes once."""
    for number in range(6):
        ask.post("/api/v1/coolers", json={"cooler": f"Tarn {number}"})
    names, before = [], None
    while True:
        page = ask.get(
            "/api/v1/coolers", params={"limit": 4, **({"before": before} if before else {})}
        ).json()
        names += [one["name"] for one in page["items"]]
        before = page["next"]
        if before is None:
            break
    assert len(names) == len(set(names)) == 6


def test_live_frames_come_one_for_each_credit(made, ask):
    """A page that answers gets the newest frame, newer than the last one, and no other."""
    numbers = []
    with ask.websocket_connect("ws://localhost:8740/api/v1/live") as socket:
        for _ in range(3):
            socket.send_bytes(b"\1")
            data = socket.receive_bytes()
            assert data[:4] == b"EVH1"
            number, _, flags, count = struct.unpack_from("<IdHH", data, 4)
            assert not flags & 1  # not calibrated yet
            assert count == 37
            numbers.append(number)
    assert numbers == sorted(set(numbers))
    assert made.lab.live.readers == 0


def test_the_room_is_reviewed_over_its_checks(made, ask):
    """Hum that came anew is called so, hours go by the reader's clock, and noise is an alarm."""
    rng, floors = np.random.default_rng(3), made.lab.archive.floors
    assert ask.get("/api/v1/room").json()["fit"] is None
    noon = made.clock().replace(hour=12, minute=0) - timedelta(days=3)
    for days, tones_hz in enumerate([(50.0,), (50.0, 100.0)]):
        time = noon + timedelta(days=days)
        heard = draw.floor(rng, time, source=DEMO_INPUT)
        tones = [heard.tones[0].model_copy(update={"frequency_hz": hz}) for hz in tones_hz]
        floors.add(
            heard.model_copy(
                update={"tones": tones, "LAeq_db": 38.0 + days, "fit_for_target_db": 42.0 + days}
            ),
            scheduled=True,
        )
    review = ask.get("/api/v1/room", params={"ahead_min": 120}).json()
    assert [(tone["frequency_hz"], tone["new"]) for tone in review["tones"]] == [
        (50.0, False),
        (100.0, True),
    ]
    assert [(one["hour"], one["checks"], one["usual_LAeq_db"]) for one in review["hours"]] == [
        (14, 2, 38.5)
    ]
    assert review["fit"] is False
    made.frame()
    assert "too loud for 40 dB(A)" in made.problems()["room-too-loud"]
    # What is heard while a fan turns is no room.
    turning = draw.floor(rng, made.clock() - timedelta(hours=1), source=DEMO_INPUT)
    loud = {"LAeq_db": 60.0, "turning_rpm": {"fan": 900.0}}
    floors.add(turning.model_copy(update=loud), scheduled=False)
    again = ask.get("/api/v1/room").json()
    assert again["check"] == review["check"]


def test_times_of_a_drifted_calibration_are_told(made, ask):
    """What was measured between two calibrations that differ too much is in doubt."""
    made.frame()
    calibrations, now = made.lab.archive.calibrations, made.clock()
    for days, factor in ((2, 6.4), (1, 7.2)):
        heard = draw.calibration(
            np.random.default_rng(1), now - timedelta(days=days), source=DEMO_INPUT
        )
        calibrations.add(heard.model_copy(update={"pascal_per_unit": factor}))
    (doubt,) = ask.get("/api/v1/calibrations/doubts").json()["items"]
    assert doubt["why"] == "drifted"
    assert doubt["drift_db"] == pytest.approx(20 * math.log10(6.4 / 7.2), abs=0.01)
