"""The glossary: every column, result field and public quantity, with unit and meaning.

A test compares this with the tables and signatures of the kit: a quantity has one name.
Corner names are fl, fr, rl, rr; ``{corner}`` in a name stands for each of them.
"""

from __future__ import annotations

from tyrekit.terms.fit import FIT
from tyrekit.terms.model import MODEL
from tyrekit.terms.race_plan import RACE_PLAN
from tyrekit.terms.record import RECORD
from tyrekit.terms.term import Term
from tyrekit.terms.tyre_plan import TYRE_PLAN

__all__ = ["CORNERS", "TERMS", "Term"]

CORNERS = ("fl", "fr", "rl", "rr")
TERMS: dict[str, Term] = {**RECORD, **MODEL, **FIT, **RACE_PLAN, **TYRE_PLAN}
