"""The bench of series of matches."""

import pytest
from series_doubles import Bench, CountedBench

from service.bench.serving import BenchServer


@pytest.fixture
def bench(tmp_path):
    """Serve the bench."""
    found = Bench(tmp_path)
    with BenchServer(found.guard) as server:
        found.client = CountedBench(server.url)
        try:
            yield found
        finally:
            found.client.close()
