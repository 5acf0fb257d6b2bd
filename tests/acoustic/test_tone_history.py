"""Since when a tone is in the room."""

import pytest

from acoustic.tone_history import checks_with_tone

HUM = [100.2, 250.0]


@pytest.mark.parametrize(
    ("earlier_hz", "checks"),
    [
        ([], 0),
        ([[], []], 0),
        ([[250.0], [251.0]], 0),
        ([HUM, HUM, [99.5]], 3),
        ([HUM, [250.0], HUM], 3),
        ([HUM, [], [], HUM], 1),
        ([[103.0]], 0),
    ],
)
def test_a_tone_is_as_old_as_its_checks_without_a_break(earlier_hz, checks):
    """One check may miss it, two in a row are a break; another frequency is another tone."""
    assert checks_with_tone(100.0, earlier_hz) == checks
