"""One entry of the glossary."""

from __future__ import annotations

from typing import NamedTuple


class Term(NamedTuple):
    """Unit and meaning of one name."""

    unit: str
    meaning: str
