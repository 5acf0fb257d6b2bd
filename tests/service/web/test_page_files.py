"""The files of the page."""

import re

import pytest


def test_the_page_and_everything_it_names_is_served(ask):
    """Every module that another one imports is there, and says what it is."""
    wanted, seen = ["/", "/static/docs.js"], set()
    while wanted:
        path = wanted.pop()
        if path in seen:
            continue
        seen.add(path)
        answer = ask.get(path)
        assert answer.status_code == 200, path
        folder = path.rpartition("/")[0]
        if path.endswith(".js"):
            assert answer.headers["content-type"].startswith("text/javascript")
        if path == "/" or (path.endswith(".js") and "plotly" not in path):
            for name in re.findall(r'"(/static/[^"]+|\.\.?/[^"]+\.js)"', answer.text):
                if name.startswith("../"):
                    wanted.append(f"{folder.rpartition('/')[0]}/{name[3:]}")
                elif name.startswith("./"):
                    wanted.append(f"{folder}/{name[2:]}")
                else:
                    wanted.append(name)
    assert "/static/views/live.js" in seen
    assert "/static/plotly.min.js" in seen


def test_a_file_the_browser_has_is_not_sent_again(ask):
    """Its tag is enough."""
    tag = ask.get("/static/style.css").headers["etag"]
    again = ask.get("/static/style.css", headers={"If-None-Match": tag})
    assert again.status_code == 304
    assert again.content == b""


@pytest.mark.parametrize(
    "path", ["../app.py", "..%2f..%2fapp.py", "%2e%2e/page.py", "views/", "/etc/passwd"]
)
def test_no_path_leads_elsewhere(ask, path):
    """What is not one of the files is not there."""
    assert ask.get(f"/static/{path}").status_code == 404


def test_the_api_is_described_without_anything_from_elsewhere(ask):
    """The pages that describe it load only files of this server."""
    page = ask.get("/docs").text
    for name in re.findall(r'(?:src|href)="([^"]+)"', page):
        assert name.startswith("/static/")
        assert ask.get(name).status_code == 200
    assert ask.get("/openapi.json").json()["info"]["title"] == "Evenhush lab API"
