"""A browser, a lab on the simulated room, and pages that note everything that goes wrong."""

import shutil
import threading

import pytest
from page_doubles import BrowsedLab, Tab
from playwright.sync_api import sync_playwright

CHROMIUM = shutil.which("chromium")


@pytest.fixture(scope="module", autouse=True)
def no_leaked_threads():
    """Allow a file's lab to start and end threads from test to test, but not to leave any."""
    before = set(threading.enumerate())
    yield
    ours = [thread.name for thread in set(threading.enumerate()) - before]
    assert [name for name in ours if name.startswith("evenhush")] == []


@pytest.fixture(scope="module")
def browser():
    """Start the browser once a file."""
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Serve a lab with the simulated coolers."""
    with BrowsedLab(tmp_path_factory.mktemp("lab")) as lab:
        yield lab


@pytest.fixture
def open_tab(browser):
    """Open pages in contexts of their own; at the end, none of them may have complained."""
    tabs = []

    def opened(url, *, expected=None, **context):
        context = {"locale": "en-GB", "timezone_id": "UTC"} | context
        tabs.append(Tab(browser.new_context(**context), url, expected=expected))
        return tabs[-1]

    yield opened
    for tab in tabs:
        tab.close()
    assert [fault for tab in tabs for fault in tab.faults] == []


@pytest.fixture
def tab(open_tab, made):
    """Open the lab's page."""
    return open_tab(made.url)
