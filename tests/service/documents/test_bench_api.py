import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from calibration.bench_state import Actuator, ActuatorState, BenchDescription, BenchState
from service.documents.bench_api import (
    BenchAnswer,
    DutyRequest,
    LeaseAnswer,
    LeaseRequest,
    RenewalRequest,
    StateAnswer,
    bench_answer,
    description_from,
    state_answer,
    state_from,
)
from service.documents.validation import problem_in

BENCH: dict[str, Any] = {
    "bench": "south",
    "api": 1,
    "actuators": {
        "fan": {"role": "fan", "min_duty_percent": 15, "max_duty_percent": 100, "tachometer": True}
    },
    "temperatures": {"processor": {"limit_c": 90}},
    "lease_max_s": 60,
}
STATE: dict[str, Any] = {
    "time": "2026-01-02T03:04:05.678Z",
    "control": "own",
    "why": None,
    "actuators": {"fan": {"duty_percent": 43.0, "rpm": 1210}},
    "temperatures_c": {"processor": 61.2},
}

names = st.text(st.characters(codec="ascii", categories=["L", "N"]), min_size=1, max_size=8)
duties = st.floats(0, 100)
actuators = st.builds(
    lambda role, ends, tachometer: Actuator(role, min(ends), max(ends), tachometer),
    st.sampled_from(["fan", "pump"]),
    st.tuples(duties, duties),
    st.booleans(),
)
celsius = st.dictionaries(names, st.floats(-50, 200), max_size=3)


def problem(model: type[BaseModel], document: object) -> str:
    """Say what `model` finds wrong with `document` as it comes over the wire."""
    with pytest.raises(ValidationError) as caught:
        model.model_validate_json(json.dumps(document))
    return problem_in(caught.value.errors())


def changed(document: dict[str, Any], path: str, value: object) -> dict[str, Any]:
    """Return a copy of `document` with another value at a dotted path."""
    copy: dict[str, Any] = json.loads(json.dumps(document))
    *parents, last = path.split(".")
    inner = copy
    for parent in parents:
        inner = inner[parent]
    inner[last] = value
    return copy


@given(
    st.builds(
        BenchDescription,
        names,
        st.dictionaries(names, actuators, max_size=3),
        celsius,
        st.floats(0.001, 1e6),
    )
)
def test_description_survives_the_wire(description: BenchDescription) -> None:
    """A bench read back from its own JSON is the same bench."""
    wire = bench_answer(description).model_dump_json()

    assert description == description_from(BenchAnswer.model_validate_json(wire))


@given(
    st.builds(
        BenchState,
        st.sampled_from(["own", "leased", "safe"]),
        st.none() | names,
        st.dictionaries(
            names, st.builds(ActuatorState, duties, st.none() | st.floats(0, 1e5)), max_size=3
        ),
        celsius,
    )
)
def test_state_survives_the_wire(state: BenchState) -> None:
    """A state read back from its own JSON is the same state."""
    wire = state_answer(state, datetime(2026, 1, 2, tzinfo=UTC)).model_dump_json()

    assert state == state_from(StateAnswer.model_validate_json(wire))


def test_wire_looks_as_published() -> None:
    """The JSON has the published field names, and times in UTC end with Z."""
    description = description_from(BenchAnswer.model_validate_json(json.dumps(BENCH)))
    state = state_from(StateAnswer.model_validate_json(json.dumps(STATE)))
    time = datetime(2026, 1, 2, 3, 4, 5, 678000, tzinfo=UTC)

    assert json.loads(bench_answer(description).model_dump_json()) == BENCH
    assert json.loads(state_answer(state, time).model_dump_json()) == STATE


def test_unknown_fields_of_an_answer_are_passed_over() -> None:
    """A bench may say more than this program knows."""
    richer = changed(changed(BENCH, "maker", "x"), "actuators.fan.blades", 9)

    assert BenchAnswer.model_validate_json(json.dumps(richer)).bench == "south"


