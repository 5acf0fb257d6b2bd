"""File names from what people call things."""

import re
import unicodedata

__all__ = ["file_stem"]

_LONGEST = 60


def file_stem(name: str) -> str:
    """Return a name as a file name without an ending, safe on every platform.

    Parameters
    ----------
    name : str
        Such as the name of a cooler or of an input.

    Returns
    -------
    str
        Small ASCII letters, digits and hyphens; ``unnamed`` when nothing is left.

    Examples
    --------
    >>> file_stem("Isthmus 2x140 / grey")
    'isthmus-2x140-grey'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST].strip("-") or "unnamed"
