"""Leading the work from the page: many coolers in a row, moving, pausing, stopping, retaking."""

import pytest
from page_doubles import BrowsedLab
from playwright.sync_api import expect


@pytest.fixture
def slow(tmp_path):
    """Serve a calibrated lab that goes slowly enough to be interrupted."""
    with BrowsedLab(tmp_path) as lab:
        lab.make_ready()
        yield lab


def test_many_coolers_are_matched_in_the_order_they_were_ticked(slow, open_tab):
    """Each is asked for in its turn; those that wait can be moved and stopped."""
    tab = open_tab(slow.url)
    page = tab.show("coolers")
    for name in ("Moor 120", "Fjord 140", "Gannet 80"):
        page.get_by_role("checkbox", name=name).check()
    expect(page.get_by_role("list", name="Order of mounting").locator("li")).to_have_text(
        ["Moor 120", "Fjord 140", "Gannet 80"]
    )
    page.get_by_label("Targets, dB(A), apart by spaces").last.fill("38")
    page.get_by_role("button", name="Queue them").click()
    queue = page.get_by_role("region", name="The queue").locator("tbody a")
    expect(queue).to_have_text(["Match of Moor 120", "Match of Fjord 140", "Match of Gannet 80"])
    page.get_by_role("button", name="Move match of Gannet 80 earlier").click()
    expect(queue).to_have_text(["Match of Moor 120", "Match of Gannet 80", "Match of Fjord 140"])
    expect(page.get_by_role("alert")).to_contain_text("Mount Moor 120")
    page.get_by_role("button", name="Done, go on").click()
    expect(page.get_by_role("alert")).to_contain_text("Mount Gannet 80")
    page.get_by_role("button", name="Stop match of Fjord 140").click()
    expect(queue).to_have_text(["Match of Gannet 80"])


def test_a_match_is_paused_resumed_begun_anew_and_stopped(slow, open_tab):
    """Every button of a match under way does what it says, and the page shows it."""
    tab = open_tab(slow.url)
    page = tab.show(f"coolers/{slow.entry_of('Fjord 140')}")
    page.get_by_label("Targets, dB(A), apart by spaces").fill("39 38 37 36 35 34 33")
    page.get_by_role("button", name="Match", exact=True).click()
    page.get_by_role("button", name="Done, go on").click()
    state = page.locator(".state .word")
    page.get_by_role("button", name="Pause").click()
    expect(state).to_have_text("paused")
    page.get_by_role("button", name="Resume").click()
    expect(state).to_have_text("under way")
    first = page.url
    page.get_by_role("button", name="Begin anew").click()
    page.wait_for_url(lambda url: url != first)
    expect(state).to_have_text("under way")
    page.get_by_role("button", name="Stop").click()
    expect(state).to_have_text("stopped")
    expect(page.get_by_role("button", name="Go on")).to_be_visible()
