"""The room over many days, by the command line."""

from datetime import timedelta

import kept_documents as draw
import numpy as np

from service.clock import utc_now
from service.storage.archive import Archive


def test_the_room_of_many_days_is_told(evenhush_here, tmp_path):
    """Fitness is the answer; hum, hours and times of doubt are told."""
    rng = np.random.default_rng(1)
    before = utc_now() - timedelta(days=2)
    with Archive(tmp_path / "lab") as archive:
        for days, level_db in ((0, 30.0), (1, 39.0)):
            heard = draw.floor(rng, before + timedelta(days=days))
            loud = heard.model_copy(update={"LAeq_db": level_db, "fit_for_target_db": level_db + 4})
            archive.floors.add(loud, scheduled=True)
        archive.calibrations.add(
            draw.calibration(rng, before), next_due=before + timedelta(hours=24)
        )
    told = evenhush_here(tmp_path, "room", "--data", "lab")
    assert told.code == 1, told.err
    assert told.out.startswith("too loud: With 39.0 dB(A) it is too loud for 40 dB(A)")
    assert "tone at 100.0 Hz" in told.out
    assert "the calibration was overdue" in told.out
    found = evenhush_here(tmp_path, "room", "--data", "lab", "--json").json
    assert found["hours"][0]["usual_LAeq_db"] == 34.5
    assert [doubt["why"] for doubt in found["doubts"]] == ["overdue"]


def test_a_room_never_heard_is_told(evenhush_here, tmp_path):
    """Without a check there is nothing to say but what to do."""
    with Archive(tmp_path / "lab"):
        pass
    told = evenhush_here(tmp_path, "room", "--data", "lab")
    assert (told.code, told.out) == (2, "")
    assert "evenhush floor" in told.err
