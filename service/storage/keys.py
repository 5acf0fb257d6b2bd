"""Ids: of what was measured, made from what was measured; of everything else, by chance."""

import json
import secrets
from collections.abc import Mapping
from typing import Any

from service.storage.hashes import hash_of_bytes

__all__ = ["content_key", "random_key"]

_DIGITS = 32


def content_key(kind: str, content: str | Mapping[str, Any]) -> str:
    """Return the id of something by what it is.

    The same content has the same id in every archive, so that nothing is kept twice however often
    it is added or imported.

    Parameters
    ----------
    kind : str
        What it is.
    content : str or mapping
        A name, or a document as JSON types.

    Returns
    -------
    str
        32 hexadecimal digits.
    """
    text = json.dumps([kind, content], sort_keys=True, separators=(",", ":"))
    return hash_of_bytes(text.encode())[:_DIGITS]


def random_key() -> str:
    """Return an id that nothing else has."""
    return secrets.token_hex(_DIGITS // 2)
