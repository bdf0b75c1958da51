"""A table for typing numbers in, as a widget: the browser helps, this side decides.

Texts are kept as typed until they are good; a row's group of columns is handed to `on_save` once
it is whole and in range. Nothing typed is thrown away: what is not saved yet is handed to
`on_typed`, and stays when the book changes under it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import anywidget
import traitlets

Save = Callable[[str, str, dict[str, float]], str]
Typed = Callable[[str, dict[str, str]], None]
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


@dataclass(frozen=True)
class Column:
    """One column: its name in the book, what is shown, and the range a value must lie in.

    Columns of one `group` are saved together; `digits` is what the instrument reads to. All
    values are below 10, so that digits without a point are read as one before it.
    """

    name: str
    label: str
    unit: str
    lowest: float
    highest: float
    digits: int
    group: str

    def with_point(self, text: str) -> str:
        """Return digits typed without a point as they are read: 42 is 4.2, 205 is 2.05."""
        plain = text.strip()
        if not re.fullmatch(r"\d{2,}", plain):
            return plain
        read = f"{plain[0]}.{plain[1:]}"
        return read if self.lowest <= float(read) <= self.highest else plain

    def value(self, text: str) -> float:
        """Return the number a text stands for, decimal comma or point.

        Raises
        ------
        ValueError
            Not a number, or out of range, said in words.
        """
        plain = self.with_point(text).replace(",", ".")
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
    on_typed : callable(key, texts), optional
        Told what a row holds that is not saved, by column; empty when all is.
    on_look : callable(), optional
        Called every few seconds while a person sees the table, and when they come back to it.
    """

    _esm = Path(__file__).with_name("entry_table.js")
    _css = Path(__file__).with_name("entry_table.css")
    columns = traitlets.List(traitlets.Dict()).tag(sync=True)
    rows = traitlets.List(traitlets.Dict()).tag(sync=True)
    status = traitlets.Dict().tag(sync=True)
    caption = traitlets.Unicode("").tag(sync=True)
    name = traitlets.Unicode("").tag(sync=True)
    focus = traitlets.Unicode("").tag(sync=True)

    def __init__(
        self,
        columns: Sequence[Column],
        rows: Sequence[tuple[str, str]],
        on_save: Save,
        caption: str = "",
        on_typed: Typed | None = None,
        on_look: Callable[[], object] | None = None,
    ) -> None:
        self._asked = tuple(columns)
        self._on_save = on_save
        self._on_typed = on_typed or (lambda key, texts: None)
        self._on_look = on_look or (lambda: None)
        self._saved: dict[tuple[str, str], dict[str, float]] = {}
        self._said: dict[tuple[str, str], str] = {}
        self._on_disk: dict[tuple[str, str], str] = {}  # what was said when a group was saved
        super().__init__(columns=[asdict(c) for c in columns], caption=caption)
        self.show_rows(rows)
        self.on_msg(self._on_message)

    def ask(self, columns: Sequence[Column]) -> None:
        """Ask for the same columns read to other decimals, or within another range."""
        self._asked = tuple(columns)
        self.columns = [asdict(column) for column in columns]

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

    def show_saved(self, key: str, texts: Mapping[str, str]) -> None:
        """Show what is on disk for one row; what is typed and not saved stays, and is said."""
        row = self._row(key)
        if row is None:
            return
        shown: dict[str, str] = {}
        for group in self._groups():
            own = self._columns(group)
            typed = self._is_typed(row, group)
            self._saved.pop((key, group), None)
            self._on_disk.pop((key, group), None)
            held = {c.name: texts[c.name] for c in own if texts.get(c.name)}
            if len(held) == len(own):
                self._saved[key, group] = {c.name: c.value(held[c.name]) for c in own}
            if typed and self._is_typed(row, group):
                there = f"; the book has {' '.join(held.values())}" if held else ""
                self._said[key, group] = f"{group} typed, not saved{there}"
                continue
            shown |= {c.name: held.get(c.name, "") for c in own}
            self._said[key, group] = f"{group} saved" if held else ""
        self.fill(key, **shown)
        self._tell(key)

    def restore(self, key: str, texts: Mapping[str, str]) -> None:
        """Put back what was typed before the program ended, and say that it is not saved."""
        row = self._row(key)
        known = {c.name: texts[c.name] for c in self._asked if texts.get(c.name)}
        if row is None or not known:
            return
        self.fill(key, **known)
        for group in dict.fromkeys(c.group for c in self._asked if c.name in known):
            self._said[key, group] = f"{group} kept from before, not saved: Enter saves it"
        self._tell(key)

    def unsaved(self, key: str) -> dict[str, str]:
        """Return the texts of a row that are not what is saved, by column."""
        row = self._row(key)
        if row is None:
            return {}
        open_groups = [group for group in self._groups() if self._is_typed(row, group)]
        return {c.name: row[c.name] for c in self._asked if c.group in open_groups and row[c.name]}

    def go_to(self, key: str) -> None:
        """Put the keyboard into the first empty cell of a row, unless it is in the table."""
        self.focus = key
        self.send({"kind": "focus", "key": key})  # also when it is the row named before

    def commit(self, key: str) -> bool:
        """Save what is whole and good in a row and say what became of it.

        Returns whether all of it is on disk, as an entry or as what is not saved yet.
        """
        row = self._row(key)
        if row is None:
            return True
        for group in self._groups():
            self._said[key, group] = self._commit_group(row, group)
        self._tell(key)
        return self._kept(key)

    def _row(self, key: str) -> dict[str, str] | None:
        return next((row for row in self.rows if row["key"] == key), None)

    def _groups(self) -> list[str]:
        return list(dict.fromkeys(column.group for column in self._asked))

    def _columns(self, group: str) -> list[Column]:
        return [column for column in self._asked if column.group == group]

    def _is_typed(self, row: dict[str, str], group: str) -> bool:
        """Whether a group's texts are neither empty nor the values on disk."""
        texts = {c: row[c.name] for c in self._columns(group) if row[c.name].strip()}
        try:
            values = {c.name: c.value(text) for c, text in texts.items()}
        except ValueError:
            return True
        return bool(values) and values != self._saved.get((row["key"], group))

    def _tell(self, key: str) -> None:
        """Show what became of a row's groups."""
        said = [words for group in self._groups() if (words := self._said.get((key, group)))]
        self.status = {**self.status, key: "; ".join(said)}

    @traitlets.validate("rows")
    def _texts_only(self, proposal: Any) -> list[dict[str, str]]:
        names = {column.name for column in self._asked} | {"key", "label", "edit"}
        return [{k: _text(row.get(k, "")) for k in sorted(names)} for row in proposal["value"]]

    def _commit_group(self, row: dict[str, str], group: str) -> str:
        """Save one group of a row; returns what to show, empty when nothing was typed."""
        key, asked = row["key"], self._columns(group)
        typed = [column for column in asked if row[column.name].strip()]
        if not typed:
            return f"{group} emptied here, still in the book" if (key, group) in self._saved else ""
        missing = [column.label for column in asked if column not in typed]
        try:
            values = {column.name: column.value(row[column.name]) for column in typed}
            if missing:
                return f"{', '.join(missing)} to come, not saved yet"
            if self._saved.get((key, group)) == values:
                return self._on_disk.get((key, group), f"{group} saved")
            said = self._on_save(key, group, values)
        except Exception as error:  # shown in the row: an entry must never vanish in silence
            return f"! not saved: {error}"
        self._saved[key, group] = values
        self._on_disk[key, group] = said
        return said

    def _on_message(self, _widget: Any, content: Any, _buffers: Any) -> None:
        """Take what the browser says was typed in a row, and save it when the row is left."""
        if isinstance(content, dict) and content.get("kind") == "look":
            self._on_look()
        if not isinstance(content, dict) or not isinstance(content.get("texts"), dict):
            return
        key, texts = str(content.get("key")), content["texts"]
        known = {column.name: _text(texts.get(column.name, "")) for column in self._asked}
        with self.hold_sync():
            self.fill(key, **known)
            on_disk = self.commit(key) if content.get("kind") == "row" else self._kept(key)
            if on_disk:  # as an entry or a draft: the browser may forget it
                self.fill(key, edit=str(content.get("edit", 0)))

    def _kept(self, key: str) -> bool:
        """Hand on what a row holds that is not saved; say when it could not be kept."""
        try:
            self._on_typed(key, self.unsaved(key))
        except Exception as error:  # as above: what is typed still stands in its cells
            self._said[key, self._groups()[0]] = f"! not kept on disk: {error}"
            self._tell(key)
            return False
        return True


def _text(value: object) -> str:
    """Return what stands in a cell as text; booleans and odd things are nobody's numbers."""
    return value if isinstance(value, str) else "" if value is None else str(value)
