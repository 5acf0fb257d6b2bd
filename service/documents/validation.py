"""What is wrong with a document or a request body, as words for one sentence."""

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["problem_in"]

_VERBS = ("should ", "must ", "is ")
"""How messages begin that go on from the name of what is wrong."""


def problem_in(errors: Sequence[Mapping[str, Any]], *, skip: int = 0) -> str:
    """Say what is wrong first, without repeating the value, which may be long or secret.

    Parameters
    ----------
    errors : sequence of mapping
        The list that a pydantic validation error gives by its ``errors()``; at least one.
    skip : int, optional
        Leading parts of a location that mean nothing to the reader, such as ``body``.

    Returns
    -------
    str
        Such as ``duty_percent.fan should be a valid number``, without a full stop.
    """
    error = errors[0]
    where = ".".join(str(part) for part in error["loc"][skip:] if part != "[key]")
    # A name that is not printable is one of the things that can be wrong.
    where = (where if where.isprintable() else ascii(where))[:200] or "the whole"
    match error["type"]:
        case "missing":
            return f"{where} is missing"
        case "extra_forbidden":
            return f"{where} is not known"
        case "json_invalid":
            return "it is not JSON"
        case "model_type" | "model_attributes_type" | "dict_type":
            return f"{where} should be a JSON object"
        case _:
            message = str(error["msg"]).removeprefix("Value error, ").removeprefix("Input ")
            message = message[:1].lower() + message[1:]
            return f"{where} {message}" if message.startswith(_VERBS) else f"{where}: {message}"
