"""What was measured, looked at again: settings, trails, the room, and what is in doubt."""

import json
import re
from datetime import timedelta

import kept_documents as draw
import numpy as np
import pytest
from playwright.sync_api import expect

from service.clock import utc_now
from service.wiring.lab_demo import DEMO_INPUT


@pytest.fixture(scope="module")
def filled(made):
    """Keep a real match and drawn documents of the days before."""
    made.matched()
    made.keep_documents()
    made.calm()
    return made


@pytest.fixture(scope="module")
def doubtful(filled):
    """Keep a calibration by which the microphone had drifted, and what was measured before it."""
    archive, rng = filled.lab.archive, np.random.default_rng(2)
    first = utc_now() - timedelta(days=40)
    for hours, factor in ((0, 6.4), (6, 7.2), (9, 7.2)):
        heard = draw.calibration(rng, first + timedelta(hours=hours), source=DEMO_INPUT)
        heard = heard.model_copy(update={"pascal_per_unit": factor})
        archive.calibrations.add(heard, next_due=heard.time + timedelta(hours=2))
    kept = {}
    for hours, name in ((1, "drifted"), (6.5, "trusted"), (8.5, "overdue")):
        document = draw.match(rng, first + timedelta(hours=hours), cooler=f"Tarn {name}")
        kept[name] = archive.matches.add(document, source=DEMO_INPUT, calibration=None, trail=None)
    return kept


def rows(page, caption):
    """Return the rows of a table."""
    return page.get_by_role("region", name=caption).locator("tbody tr")


@pytest.mark.usefixtures("filled")
def test_the_level_now_is_shown(tab):
    """The level is a number of the room, with unit, mean, floor and the bench's speeds."""
    page = tab.show("live")
    expect(page.get_by_label("Level now", exact=True)).to_have_text(re.compile(r"^\d\d\.\d$"))
    expect(page.locator(".now .unit")).to_have_text("dB(A), F")
    expect(page.locator(".now")).to_contain_text("room floor")
    expect(page.get_by_role("main")).to_contain_text("own control")
    for name in ("ruler", "last minute", "One-third octave"):
        canvas = page.get_by_role("img", name=re.compile(name, re.IGNORECASE))
        inked = canvas.evaluate(
            "(one) => one.getContext('2d').getImageData(0, 0, one.width, one.height)"
            ".data.some((value) => value > 0)"
        )
        assert inked, name


@pytest.mark.usefixtures("filled")
def test_matches_are_filtered_compared_and_taken_along(tab):
    """Filters narrow the table; chosen rows are compared and exported as JSON and CSV."""
    page = tab.show("matches")
    table = rows(page, "Matched settings")
    page.get_by_label("Cooler", exact=True).fill("Estuary 360")
    page.get_by_label("Aim, dB(A)").fill("40")
    expect(table).to_have_count(5)
    page.get_by_label("Outcome").select_option("unsteady")
    expect(table).to_have_text(["No match is like that."])
    page.get_by_label("Outcome").select_option("")
    page.get_by_label("From").fill((utc_now() - timedelta(days=3)).strftime("%Y-%m-%d"))
    expect(table).to_have_count(3)
    for box in page.get_by_role("checkbox", name=re.compile("Choose Estuary 360")).all():
        box.check()
    page.get_by_role("button", name="Compare them").click()
    expect(rows(page, "The chosen ones, quietest first")).to_have_count(3)
    expect(page.locator(".chart .main-svg").first).to_be_visible()
    for name in ("Chosen ones as CSV", "Chosen ones as JSON, for the thermal runs"):
        with page.expect_download() as taken:
            page.get_by_role("link", name=name).click()
        text = taken.value.path().read_text()
        if name.endswith("CSV"):
            assert text.count("Estuary 360") == 3
        else:
            assert [one["coolers"][0]["cooler"] for one in json.loads(text)] == ["Estuary 360"] * 3


def test_a_match_tells_how_it_was_decided(tab, filled):
    """Its trail is told step by step, from what was asked to the outcome, with its picture."""
    page = tab.show(f"matches/{filled.matched().id}")
    steps = page.locator("ol.steps li")
    expect(steps.first).to_contain_text("Asked for 36.0 ± 0.3")
    expect(steps.last).to_contain_text("matched")
    expect(steps.filter(has_text="Listened for").first).to_be_visible()
    assert rows(page, "Levels it was decided by").count() >= 1
    assert page.get_by_role("img").evaluate("async (one) => { await one.decode(); return 1; }")


def test_a_bad_calibration_is_seen_on_everything_measured_with_it(tab, doubtful):
    """In the table and on the match itself: drifted, overdue, or in order."""
    page = tab.show("matches")
    said = {
        "drifted": "drifted by −1.02 dB: do not use",
        "overdue": "calibration overdue",
        "trusted": "in order",
    }
    for name, words in said.items():
        page.get_by_label("Cooler", exact=True).fill(f"Tarn {name}")
        expect(rows(page, "Matched settings")).to_have_count(1)
        expect(rows(page, "Matched settings")).to_contain_text(words)
    tab.show(f"matches/{doubtful['drifted']}")
    expect(page.locator(".wants")).to_contain_text("do not use")


@pytest.mark.usefixtures("filled")
def test_the_room_is_shown_over_days_and_down_to_tenths_of_seconds(tab):
    """Fitness, schedule, hum, quiet hours; and the log from a day down to every 100 ms."""
    page = tab.show("room")
    main = page.get_by_role("main")
    expect(main).to_contain_text("fit for 40.0")
    expect(main).to_contain_text("every 30 min, 30 s each, only while nothing turns")
    expect(main).to_contain_text("Usually fit for 40.0")
    expect(main).to_contain_text("stretches of")
    log = page.get_by_role("application")
    box = log.bounding_box()
    for _ in range(2):  # the newest twentieth, and the newest twentieth of that
        log.scroll_into_view_if_needed()
        box = log.bounding_box()
        right = box["x"] + box["width"]
        page.mouse.move(right - 7 - box["width"] / 20, box["y"] + 60)
        page.mouse.down()
        page.mouse.move(right - 7, box["y"] + 80)
        page.mouse.up()
        expect(main).to_contain_text("loudest")
    page.get_by_role("button", name="A minute").click()
    expect(main).to_contain_text("stretches of 0.1 s")
    log.press("ArrowLeft")
    log.press("-")
    expect(main).to_contain_text("stretches of 0.1 s")
    page.get_by_role("link", name=re.compile("Nov|Oct|[A-Z][a-z]{2} ")).last.click()
    expect(page.get_by_role("heading", name=re.compile("The check of"))).to_be_visible()
    expect(main).to_contain_text("100.0 Hz")


def test_a_refused_tone_is_told_with_its_reasons(tab, filled):
    """The verdict of any calibration can be looked at, and says why."""
    heard = draw.calibration(np.random.default_rng(5), accepted=False, source=DEMO_INPUT)
    key = filled.lab.archive.calibrations.add(heard)
    page = tab.show(f"microphone/{key}")
    expect(page.get_by_role("main")).to_contain_text("The tone is unsteady.")
    expect(page.get_by_role("row", name=re.compile("refused"))).to_be_visible()
