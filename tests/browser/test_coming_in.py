"""A lab that asks for its token."""

import pytest
from page_doubles import BrowsedLab
from playwright.sync_api import expect

GIVEN = "right"


@pytest.fixture(scope="module")
def locked(tmp_path_factory):
    """Serve a lab that asks for a token."""
    with BrowsedLab(tmp_path_factory.mktemp("lab"), token=GIVEN) as lab:
        yield lab


def test_only_the_token_lets_in(open_tab, locked):
    """A wrong one is told so; the right one opens the page, live levels included."""
    tab = open_tab(locked.url, expected="401|403|WebSocket")
    page = tab.page
    page.get_by_label("Token").fill("a guess")
    page.get_by_role("button", name="Come in").click()
    expect(page.get_by_role("status")).to_contain_text("This is not the token")
    page.get_by_label("Token").fill(GIVEN)
    page.get_by_role("button", name="Come in").click()
    expect(page.get_by_role("heading", name="Level now")).to_be_visible()
    expect(page.locator(".now .unit")).to_contain_text("dB")