@pytest.mark.parametrize(
    ("model", "document"),
    [
        (LeaseRequest, {"holder": "me", "seconds": 5, "second": 5}),
        (RenewalRequest, {"seconds": 5, "holder": "me"}),
        (DutyRequest, {"duty_percent": {"fan": 5}, "duty": 5}),
    ],
)
def test_unknown_fields_of_a_request_are_refused(
    model: type[BaseModel], document: dict[str, object]
) -> None:
    """A misspelt field of a request is refused by name."""
    assert problem(model, document).endswith("is not known")


@pytest.mark.parametrize("value", [True, "43", None, float("nan"), float("inf"), [43]])
@pytest.mark.parametrize(
    ("model", "document", "path"),
    [
        (BenchAnswer, BENCH, "lease_max_s"),
        (BenchAnswer, BENCH, "actuators.fan.min_duty_percent"),
        (BenchAnswer, BENCH, "temperatures.processor.limit_c"),
        (StateAnswer, STATE, "actuators.fan.duty_percent"),
        (StateAnswer, STATE, "temperatures_c.processor"),
        (LeaseAnswer, {"lease": "x", "expires_in_s": 15}, "expires_in_s"),
        (LeaseRequest, {"holder": "me", "seconds": 15}, "seconds"),
        (RenewalRequest, {"seconds": 15}, "seconds"),
        (DutyRequest, {"duty_percent": {"fan": 43}}, "duty_percent.fan"),
    ],
)
def test_only_finite_numbers_are_numbers(
    model: type[BaseModel], document: dict[str, Any], path: str, value: object
) -> None:
    """Booleans, texts, null and infinities are refused where a number stands, by place."""
    model.model_validate_json(json.dumps(document))

    assert problem(model, changed(document, path, value)).startswith(path)


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("api", 2, "api is 2, and this program speaks version 1"),
        ("api", True, "api should be a valid integer"),
        ("bench", "", "bench: string should have at least 1 character"),
        ("bench", "two\nlines", "bench must be printable text on one line"),
        ("actuators.fan.role", "heater", "actuators.fan.role should be 'fan' or 'pump'"),
        ("actuators.fan.tachometer", 1, "actuators.fan.tachometer should be a valid boolean"),
        ("actuators.fan.max_duty_percent", 101, "should be less than or equal to 100"),
        ("actuators.fan.max_duty_percent", 5, "must not be above max_duty_percent"),
        ("lease_max_s", 0, "lease_max_s should be greater than 0"),
    ],
)
def test_unusable_description(path: str, value: object, words: str) -> None:
    """What is wrong with a description is said in words with its place."""
    assert words in problem(BenchAnswer, changed(BENCH, path, value))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("time", "2026-01-02T03:04:05"),
        ("time", 1767323045),
        ("control", "auto"),
        ("actuators.fan.rpm", -1),
        ("actuators.fan.duty_percent", 100.5),
    ],
)
def test_unusable_state(path: str, value: object) -> None:
    """A local time, an unknown control, a negative speed or a duty above 100 % is refused."""
    assert problem(StateAnswer, changed(STATE, path, value)).startswith(path)


@pytest.mark.parametrize("field", STATE)
def test_missing_field_of_a_state(field: str) -> None:
    """Every published field has to be there."""
    assert problem(StateAnswer, {k: v for k, v in STATE.items() if k != field}) == (
        f"{field} is missing"
    )


@pytest.mark.parametrize("secret", ["", "a b", "a\r\nX: y", "schlüssel"])
def test_lease_that_no_header_can_carry(secret: str) -> None:
    """A lease that cannot go into a header is refused when it comes, not when it is used."""
    assert problem(LeaseAnswer, {"lease": secret, "expires_in_s": 5}).startswith("lease")


def test_duty_for_nothing_is_refused() -> None:
    """A request that names no actuator is refused."""
    assert problem(DutyRequest, {"duty_percent": {}}).startswith("duty_percent")


def test_not_json() -> None:
    """Text that is not JSON is called that."""
    with pytest.raises(ValidationError) as caught:
        StateAnswer.model_validate_json("<html>")

    assert problem_in(caught.value.errors()) == "it is not JSON"
