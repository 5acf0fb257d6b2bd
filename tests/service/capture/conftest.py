import threading
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """Fail the test that leaves one of the product's threads running."""
    yield
    assert [t.name for t in threading.enumerate() if t.name.startswith("evenhush")] == []
