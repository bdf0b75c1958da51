"""What a book must hold after each save, worked out without the kit, and what its file does hold.

The model knows the contract only: a save adds rows with the next numbers; a correction, a removal
and an undo supersede. It is compared with the file by SQL of its own.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

Op = list[Any]  # what to do: its name, then its arguments, as JSON
START = datetime(2026, 5, 16, 9, tzinfo=UTC)


@dataclass(frozen=True)
class Held:
    """One entry: table, cells, the entry it supersedes, whether it removes, and its save."""

    sheet: str
    cells: dict[str, str]
    supersedes: int | None
    removed: bool
    save_id: int


@dataclass
class Model:
    """The entries by number, save -> the save it takes back, and the drafts by name."""

    entries: dict[int, Held] = field(default_factory=dict)
    saves: dict[int, int | None] = field(default_factory=dict)
    drafts: dict[str, dict[str, str]] = field(default_factory=dict)
    first_typed: int = 1

    def copy(self) -> Model:
        return deepcopy(self)

    def live(self) -> list[int]:
        """The typed entries that count now."""
        gone = {e.supersedes for e in self.entries.values()}
        return [
            n for n, e in self.entries.items()
            if n not in gone and not e.removed and e.save_id >= self.first_typed
        ]  # fmt: skip

    def apply(self, op: Op) -> None:
        """Do what the book is asked to do."""
        name, *given = op
        if name == "draft":
            self.drafts[given[0]] = given[1]
            return
        if name == "undo" and self._last_standing() is None:
            return
        save_id = max(self.saves, default=0) + 1
        undone = self._last_standing() if name == "undo" else None
        self.saves[save_id] = undone
        if name == "append":
            for sheet_cells in given[1]:
                self._add(given[0], sheet_cells, None, False, save_id)
        elif name in ("correct", "remove"):
            old = self.entries[given[0]]
            cells = {**old.cells, **(given[1] if name == "correct" else {})}
            self._add(old.sheet, cells, given[0], name == "remove", save_id)
        else:
            self._take_back(undone, save_id)

    def _take_back(self, undone: int | None, save_id: int) -> None:
        typed = [(n, e) for n, e in self.entries.items() if e.save_id == undone]
        for number, entry in reversed(typed):
            before = self.entries.get(entry.supersedes or 0)
            tip = number
            while follower := [n for n, e in self.entries.items() if e.supersedes == tip]:
                tip = follower[0]
            cells = before.cells if before else entry.cells
            self._add(entry.sheet, cells, tip, before is None or before.removed, save_id)

    def _last_standing(self) -> int | None:
        undone = {u for u in self.saves.values() if u}
        standing = [
            s for s, u in self.saves.items() if u is None and s not in undone
            and s >= self.first_typed
        ]  # fmt: skip
        return max(standing, default=None)

    def _add(
        self, sheet: str, cells: dict[str, str], supersedes: int | None, removed: bool, save_id: int
    ) -> None:
        number = max(self.entries, default=0) + 1
        self.entries[number] = Held(sheet, dict(cells), supersedes, removed, save_id)


def next_op(model: Model, rng: np.random.Generator) -> Op:
    """Return something a person may do next: mostly entries, one to six rows a save."""
    live = model.live()
    kinds = ["append", "append", "draft"] + (["correct", "correct", "remove", "undo"] * bool(live))
    kind = str(rng.choice(kinds))
    token = f"t{rng.integers(2**40)}"
    if kind == "append":
        return ["append", "tread", readings(rng, len(model.entries) * 10)]
    if kind == "correct":
        return ["correct", int(rng.choice(live)), {"inner_mm": _depth(rng), "token": token}]
    if kind == "remove":
        return ["remove", int(rng.choice(live))]
    if kind == "draft":
        return ["draft", f"tread {rng.integers(4)}", {"inner_mm": _depth(rng), "token": token}]
    return ["undo"]


def readings(rng: np.random.Generator, second: int) -> list[dict[str, str]]:
    """Return one to six tread readings, taken from a second on, each marked."""
    token = f"t{rng.integers(2**40)}"
    return [_reading(rng, second + i, f"{token}-{i}") for i in range(rng.integers(1, 7))]


def _reading(rng: np.random.Generator, second: int, token: str) -> dict[str, str]:
    """A tread reading at a moment of its own, marked so that it can be found again."""
    at = START + timedelta(seconds=second)
    depths = {f"{place}_mm": _depth(rng) for place in ("inner", "centre", "outer")}
    return {"taken_at": at.isoformat(), "tyre_id": "N1", **depths, "token": token}


def _depth(rng: np.random.Generator) -> str:
    return f"{rng.uniform(2, 6):.2f}"


def read_model(book: Path) -> Model:
    """Return what a book's file holds, read by SQL of the tests' own."""
    with closing(sqlite3.connect(book)) as connection:
        rows = connection.execute(
            "SELECT row_id, sheet, cells, supersedes, removed, save_id FROM entries ORDER BY row_id"
        ).fetchall()
        saves = dict(connection.execute("SELECT save_id, undoes FROM saves ORDER BY save_id"))
        names = [r[0] for r in connection.execute("SELECT name FROM sqlite_master")]
        drafts = []
        if "drafts" in names:
            drafts = connection.execute("SELECT name, content FROM drafts").fetchall()
    return Model(
        {n: Held(sheet, json.loads(cells), s, bool(r), k) for n, sheet, cells, s, r, k in rows},
        saves,
        {name: json.loads(text) for name, text in drafts},
        first_typed=2,
    )


def tokens(model: Model) -> list[str]:
    """Return the mark of every row typed, once for each time it was entered."""
    return [
        e.cells["token"] for e in model.entries.values()
        if "token" in e.cells and e.supersedes is None
    ]  # fmt: skip
