"""Text as people and loggers save it: encodings told apart by the bytes, numbers by the comma."""

from __future__ import annotations

import codecs
import unicodedata

BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
LONGEST_NAME, LONGEST_TEXT = 200, 10_000
UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")  # Unicode's classes of characters without a picture
JOINERS = "\u200c\u200d"  # which some scripts need within a word
TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"  # they change the order


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


def name_problem(text: str) -> str:
    """Return why a text cannot name a thing, "" when it can: it is read off a screen or a sheet."""
    if len(text) > LONGEST_NAME:
        return f"it must have at most {LONGEST_NAME} characters"
    for letter in text:
        if unicodedata.category(letter) in UNSEEN and letter not in JOINERS:
            return f"it may not hold {_code(letter)}, which cannot be seen"
    return ""


def text_problem(text: str) -> str:
    """Return why a text of several lines cannot be kept, "" when it can."""
    if len(text) > LONGEST_TEXT:
        return f"it must have at most {LONGEST_TEXT} characters"
    for letter in text:
        if letter in TURNING or (
            unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\t\n\r"
        ):
            return f"it may not hold {_code(letter)}, which changes how the rest is shown"
    return ""


def _code(letter: str) -> str:
    name = unicodedata.name(letter, "a control character").lower()
    return f"U+{ord(letter):04X} ({name})"


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
