"""A lab that is killed while it measures and writes."""

from lab_kills import kill_labs


def test_nothing_that_was_told_is_lost(tmp_path):
    """After each kill the archive is whole, holds all that was told, and the bench comes back."""
    found = kill_labs(tmp_path, 2, seed=1)

    assert found.kills == 2
    assert found.confirmed > 4
    assert (found.lost, found.damage, found.unsafe) == ([], [], [])
