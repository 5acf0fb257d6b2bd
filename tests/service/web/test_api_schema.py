"""Any request to the API gets a published answer."""

import contextlib

import pytest
import schemathesis
from hypothesis import given, settings
from lab_doubles import Room
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.settings import Settings
from service.storage.archive import Archive
from service.web.app import create_app
from service.wiring.lab import Lab

GIVEN = "right"
HEADERS = {"Authorization": f"Bearer {GIVEN}"}


@pytest.fixture
def operations(tmp_path):
    """Return every operation of a lab that never starts, so that what is asked of it waits."""
    lab = Lab(Settings(), tmp_path, Archive(tmp_path), Room(), tick_s=None)
    with contextlib.closing(lab):
        schema = schemathesis.openapi.from_asgi(
            "/openapi.json", create_app(lab, token=GIVEN), headers=HEADERS
        )
        found = [operation.ok() for operation in schema.get_all_operations()]
        assert len(found) > 30
        yield found


def ask_at_random(operation, examples, check):
    """Make requests to an operation, right and wrong ones, and check each."""

    @given(case=operation.as_strategy())
    @settings(max_examples=examples, deadline=None, derandomize=True)
    def asked(case):
        check(case)

    asked()


def test_any_request_gets_a_published_answer(operations):
    """Whatever is asked, no failure, and only answers of the schema."""
    for operation in operations:
        ask_at_random(
            operation,
            8,
            lambda case: case.call_and_validate(
                headers=HEADERS,
                checks=[
                    not_a_server_error,
                    status_code_conformance,
                    content_type_conformance,
                    response_schema_conformance,
                ],
            ),
        )


def test_without_the_token_nothing_is_answered(operations):
    """Without the token every call is 401, but the way in, which wants it."""

    def check(case):
        answer = case.call(headers={"Authorization": ""})
        assert answer.status_code in (
            {401, 422, 429, 400} if case.path.endswith("/session") else {401, 429}
        )

    for operation in operations:
        ask_at_random(operation, 2, check)
