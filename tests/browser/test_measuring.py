"""Measuring from the page: calibrate, check the floor, register, match, sweep, check again."""

import re

import pytest
from playwright.sync_api import expect


@pytest.fixture
def ready(made):
    """Calibrate and hear the floor first."""
    made.make_ready()
    return made


def begin(page):
    """Mount what the work asks for, where it does, and return where its state stands."""
    state = page.locator(".state .word")
    expect(state).to_have_text(re.compile("waits for you|under way|done"))
    if state.inner_text() == "waits for you":
        page.get_by_role("button", name="Done, go on").click()
    return state


def finish(page):
    """Do what the work asks for until the page says that it is done."""
    expect(begin(page)).to_have_text("done")


def test_calibrating_is_guided_and_the_verdict_has_reasons(tab):
    """The page asks for the calibrator, listens, and says what it thinks of the tone."""
    page = tab.show("microphone")
    page.get_by_role("button", name="Begin").click()
    expect(page.locator(".wants")).to_contain_text("94 dB")
    finish(page)
    tab.show("microphone")
    expect(page.get_by_role("main")).to_contain_text("can be trusted")
    expect(page.get_by_role("main")).to_contain_text("accepted: the tone is steady")


def test_the_floor_is_checked(tab, ready):
    """A check from the page ends in the list, with its level."""
    before = len(ready.lab.archive.floors.list().items)
    page = tab.show("room")
    page.get_by_label("Listen for, s").fill("8")
    page.get_by_role("button", name="Check").click()
    finish(page)
    tab.show("room")
    expect(page.get_by_role("row", name=re.compile("by a person"))).to_have_count(before + 1)


def test_a_cooler_is_registered(tab):
    """A new name stands in the list, can be opened, and is not taken twice."""
    page = tab.show("coolers")
    page.get_by_label("Name", exact=True).fill("Tarn 120")
    page.get_by_label("Notes").fill("from the shelf")
    page.get_by_role("button", name="Register").click()
    page.get_by_role("link", name="Tarn 120").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Tarn 120")
    expect(page.get_by_role("main")).to_contain_text("from the shelf")
    tab.expected = "422"
    tab.show("coolers")
    page.get_by_label("Name", exact=True).fill("Tarn 120")
    page.get_by_role("button", name="Register").click()
    expect(page.get_by_role("status")).to_contain_text("Tarn 120")


@pytest.mark.usefixtures("ready")
def test_a_match_is_watched_while_it_grows(tab):
    """From a cooler to matched settings, point by point, each of them also told as a table."""
    page = tab.show("coolers")
    page.get_by_role("link", name="Fjord 140").click()
    page.get_by_label("Targets, dB(A), apart by spaces").fill("38 36 34")
    page.get_by_role("button", name="Match", exact=True).click()
    state = begin(page)
    heard = page.get_by_role("table", name="Settings heard so far").locator("tbody tr")
    expect(heard.first).to_be_visible()
    first = heard.count()
    expect(state).to_have_text("done")
    assert heard.count() > first
    page.get_by_role("link", name="match", exact=True).first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Fjord 140")
    expect(page.get_by_role("main")).to_contain_text("matched")


def test_a_cooler_is_checked_again(tab, ready):
    """It begins on the cooler's page, and what it comes to stands there afterwards."""
    ready.matched("Fjord 140")
    page = tab.show(f"coolers/{ready.entry_of('Fjord 140')}")
    page.get_by_role("button", name="Check again").click()
    finish(page)


def test_a_sweep_is_begun_and_stopped(tab, ready):
    """It begins on the cooler's page, shows its levels as they come, and ends when told to."""
    page = tab.show(f"coolers/{ready.entry_of('Fjord 140')}")
    page.get_by_role("button", name="Sweep").click()
    state = begin(page)
    expect(page.get_by_role("table", name="Settings heard so far")).to_be_visible()
    page.get_by_role("button", name="Stop").click()
    expect(state).to_have_text("stopped")
