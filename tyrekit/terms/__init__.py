"""The glossary: every column, result field and public quantity, with unit and meaning.

A test compares this with the tables and signatures of the kit: a quantity has one name.
A corner is FL, FR, RL or RR, in names of columns fl, fr, rl, rr; ``{corner}`` in a name stands
for each of these.
"""

from __future__ import annotations

from tyrekit.terms.fit import FIT
from tyrekit.terms.model import MODEL
from tyrekit.terms.race_plan import RACE_PLAN
from tyrekit.terms.record import RECORD
from tyrekit.terms.term import Term
from tyrekit.terms.tyre_plan import TYRE_PLAN

__all__ = ["CORNERS", "CORNER_NAMES", "TERMS", "Term"]

CORNER_NAMES = ("FL", "FR", "RL", "RR")
CORNERS = tuple(name.lower() for name in CORNER_NAMES)
TERMS: dict[str, Term] = {**RECORD, **MODEL, **FIT, **RACE_PLAN, **TYRE_PLAN}
