"""A lab in which nothing was measured yet."""

import pytest
from playwright.sync_api import expect

EMPTY = {
    "live": "not calibrated",
    "jobs": "Nothing was measured yet.",
    "coolers": "never matched",
    "matches": "No match is like that.",
    "microphone": "never",
    "room": "never checked",
}


@pytest.fixture(autouse=True)
def calm(made):
    """Measure nothing."""
    made.calm()


def test_every_view_says_that_there_is_nothing_yet(tab, made):
    """Each view of an empty archive is whole, and says what to do first."""
    for view, words in EMPTY.items():
        page = tab.show(view)
        expect(page.get_by_role("main")).to_contain_text(words)
    made.frame()
    made.lab.look_after()
    page = tab.show("live")
    expect(page.get_by_role("list", name="What is wrong now")).to_contain_text("calibrate it")
    expect(page.locator(".now .unit")).to_have_text("dB re full scale")


@pytest.mark.parametrize("where", ["coolers/none", "matches/none", "jobs/none", "microphone/none"])
def test_what_is_not_there_is_told(open_tab, made, where):
    """An address of something that is gone says so in a sentence."""
    tab = open_tab(made.url, expected="404")
    tab.page.evaluate("(view) => { location.hash = `#/${view}`; }", where)
    expect(tab.page.get_by_role("status")).to_contain_text("none")


def test_what_happened_is_told(tab, made):
    """Events are listed when they are asked for."""
    made.lab.archive.events.add(
        kind="test", who="anna", what="The window was opened.", time=made.clock()
    )
    page = tab.show("jobs")
    page.get_by_text("Everything that happened").click()
    expect(page.get_by_role("row", name="The window was opened.")).to_be_visible()
