"""The picture of pairs: what stands in it, and that it comes out the same every time."""

import re

from service.documents.matched_settings import CoolerPart, FloorPart, PairPart, SettingPart
from service.reports.pairs_picture import draw_pairs


def cooler(name="Lagoon 240", *, rpm=True, second_outcome="matched"):
    """A cooler with two pairs of two fans and a pump."""

    def pair(pump_percent, outcome, interval):
        """One pair; the fans go down as the pump goes up."""
        duties = {"fan": 60.0, "fan_2": 60.0, "pump": pump_percent}
        return PairPart(
            pump_duty_percent=pump_percent,
            outcome=outcome,
            why="It is.",
            settings={
                role: SettingPart(duty_percent=duty, rpm=20.0 * duty if rpm else None)
                for role, duty in duties.items()
            },
            level=None,
            fan_rpm_U95=interval,
            margin_db=None,
            settings_visited=1,
            listened_s=6.0,
            bench_s=12.0,
            tones=[],
            warnings=[],
        )

    pairs = [pair(40.0, "matched", 12.0), pair(100.0, second_outcome, None)]
    return CoolerPart(
        cooler=name,
        outcome="matched",
        why="It is.",
        bench="south",
        settings=pairs[0].settings,
        level=None,
        floor=FloorPart(LAeq_db=26.0, U95_db=0.3),
        margin_db=None,
        settings_visited=2,
        listened_s=12.0,
        bench_s=24.0,
        tones=[],
        warnings=[],
        curve=pairs,
    )


def texts(picture):
    """The lettering of a picture."""
    return re.findall(r"<!-- (.*?) -->", picture.decode())


def test_pairs_are_numbered_and_named():
    """Numbers, the cooler's name and both axes stand in the picture."""
    words = texts(draw_pairs([cooler()], "svg"))

    assert {"1", "2", "Lagoon 240", "2 of 2 pairs matched"} <= set(words)
    assert {"fan speed, rpm", "pump speed, rpm"} <= set(words)


def test_a_pair_that_was_not_matched_says_what_it_is():
    """A pair out of reach stands there with its outcome."""
    words = texts(draw_pairs([cooler(second_outcome="louder-at-minimum")], "svg"))

    assert "2 louder at minimum" in words
    assert "1 of 2 pairs matched" in words


def test_without_tachometers_duties_are_drawn():
    """Where no speed is told the axes are duties."""
    words = texts(draw_pairs([cooler(rpm=False)], "svg"))

    assert {"fan duty, %", "pump duty, %"} <= set(words)


def test_the_same_pairs_give_the_same_bytes():
    """Both forms come out the same every time, also with several coolers."""
    coolers = [cooler(), cooler("Fjord $140"), cooler("Tarn"), cooler("Brook")]

    assert draw_pairs(coolers, "png") == draw_pairs(coolers, "png")
    assert draw_pairs(coolers, "svg") == draw_pairs(coolers, "svg")
    assert draw_pairs(coolers, "png").startswith(b"\x89PNG")
