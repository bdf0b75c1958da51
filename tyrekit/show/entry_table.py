"""A table for typing numbers in, as a widget: the browser helps, this side decides.

Texts are kept as typed until they are good; a row's group of columns is handed to `on_save` once
it is whole and in range. Nothing typed is thrown away.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import anywidget
import traitlets

Save = Callable[[str, str, dict[str, float]], str]
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


@dataclass(frozen=True)
class Column:
    """One column: its name in the book, what is shown, and the range a value must lie in.

    Columns of one `group` are saved together; `digits` is what the instrument reads to.
    """

    name: str
    label: str
    unit: str
    lowest: float
    highest: float
    digits: int
    group: str

    def value(self, text: str) -> float:
        """Return the number a text stands for, decimal comma or point.

        Raises
        ------
        ValueError
            Not a number, or out of range, said in words.
        """
        plain = text.strip().replace(",", ".")
        if not NUMBER.fullmatch(plain):
            raise ValueError(f"{self.label} {text.strip()} is not a number")
        value = float(plain)
        if value < self.lowest:
            raise ValueError(f"{self.label} is under {self.lowest:g} {self.unit}")
        if value > self.highest:
            raise ValueError(f"{self.label} is over {self.highest:g} {self.unit}")
        return value


class EntryTable(anywidget.AnyWidget):
    """Rows to fill in by keyboard or paste.

    Parameters
    ----------
    columns : sequence of Column
        What is asked for in each row.
    rows : sequence of (key, label)
        One row each: the key handed to `on_save`, and the words beside it.
    on_save : callable(key, group, values) -> str
        Saves one group of one row and returns what to show, such as ``saved 14:02``; raises
        ValueError or InputError with words to show instead.
    caption : str
        Said above the table.
    """

    _esm = Path(__file__).with_name("entry_table.js")
    _css = Path(__file__).with_name("entry_table.css")
    columns = traitlets.List(traitlets.Dict()).tag(sync=True)
    rows = traitlets.List(traitlets.Dict()).tag(sync=True)
    status = traitlets.Dict().tag(sync=True)
    caption = traitlets.Unicode("").tag(sync=True)

    def __init__(
        self,
        columns: Sequence[Column],
        rows: Sequence[tuple[str, str]],
        on_save: Save,
        caption: str = "",
    ) -> None:
        self._asked = tuple(columns)
        self._on_save = on_save
        self._saved: dict[tuple[str, str], dict[str, float]] = {}
        self._said: dict[tuple[str, str], str] = {}
        super().__init__(columns=[asdict(c) for c in columns], caption=caption)
        self.show_rows(rows)
        self.on_msg(self._on_message)

    def show_rows(self, rows: Sequence[tuple[str, str]]) -> None:
        """Show other rows, keeping the texts of those that stay."""
        kept = {row["key"]: row for row in self.rows}
        empty = {"edit": "0"} | {column.name: "" for column in self._asked}
        self.rows = [{**empty, **kept.get(k, {}), "key": k, "label": words} for k, words in rows]
        keys = {key for key, _ in rows}
        self._saved = {k: v for k, v in self._saved.items() if k[0] in keys}
        self._said = {k: v for k, v in self._said.items() if k[0] in keys}
        self.status = {k: v for k, v in self.status.items() if k in keys}

    def fill(self, key: str, **texts: str) -> None:
        """Set texts of one row, as typing would."""
        self.rows = [{**row, **texts} if row["key"] == key else row for row in self.rows]

    def show_saved(self, key: str, texts: dict[str, str]) -> None:
        """Show what is on disk for one row; columns without a text are emptied."""
        self.fill(key, **{column.name: texts.get(column.name, "") for column in self._asked})
        for group in {column.group for column in self._asked}:
            own = [column for column in self._asked if column.group == group]
            self._saved.pop((key, group), None)
            self._said[key, group] = ""
            if all(texts.get(column.name) for column in own):
                self._saved[key, group] = {c.name: c.value(texts[c.name]) for c in own}
                self._said[key, group] = f"{group} in the book"
        self._tell(key)

    def commit(self, key: str) -> None:
        """Save what is whole and good in a row and say what became of it."""
        row = next((row for row in self.rows if row["key"] == key), None)
        if row is None:
            return
        groups = list(dict.fromkeys(column.group for column in self._asked))
        for group in groups:
            self._said[key, group] = self._commit_group(row, group)
        self._tell(key)

    def _tell(self, key: str) -> None:
        """Show what became of a row's groups."""
        groups = dict.fromkeys(column.group for column in self._asked)
        said = [words for group in groups if (words := self._said.get((key, group)))]
        self.status = {**self.status, key: "; ".join(said)}

    @traitlets.validate("rows")
    def _texts_only(self, proposal: Any) -> list[dict[str, str]]:
        names = {column.name for column in self._asked} | {"key", "label", "edit"}
        return [{k: _text(row.get(k, "")) for k in sorted(names)} for row in proposal["value"]]

    def _commit_group(self, row: dict[str, str], group: str) -> str:
        """Save one group of a row; returns what to show, empty when nothing was typed."""
        key = row["key"]
        asked = [column for column in self._asked if column.group == group]
        typed = [column for column in asked if row[column.name].strip()]
        if not typed:
            return ""
        missing = [column.label for column in asked if column not in typed]
        try:
            values = {column.name: column.value(row[column.name]) for column in typed}
            if missing:
                return f"{', '.join(missing)} to come, not saved yet"
            if self._saved.get((key, group)) == values:
                return self._said.get((key, group), "")
            said = self._on_save(key, group, values)
        except Exception as error:  # shown in the row: an entry must never vanish in silence
            return f"! not saved: {error}"
        self._saved[key, group] = values
        return said

    def _on_message(self, _widget: Any, content: Any, _buffers: Any) -> None:
        """Take what the browser says was typed in a row, and save it when the row is left."""
        if not isinstance(content, dict) or not isinstance(content.get("texts"), dict):
            return
        key, texts = str(content.get("key")), content["texts"]
        known = {column.name: _text(texts.get(column.name, "")) for column in self._asked}
        self.fill(key, edit=str(content.get("edit", 0)), **known)
        if content.get("kind") == "row":
            self.commit(key)


def _text(value: object) -> str:
    """Return what stands in a cell as text; booleans and odd things are nobody's numbers."""
    return value if isinstance(value, str) else "" if value is None else str(value)
