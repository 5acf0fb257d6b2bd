"""Matched settings: what goes in comes out, in the document, in the table and after the series."""

import csv
import io
import json
from datetime import UTC, datetime

import numpy as np
import pytest

from calibration.fan_noise import Estimate
from calibration.learned import Learned
from calibration.results import MatchedActuator, MatchRequest, MatchResult
from service.documents.calibration import joined_calibration
from service.documents.matched_settings import ChainChannel, MatchedSettingsDocument
from service.errors import DocumentError, SettingsError
from service.jobs.rechecking import recheck_request
from service.jobs.settings_document import (
    close_series,
    cooler_part,
    settings_csv,
    settings_document,
)

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
REQUEST = MatchRequest(40.0, 0.3)


def result(**changes):
    """Return a matched result of a liquid loop."""
    usual = {
        "outcome": "matched",
        "why": "It is.",
        "actuators": {
            "fan": MatchedActuator(43.0, 1210.04),
            "pump": MatchedActuator(80.0, None),
        },
        "target_db": 40.0,
        "level": Estimate(39.9, 0.1),
        "loudness": None,
        "as_read": Estimate(40.1, 0.1),
        "floor": Estimate(26.1, 0.15),
        "visited": (),
        "curve": None,
        "posterior": None,
        "learned": Learned(),
        "listened_s": 31.0,
        "bench_s": 62.0,
        "warnings": ("Mind the hum.", "And the door."),
    }
    return MatchResult(**{**usual, **changes})


@pytest.fixture
def document(calibrated):
    """Return settings with a matched cooler and one that was refused."""
    refused = result(outcome="floor-too-high", actuators=None, level=None, as_read=None)
    return settings_document(
        REQUEST,
        [
            cooler_part("Fjord, 140", "south", REQUEST, result(), []),
            cooler_part("Moor", "south", REQUEST, refused, []),
        ],
        time=TIME,
        calibration=calibrated(48_000, 2.0),
        drift=None,
    )


def test_the_document_reads_back_as_it_was_written(document):
    """JSON and back changes nothing."""
    assert MatchedSettingsDocument.from_json(document.to_json(), "x") == document


def test_later_fields_of_the_same_schema_are_left_out(document):
    """A document from a later version is still read."""
    text = document.to_json().replace('"time"', '"added_later": 1, "time"', 1)

    assert MatchedSettingsDocument.from_json(text, "x") == document


def test_intervals_are_95_percent(document):
    """A stated half-width is 1.96 standard deviations."""
    cooler = document.coolers[0]

    assert cooler.level.U95_db == pytest.approx(0.196)
    assert cooler.floor.U95_db == pytest.approx(0.294)
    assert cooler.margin_db == pytest.approx(13.8)


@pytest.fixture
def pair(calibrated):
    """Return settings with two matched coolers."""
    other = result(level=Estimate(40.2, 0.2))
    return settings_document(
        REQUEST,
        [
            cooler_part("Fjord", "south", REQUEST, result(), []),
            cooler_part("Moor", "south", REQUEST, other, []),
        ],
        time=TIME,
        calibration=calibrated(48_000, 2.0),
        drift=None,
    )


def test_levels_stand_against_the_true_one_and_against_each_other(pair):
    """The chain enters absolute levels whole; between two coolers only what each has of its own."""
    # Calibration 0.15 and response 0.3 are shared; drift 0.2 / sqrt(3) and placing 0.1 are not.
    own, shared = np.hypot(0.2 / np.sqrt(3), 0.1), np.hypot(0.15, 0.3)

    assert [level.U95_db for level in pair.absolute] == pytest.approx(
        [1.96 * np.linalg.norm([sd, own, shared]) for sd in (0.1, 0.2)], abs=1e-3
    )
    (only,) = pair.differences
    assert (only.first, only.second) == ("Fjord", "Moor")
    assert only.LAeq_db == pytest.approx(-0.3)
    assert only.U95_db == pytest.approx(1.96 * np.linalg.norm([0.1, 0.2, own, own]), abs=1e-3)
    assert pair.chain.U95_absolute_db == pytest.approx(2 * np.hypot(own, shared), abs=0.005)


def test_a_known_drift_narrows_what_stands_against_the_true_level(pair, calibrated):
    """Closing the series enters the drift into every interval that holds the chain."""
    closed, _ = close_series(pair, calibrated(48_000, 2.0), "x")

    assert all(
        after.U95_db < before.U95_db
        for before, after in zip(
            [*pair.absolute, *pair.differences],
            [*closed.absolute, *closed.differences],
            strict=True,
        )
    )


