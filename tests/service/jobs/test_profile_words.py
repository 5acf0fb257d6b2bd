"""What a person reads of a profile."""

from service.cli.sweep import _show
from service.documents.matched_settings import FloorPart
from service.documents.profile import ExponentPart, PointPart, ProfileDocument, ResonancePart


def shown(capsys, **changes):
    """Print a profile and return the lines."""
    point = PointPart(
        fan_duty_percent=100.0,
        fan_rpm=1700.0,
        pump_duty_percent=None,
        LAeq_db=48.5,
        U95_db=0.3,
        upper_bound=False,
        as_read_db=48.6,
        listened_s=6.0,
        rejected_s=0.0,
    )
    given = {
        "outcome": "complete",
        "cooler": "Fjord 140",
        "why": "It was heard.",
        "highest": point,
        "lowest": point.model_copy(update={"upper_bound": True, "U95_db": None, "LAeq_db": 20.0}),
        "exponent": ExponentPart(db_per_decade=54.0, U95_db_per_decade=3.0),
        "resonances": [ResonancePart(centre=920.0, height_db=3.1, U95_db=0.6, low=890, high=950)],
        "stall_duty_percent": 17.2,
        "restart_duty_percent": 22.1,
        "points": [point],
        "floor": FloorPart(LAeq_db=26.0, U95_db=0.4),
        "listened_s": 40.0,
        "bench_s": 240.0,
        "warnings": ["A word of care."],
    }
    _show(ProfileDocument.model_construct(**{**given, **changes}))
    return capsys.readouterr().out.splitlines()


def test_a_profile_reads_as_plain_words(capsys):
    """Levels, rise, resonances, stall and start, time and warnings each have their line."""
    assert shown(capsys) == [
        "Fjord 140: It was heard.",
        "  full speed: 48.5 +-0.3 dB(A) at 100.0 % duty, 1700 rpm",
        "  lowest speed: at most 20.0 dB(A) at 100.0 % duty, 1700 rpm, as the room hides it",
        "  rises by 54.0 +-3.0 dB per decade of speed",
        "  resonance at 920 rpm: +3.1 +-0.6 dB, from 890 to 950 rpm",
        "  stops below 17.2 % duty",
        "  starts again from 22.1 % duty",
        "  1 settings, 40 s listened, 240 s in all; room floor 26.0 +-0.4 dB(A)",
        "  note: A word of care.",
    ]


def test_what_was_not_found_is_said(capsys):
    """A cooler without resonances and without a stall is said to be so; a stopped sweep is not."""
    nothing = {"resonances": [], "stall_duty_percent": None, "exponent": None}

    lines = shown(capsys, **nothing)
    stopped = shown(capsys, outcome="stopped", **nothing)

    assert "  no resonance stands out for sure" in lines
    assert "  turns at every duty that the bench takes" in lines
    assert not any("no resonance" in line or "every duty" in line for line in stopped)
