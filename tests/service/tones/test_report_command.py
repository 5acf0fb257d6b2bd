"""``evenhush report``: one page with everything in it, and its pictures and tables beside."""

import csv
import re
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from gliding_machine import RATE_HZ, gliding_machine

from service.reports.page import Figure, Page, Table, Text, written_page


class Read(HTMLParser):
    """What a browser would find in a page."""

    def __init__(self, text):
        super().__init__()
        self.words, self.ids, self.loads, self.open = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Note names, what would be loaded, and what is open."""
        found = dict(attrs)
        self.ids += [found["id"]] if "id" in found else []
        self.loads += [
            value
            for name, value in attrs
            if name in {"src", "href", "xlink:href"} and not value.startswith(("#", "data:"))
        ]
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        """Note the same of what has no inside."""
        self.handle_starttag(tag, attrs)
        if tag not in {"meta", "br"}:
            self.open.pop()

    def handle_endtag(self, tag):
        """Close what was opened last."""
        assert self.open.pop() == tag

    def handle_data(self, data):
        """Note words."""
        self.words.append(data)

    @property
    def text(self):
        """All words of the page."""
        return re.sub(r"\s+", " ", " ".join(self.words))


def whine(noise, tone, rpm, level=0.02):
    """A fan with seven blades that whines at its blade-pass."""
    return noise(0.01, 8, int(rpm)) + tone(level, 7 * rpm / 60, 8)


def test_a_report_on_one_recording_holds_everything(evenhush, record, noise, tone, tmp_path):
    """Level, whine with its name, pictures, method, budget and cautions stand in one page."""
    path, room = record("lagoon.wav", whine(noise, tone, 1500)), record("r.wav", noise(0.001, 8))
    out, folder = tmp_path / "r.html", tmp_path / "pictures"

    ended = evenhush(
        "report", path, "--out", out, "--pictures", folder, "--room", room,
        "--fan-rpm", 1500, "--blades", 7, "--pascal-per-unit", 1, "--title", "Lagoon & <more>",
    )  # fmt: skip
    page = Read(out.read_text(encoding="utf-8"))

    assert (ended.code, page.loads, page.open) == (0, [], [])
    assert len(page.ids) == len(set(page.ids))
    assert "Lagoon & <more>" in page.text
    assert re.search(r"lagoon whines at 175 Hz: tone-to-noise ratio \d+\.\d dB", page.text)
    assert "fan blade-pass, for sure" in page.text
    for words in ("How sure the levels are", "ECMA-418-1", "listening", "Cautions", "room: "):
        assert words in page.text
    assert out.read_text(encoding="utf-8").count("<svg") == 3
    names = {file.name for file in folder.iterdir()}
    for stem in ("lagoon-spectrum", "lagoon-third-octaves", "lagoon-over-time"):
        assert {f"{stem}.png", f"{stem}.svg", f"{stem}.csv"} <= names
        ET.parse(folder / f"{stem}.svg")
    with (folder / "lagoon-third-octaves.csv").open(encoding="utf-8", newline="") as file:
        bands = {float(row["frequency_hz"]): row for row in csv.DictReader(file)}
    # The tone of 0.02 Pa in the band at 160 Hz, to the nearest of noise.
    assert float(bands[160.0]["LZ_db"]) == pytest.approx(60.0, abs=0.3)
    with (folder / "lagoon-tones.csv").open(encoding="utf-8", newline="") as file:
        assert [row["name"] for row in csv.DictReader(file)] == ["blade-pass"]


def test_a_comparison_pairs_tones_and_says_differences(evenhush, record, noise, tone, tmp_path):
    """Two coolers at one level are told apart by the whine that one of them has."""
    paths = [
        record("quiet.wav", noise(0.0223, 8, 3)),
        record("whining.wav", whine(noise, tone, 1500)),
    ]
    out = tmp_path / "c.html"

    evenhush("report", *paths, "--out", out, "--pascal-per-unit", 1)
    page = Read(out.read_text(encoding="utf-8"))

    assert page.loads == []
    assert len(page.ids) == len(set(page.ids))
    assert "Side by side" in page.text
    assert "whining less quiet" in page.text
    assert "only in one" in page.text
    assert re.search(r"quiet: (59|60|61)\.\d dB\(A\)", page.text)
    assert "no tone is prominent" in page.text


def test_a_sweep_is_shown_over_its_speeds(evenhush, record, kept_beside, tmp_path):
    """Kept sound in which a speed is swept brings its orders and what they meet along."""
    glide = gliding_machine(
        rate_per_s=0.1, orders={7: 45.0}, resonance=(160.0, 5.0, 14.0), noise_db=-15.0
    )
    path = record("x.wav", glide.samples / 2.0, RATE_HZ)
    speeds = {"time_s": glide.read.time_s.tolist(), "rpm": {"fan": glide.read.rpm.tolist()}}
    kept_beside(path, rate_hz=RATE_HZ, speeds=speeds, duration_s=len(glide.samples) / RATE_HZ)
    out = tmp_path / "s.html"

    evenhush("report", path, "--out", out, "--blades", 7, "--pictures", tmp_path / "p")
    page = Read(out.read_text(encoding="utf-8"))

    assert "Fjord 140 over its speeds" in page.text
    assert "the blade-pass meets something at 1" in page.text
    assert (tmp_path / "p" / "fjord-140-orders.csv").exists()


def test_what_cannot_be_reported_is_one_sentence(evenhush, record, noise, tmp_path):
    """A name that is none, and options that do not fit several recordings, are refused."""
    path, out = record("x.wav", noise(0.01, 3)), tmp_path / "r.html"
    about = tmp_path / "about.json"
    about.write_text('{"schema":"evenhush.cooler/1","cooler":"Fjord 140"}', encoding="utf-8")

    assert "let it end in .html" in evenhush("report", path, "--out", "r.pdf").sentence
    several = ("report", path, path, path, "--out", out)
    assert "for one recording only" in evenhush(*several, "--fan-rpm", 1500).sentence
    two = evenhush(*several, "--about", about, "--about", about).sentence
    assert "2 descriptions do not fit 3 recordings" in two
    assert not out.exists()


def test_a_page_says_words_as_they_are():
    """Words cannot become markup, numbers stand to the right, and two pictures share no name."""
    svg = b'<?xml version="1.0"?><svg xmlns="x"><g id="a"/><use href="#a"/></svg>'
    figures = [Figure(svg, 'one "quoted"'), Figure(svg, "two")]
    table = Table(("<b>", "n"), [("x & y", "+1.5")], "", [True])

    text = written_page(Page("T <i>", "below", [Text("5 +-1"), table, *figures]))
    page = Read(text)

    assert "<b>" in page.text
    assert "5 ±1" in page.text
    assert '<td class="n">+1.5</td>' in text
    assert page.ids == ["f2-a", "f3-a"]
    assert 'href="#f3-a"' in text
    assert np.all([tag not in text for tag in ("<script", "<b>", "<i>")])