def test_settings_of_an_earlier_version_can_be_closed(pair, calibrated):
    """Settings without budgets are read and closed, and claim nothing that they do not hold."""
    plain = pair.to_plain()
    for part in (plain["chain"], *(cooler["level"] for cooler in plain["coolers"])):
        del part["budget"]
    del plain["absolute"], plain["differences"]
    earlier = MatchedSettingsDocument.from_json(json.dumps(plain), "x")
    closed, _ = close_series(earlier, calibrated(48_000, 2.0), "x")

    assert closed.chain.drift_db == 0.0
    assert closed.absolute == closed.differences == []


def test_the_table_holds_one_row_a_cooler(document):
    """Names with commas, absent speeds and several warnings survive; refusals leave cells empty."""
    first, second = csv.DictReader(io.StringIO(settings_csv(document)))

    assert (first["cooler"], first["fan_duty_percent"], first["fan_rpm"]) == (
        "Fjord, 140",
        "43.0",
        "1210.0",
    )
    assert (first["pump_duty_percent"], first["pump_rpm"]) == ("80.0", "")
    assert first["warnings"] == "Mind the hum. And the door."
    assert (second["outcome"], second["fan_duty_percent"], second["LAeq_db"]) == (
        "floor-too-high",
        "",
        "",
    )


@pytest.mark.parametrize(("factor", "drift_db", "void"), [(2.0, 0.0, False), (1.8, 0.915, True)])
def test_closing_a_series_enters_the_drift(document, calibrated, factor, drift_db, void):
    """The calibration after the series goes into the chain, and voids it beyond 0.5 dB."""
    closed, drift = close_series(document, calibrated(48_000, factor), "x")

    assert closed.chain.drift_db == pytest.approx(drift_db, abs=0.001)
    assert closed.chain.void is drift.void is void
    assert closed.coolers == document.coolers


def test_a_small_measured_drift_is_surer_than_an_unknown_one(document, calibrated):
    """Repeating the calibration narrows the comparative interval."""
    closed, _ = close_series(document, calibrated(48_000, 2.0), "x")

    assert closed.chain.U95_comparative_db < document.chain.U95_comparative_db


def test_settings_without_a_calibration_cannot_be_closed(document, calibrated):
    """Settings that do not say what they were calibrated with are refused."""
    chain = document.chain.model_copy(update={"pascal_per_unit": None})

    with pytest.raises(DocumentError, match="calibrated with"):
        close_series(document.model_copy(update={"chain": chain}), calibrated(48_000), "x")


def test_each_microphone_of_several_has_a_drift_of_its_own(document, calibrated):
    """The chain's drift is the largest, once all are known; one that moved too far voids it."""
    channels = [ChainChannel(channel=n, pascal_per_unit=f) for n, f in ((1, 2.0), (3, 4.0))]
    chain = document.chain.model_copy(update={"channels": channels, "pascal_per_unit": 3.2})
    series = document.model_copy(update={"chain": chain})

    half, first = close_series(series, calibrated(48_000, 2.0 * 10 ** (-0.1 / 20), 1), "x")
    whole, second = close_series(half, calibrated(48_000, 4.0 * 10 ** (0.3 / 20), 3), "x")
    void, _ = close_series(half, calibrated(48_000, 4.0 * 10 ** (0.6 / 20), 3), "x")
    mended, _ = close_series(void, calibrated(48_000, 4.0, 3), "x")

    assert (first.drift_db, second.drift_db) == pytest.approx((0.1, -0.3))
    assert (half.chain.drift_db, half.chain.void) == (None, False)
    assert [each.drift_db for each in half.chain.channels] == [0.1, None]
    assert whole.chain.drift_db == pytest.approx(-0.3)
    assert (whole.chain.void, void.chain.void, mended.chain.void) == (False, True, False)
    assert mended.chain.drift_db == pytest.approx(0.1)
    with pytest.raises(DocumentError, match="with channels 1, 3 and not with channel 2"):
        close_series(series, calibrated(48_000, 2.0, 2), "x")


def test_several_microphones_are_noted_and_wanted_again(document, calibrated):
    """Settings name the microphones that were averaged; a recheck with others is refused."""
    one = calibrated(48_000, 2.0, 1)
    both = joined_calibration([one, calibrated(48_000, 4.0, 3)])
    averaged = settings_document(REQUEST, document.coolers, time=TIME, calibration=both, drift=None)
    again = MatchedSettingsDocument.from_json(averaged.to_json(), "x")
    part = again.coolers[0]

    assert [(each.channel, each.pascal_per_unit) for each in again.chain.channels] == [
        (1, 2.0),
        (3, 4.0),
    ]
    assert again.chain.pascal_per_unit == pytest.approx(np.sqrt(10))
    assert document.chain.channels == []
    assert recheck_request(again, part, both, None).level.mean_db == part.level.LAeq_db
    with pytest.raises(SettingsError, match="of channels 1, 3, but now one microphone would be"):
        recheck_request(again, part, one, None)
    with pytest.raises(SettingsError, match="with one microphone, but now the average of chan"):
        recheck_request(document, document.coolers[0], both, None)
