import contextlib

import schemathesis
from bench_doubles import InventedHardware
from hypothesis import settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from service.bench.guard import BenchGuard
from service.bench.host import create_app
from service.errors import LeaseHeld

GIVEN = "right"
HEADERS = {"Authorization": f"Bearer {GIVEN}"}

guard = BenchGuard(InventedHardware())
app = create_app(guard, token=GIVEN)
held: dict[str, str] = {}
schema = schemathesis.openapi.from_asgi("/v1/openapi.json", app, headers=HEADERS)


@schema.parametrize()
@settings(max_examples=15, deadline=None, derandomize=True)
def test_any_request_gets_a_published_answer(case: schemathesis.Case) -> None:
    """Whatever is asked, no failure, and only answers of the schema."""
    with contextlib.suppress(LeaseHeld):
        held["Bench-Lease"] = guard.grant("test", 60).lease
    # A valid request may still be refused: by the limits, or as the lease is another one's.
    case.call_and_validate(
        headers=HEADERS | held,
        checks=[
            not_a_server_error,
            status_code_conformance,
            content_type_conformance,
            response_schema_conformance,
            negative_data_rejection,
        ],
    )
