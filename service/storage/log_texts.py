"""The text of a log, whatever its encoding and however long."""

import codecs
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

from service.errors import DocumentError
from service.storage.log_layout import TableLayout, layout_of

__all__ = ["read_layout", "text_blocks"]

_BLOCK_BYTES: Final = 8 << 20
_SNIFF_BYTES: Final = 1 << 18


def read_layout(path: Path) -> TableLayout:
    """Recognise how a log is laid out.

    Parameters
    ----------
    path : Path
        The log.

    Returns
    -------
    TableLayout
        Its layout.

    Raises
    ------
    DocumentError
        If it cannot be read or is no table.
    """
    try:
        with path.open("rb") as file:
            encoding = _encoding_of(file.read(_SNIFF_BYTES))
            file.seek(0)
            text = file.read(_SNIFF_BYTES).decode(encoding, errors="replace")
    except FileNotFoundError as error:
        raise DocumentError(f"There is no log {path}; check the name.") from error
    except OSError as error:
        raise DocumentError(f"The log {path} cannot be read: {error.strerror or error}.") from error
    if not text.strip():
        raise DocumentError(f"The log {path} is empty.")
    whole = text if len(text) < _SNIFF_BYTES // 4 else text.rpartition("\n")[0]
    layout = layout_of(whole)
    if layout is None:
        raise DocumentError(
            f"The log {path} is no table: no line has two numbers with a comma, a semicolon, a "
            "tabulator, a bar or a blank between them."
        )
    if layout.delimiter == "," and 1 < layout.named < len(layout.names) - 1:
        raise DocumentError(
            f"Line {layout.first_line} of {path} has commas between its cells and within its "
            "numbers, so they cannot be told apart; export it with semicolons between the cells."
        )
    return layout


def _encoding_of(start: bytes) -> str:
    """Encoding of a text by its begin."""
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def text_blocks(file: BinaryIO, first_line: int) -> Iterator[tuple[bytes, int]]:
    """Read whole lines from a line on, many at a time.

    Parameters
    ----------
    file : BinaryIO
        The log, from its begin.
    first_line : int
        Line to begin with, counted from 1.

    Yields
    ------
    tuple of bytes and int
        Lines whose digits and delimiters are as in UTF-8, and the number of the first.
    """
    encoding = _encoding_of(file.read(_SNIFF_BYTES))
    file.seek(0)
    # Only digits and delimiters count below the header, and they are the same in both.
    decoder = codecs.getincrementaldecoder(encoding)("replace") if encoding == "utf-16" else None
    line, rest = 1, b""
    while True:
        piece = file.read(_BLOCK_BYTES)
        data = piece if decoder is None else decoder.decode(piece, final=not piece).encode()
        data = rest + data
        if b"\r" in data and b"\n" not in data:
            data = data.replace(b"\r", b"\n")
        if not piece and data and not data.endswith(b"\n"):
            data += b"\n"
        whole, end, rest = data.rpartition(b"\n")
        block = whole + end
        while block and line < first_line:
            _, end, block = block.partition(b"\n")
            line += 1
        if block:
            yield block, line
            line += block.count(b"\n")
        if not piece:
            return
