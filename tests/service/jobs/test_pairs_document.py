"""Pairs of fan and pump speed in the document and in the table."""

import csv
import io
from datetime import UTC, datetime

import pytest

from calibration.fan_noise import Estimate
from calibration.learned import Learned
from calibration.pump_curve import CurvePoint, CurveResult
from calibration.results import MatchedActuator, MatchRequest, MatchResult
from service.documents.bands import DiscreteTone
from service.documents.matched_settings import MatchedSettingsDocument
from service.jobs.pairs_document import part_of_pairs, with_a_row_a_pair
from service.jobs.settings_document import cooler_part, settings_csv, settings_document

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
TONE = DiscreteTone(
    frequency_hz=412.0,
    level_db=30.0,
    tone_to_noise_ratio_db=12.0,
    prominence_ratio_db=13.0,
    prominent=True,
)


def pair(pump_percent, outcome="matched", fan_rpm=1200.0):
    """One pair as its match ends."""
    given = outcome != "stopped"
    level = Estimate(40.0 + pump_percent / 1000.0, 0.1) if given else None
    speeds = {
        "fan": MatchedActuator(fan_rpm / 25.0, fan_rpm),
        "pump": MatchedActuator(pump_percent, 30.0 * pump_percent),
    }
    result = MatchResult(
        outcome=outcome,
        why=f"At {pump_percent:g} % it is so.",
        actuators=speeds if given else None,
        target_db=40.0,
        level=level,
        loudness=None,
        as_read=level,
        floor=Estimate(26.0, 0.2),
        visited=(),
        curve=None,
        posterior=None,
        learned=Learned(),
        listened_s=10.0,
        bench_s=20.5,
        warnings=(),
    )
    return CurvePoint(MatchRequest(40.0, 0.3, pump="fixed", pump_duty_percent=pump_percent), result)


def document_of(calibrated, *points):
    """Settings of a liquid cooler with pairs and of another cooler without."""
    part = part_of_pairs("Lagoon", "south", CurveResult(points, Learned()), {82.5: [TONE]})
    other = pair(80.0)
    plain = cooler_part("Fjord", "south", other.request, other.result, [])
    return settings_document(
        other.request, [part, plain], time=TIME, calibration=calibrated(48_000, 2.0), drift=None
    )


@pytest.fixture
def document(calibrated):
    """Return settings with three pairs, the loudest of which is out of reach."""
    points = (pair(30.0), pair(82.5, fan_rpm=1100.0), pair(100.0, "louder-at-minimum", 500.0))
    return document_of(calibrated, *points)


def test_pairs_read_back_as_they_were_written(document):
    """JSON and back changes nothing."""
    assert MatchedSettingsDocument.from_json(document.to_json(), "x") == document


def test_the_cooler_has_the_settings_of_the_usual_pair(document):
    """The pair at 82.5 % stands for the cooler, and the document says so."""
    part = document.coolers[0]

    assert part.outcome == "matched"
    assert part.settings["pump"].duty_percent == 82.5
    assert "pair with the pump at 82.5 %, the nearest matched one" in part.warnings[0]
    assert part.bench_s == 61.5
    assert part.tones == [TONE]
    assert [p.tones for p in part.curve] == [[], [TONE], []]


def test_a_pair_out_of_reach_is_named(document):
    """The warnings name the pair that was not matched, with its reason."""
    part = document.coolers[0]

    assert part.warnings[-1] == "Pump at 100 %: louder-at-minimum. At 100 % it is so."
    assert [p.outcome for p in part.curve] == ["matched", "matched", "louder-at-minimum"]


def test_a_stopped_curve_gives_the_cooler_no_settings(calibrated):
    """A stop for safety is the cooler's outcome, and the pairs before it are kept."""
    part = document_of(calibrated, pair(30.0), pair(100.0, "stopped")).coolers[0]

    assert part.outcome == "stopped"
    assert part.settings is None
    assert part.curve[0].settings["fan"].rpm == 1200.0


def test_without_a_matched_pair_the_nearest_is_given(calibrated):
    """Where no pair is matched, the cooler's outcome is that of the one nearest to 80 %."""
    loud = [pair(percent, "louder-at-minimum") for percent in (30.0, 75.0, 100.0)]
    part = document_of(calibrated, *loud).coolers[0]

    assert part.outcome == "louder-at-minimum"
    assert part.settings["pump"].duty_percent == 75.0
    assert "the nearest to the usual 80 %" in part.warnings[0]


def test_the_table_has_a_row_for_each_pair(document):
    """Three rows for the cooler with pairs, one for the other."""
    rows = list(csv.DictReader(io.StringIO(settings_csv(with_a_row_a_pair(document)))))

    assert [row["cooler"] for row in rows] == ["Lagoon"] * 3 + ["Fjord"]
    assert [row["pump_duty_percent"] for row in rows] == ["30.0", "82.5", "100.0", "80.0"]
    assert [row["fan_rpm"] for row in rows] == ["1200.0", "1100.0", "500.0", "1200.0"]
    assert [row["LAeq_db"] for row in rows[:2]] == ["40.03", "40.083"]
    assert rows[2]["outcome"] == "louder-at-minimum"
    assert rows[2]["floor_LAeq_db"] == "26.0"
