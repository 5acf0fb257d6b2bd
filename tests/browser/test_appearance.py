"""How the views are seen otherwise: dark, narrow, wide, on paper, by assistive programs."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

SERIOUS = {"serious", "critical"}


@pytest.fixture(scope="module")
def views(made):
    """Fill a lab so that every view has something to show; return the views."""
    match = made.matched()
    made.rechecked()
    made.keep_documents()
    made.calm()
    job = made.queue.list(None, 50, None).items[0].id
    return {
        "now": "live",
        "work": "jobs",
        "one job": f"jobs/{job}",
        "coolers": "coolers",
        "one cooler": f"coolers/{made.entry_of('Fjord 140')}",
        "matched settings": "matches",
        "one match": f"matches/{match.id}",
        "microphone": "microphone",
        "room": "room",
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_assistive_programs_find_no_serious_fault(open_tab, made, views, scheme):
    """Names, roles, order and contrast are right in every view, in light and dark."""
    tab = open_tab(made.url, color_scheme=scheme)
    # In the dark, only colours are others.
    rules = {} if scheme == "light" else {"runOnly": ["color-contrast"]}
    found = []
    for name, view in views.items():
        page = tab.show(view)
        page.wait_for_load_state("networkidle")
        report = Axe().run(page, options={"resultTypes": ["violations"]} | rules)
        found += [
            (name, fault["id"], fault["impact"], [node["html"][:150] for node in fault["nodes"]])
            for fault in report.response["violations"]
            if fault["impact"] in SERIOUS
        ]
    assert found == []


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 800), (3840, 2160)])
def test_nothing_lies_beside_the_screen(open_tab, made, views, width, height):
    """No view scrolls sideways, from a telephone to the widest screens."""
    tab = open_tab(made.url, viewport={"width": width, "height": height})
    beside = []
    for name, view in views.items():
        page = tab.show(view)
        page.wait_for_load_state("networkidle")
        wide = page.evaluate("document.documentElement.scrollWidth")
        if wide > width:
            beside.append((name, wide))
    assert beside == []


@pytest.mark.usefixtures("views")
def test_everything_is_reached_by_keyboard(open_tab, made):
    """From the top, the tabulator leads over the views into the first of them, always in sight."""
    page = open_tab(made.url).show("coolers")
    page.evaluate("document.activeElement.blur()")
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "() => { const at = document.activeElement; const style = getComputedStyle(at);"
                " return [at.textContent.trim() || at.name, style.outlineStyle]; }"
            )
        )
    names = [name for name, _ in reached]
    for wanted in ("Skip to the content", "Now", "Coolers", "Fjord 140", "Queue them", "Register"):
        assert wanted in names
    assert {outline for name, outline in reached if name in {"Now", "Register"}} == {"solid"}


def test_a_cooler_prints_with_its_results_and_without_buttons(open_tab, made, views):
    """On paper stand what was found and no controls."""
    page = open_tab(made.url).show(views["one cooler"])
    page.emulate_media(media="print")
    expect(page.get_by_role("navigation")).to_be_hidden()
    expect(page.get_by_role("button", name="Sweep")).to_be_hidden()
    expect(page.get_by_role("heading", name="Match", exact=True)).to_be_hidden()
    expect(page.get_by_role("table").first).to_be_visible()
    assert page.pdf()[:5] == b"%PDF-"
