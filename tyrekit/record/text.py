"""Text as people and loggers save it: encodings told apart by the bytes, numbers by the comma."""

from __future__ import annotations

import codecs

BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def encoding_of(data: bytes) -> str:
    """Return the encoding of a text from its first bytes.

    Parameters
    ----------
    data : bytes
        The file, or its first part; a character cut off at the end is forgiven.

    Notes
    -----
    A byte-order mark decides; then zero bytes in every second place (UTF-16); then whether the
    bytes are valid UTF-8; the rest is cp1252, in which every file can be read.
    """
    for mark, name in BOMS:
        if data.startswith(mark):
            return name
    head = data[:4096]
    if len(head) > 3 and head[1::2].count(0) > 0.8 * len(head[1::2]):
        return "utf-16-le"
    if len(head) > 3 and head[0::2].count(0) > 0.8 * len(head[0::2]):
        return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def decode(data: bytes) -> str:
    """Return the text of a whole file, whichever of the accepted encodings it is in."""
    return data.decode(encoding_of(data), errors="replace").replace("\r\n", "\n")


def number(text: str) -> float:
    """Return the number a person wrote, with a decimal point or a decimal comma.

    Raises
    ------
    ValueError
        For anything that is not one finite number; ``1.234,5`` and ``1,234.5`` are refused
        because a thousands separator is never used in the book.
    """
    plain = text.strip().replace("−", "-")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    value = float(plain.replace("_", "x"))
    if value != value or value in (float("inf"), float("-inf")):
        raise ValueError(text)
    return value
