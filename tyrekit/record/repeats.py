"""Rows of the book that say exactly what another row says: readings count once, and it is told.

Tyres, runs, laps and locks have a key, and a key that is there twice is refused
(`agreement`). A reading has none: a pasted table pasted again would make every fit surer than it
is. Fuel that was filled in two equal churns is written as two equal rows, so both count there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd

from tyrekit.record.evidence import Doubt, Evidence

SHOWN = 6
READINGS = ("tread", "pressures", "temperatures", "weather")


def counted_once(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return the book's tables with equal rows of readings taken once, the first of them."""
    return {
        name: table[~table.duplicated()] if name in READINGS else table
        for name, table in tables.items()
    }


def row_twice(e: Evidence) -> Iterator[Doubt]:
    """Readings there twice, cell by cell; fuel moved twice in equal amounts at one time."""
    for name in (*READINGS, "fuel"):
        table = e.book.read(name)
        again = table.index[table.duplicated()]
        if not len(again):
            continue
        where = e.row(name, again[0])
        others = [e.row(name, row_id).removeprefix(f"book/{name}.csv ") for row_id in again[:SHOWN]]
        places = ", ".join(others) + (" and more" if len(again) > SHOWN else "")
        if name == "fuel":
            yield Doubt(
                "fuel row twice",
                f"{len(again)} of {len(table)} rows repeat another exactly ({places}): both"
                " count, as two equal churns would",
                0.6, where, "If one was written down twice, take it out of book/fuel.csv.",
            )  # fmt: skip
            continue
        yield Doubt(
            "row twice",
            f"{len(again)} of {len(table)} rows of {name} repeat another exactly"
            f" ({places}): counted once",
            0.9, where, "Nothing is lost by it; if these were two readings, correct a time.",
        )  # fmt: skip


CHECKS = (row_twice,)
