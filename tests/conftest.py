"""Rules for every test: a clean environment, no leaks, no skip that hides something missing."""

import os
import threading

import hypothesis
import pytest

hypothesis.settings.register_profile("steady", derandomize=True, deadline=None, max_examples=40)
hypothesis.settings.register_profile("search", deadline=None, max_examples=2000, print_blob=True)
hypothesis.settings.load_profile(os.environ.get("TESTS_HYPOTHESIS", "steady"))


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch, tmp_path):
    """Keep the developer's settings and data out of every test."""
    for name in list(os.environ):
        if name.startswith("EVENHUSH_"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("EVENHUSH_DATA", str(tmp_path / "evenhush-data"))


@pytest.fixture(autouse=True)
def no_leaked_threads():
    """Fail a test that leaves one of our threads running."""
    before = set(threading.enumerate())
    yield
    ours = [
        thread.name
        for thread in threading.enumerate()
        if thread not in before and thread.name.startswith("evenhush") and thread.is_alive()
    ]
    assert ours == []


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item):
    """Count a skip as a failure where everything a test needs has been installed."""
    report = yield
    if report.skipped and SKIPS_FAIL and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, but nothing may be missing here"
    return report


SKIPS_FAIL = os.environ.get("TESTS_SKIP_NOTHING") == "1"
