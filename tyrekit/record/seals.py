"""Seals: for every save a sha256 of all it holds and of the seal before it.

SQLite tells a broken structure; a changed digit only a seal tells. Each draft has one too, and all
together: else a page that never reached the disk would bring an earlier draft back unseen. A book
made before there were seals gets them with its next save.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence

from tyrekit.record import foreign, ledger

SEALED = 2  # the version from which every save and every draft has its seal
TOGETHER = 3  # the version from which the drafts have one together
BEFORE_FIRST = ""  # what stands for the seal before the first save's
PARTS = {
    "saves": ("save_id", "who", "at", "undoes"),
    "entries": ("save_id", "row_id", "sheet", "line", "supersedes", "first", "removed", "cells"),
    "files": ("save_id", "sheet", "sha256"),
}
Row = tuple[object, ...]
_WRONG_VERSION = "its version is not the one it was written with"
UNREADABLE = (sqlite3.Error, UnicodeDecodeError)  # SQLite may quote what is no text
Content = dict[str, list[Row]]  # part -> rows of one save


def seal_new(connection: sqlite3.Connection) -> None:
    """Seal the saves that have no seal yet; a book without seals gets them all."""
    if (now := version(connection)) < ledger.VERSION:
        if now < SEALED:
            for statement in ledger.SEALS:
                connection.execute(statement)
            _seal_each_draft(connection)
        connection.execute(ledger.DRAFTS)
        connection.execute(ledger.DRAFTS_SEAL)
        connection.execute(f"PRAGMA user_version = {ledger.VERSION}")
        seal_drafts(connection)
    seals = read(connection)
    before = seals[max(seals)] if seals else BEFORE_FIRST
    contents = read_contents(connection, after=max(seals, default=0))
    for save_id in sorted(contents):
        before = seal(before, contents[save_id])
        connection.execute("INSERT INTO seals VALUES (?, ?)", (save_id, before))


def trouble(connection: sqlite3.Connection) -> str:
    """Return in words what is broken in a book, "" when every value is the one that was saved."""
    if strange := foreign.objects(connection):
        return strange
    try:
        found = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if found != "ok":
            return " ".join(found.replace("*", " ").split())
        contents = read_contents(connection)
        if version(connection) >= SEALED:
            return (
                broken_seal(contents, read(connection))
                or _changed_draft(connection)
                or _changed_drafts(connection)
            )
        for save_id, content in contents.items():  # no seals: what can be told without
            for row in content["entries"]:
                if not isinstance(json.loads(str(row[-1])), dict):
                    return f"an entry of save {save_id} cannot be read"
        if has(connection, "seals"):
            return _WRONG_VERSION
    except (ValueError, TypeError) as error:
        return f"an entry cannot be read ({error})"
    return ""


def broken_seal(contents: Mapping[int, Content], seals: Mapping[int, str]) -> str:
    """Return in words which save is the first that its seal does not fit, "" when all fit."""
    before = BEFORE_FIRST
    for save_id in sorted({*contents, *seals}):
        content = contents.get(save_id, {})
        if not content.get("saves"):
            return f"save {save_id} is missing"
        if save_id not in seals:
            return f"save {save_id}{_by(content)} has lost its seal"
        if seal(before, content) != seals[save_id]:
            return f"what save {save_id}{_by(content)} holds is not what was saved"
        before = seals[save_id]
    return ""


def seal(before: str, content: Mapping[str, Sequence[Row]]) -> str:
    """Return the sha256 of a save's rows and of the seal before it."""
    parts = [before, *([list(row) for row in content.get(part, ())] for part in PARTS)]
    return _sha256(parts)


def read(connection: sqlite3.Connection) -> dict[int, str]:
    """Return save id -> its seal."""
    return dict(connection.execute("SELECT save_id, sha256 FROM seals ORDER BY save_id").fetchall())


def read_contents(connection: sqlite3.Connection, after: int = 0) -> dict[int, Content]:
    """Return save id -> all rows it holds, of the saves after one."""
    rows = (
        (part, row)
        for part, names in PARTS.items()
        for row in connection.execute(
            f"SELECT {', '.join(names)} FROM {part} NOT INDEXED WHERE save_id > ? ORDER BY rowid",
            (after,),
        )
    )
    return by_save(rows)


def by_save(rows: Iterator[tuple[str, Row]]) -> dict[int, Content]:
    """Return save id -> part -> rows, of (part, row) whose rows begin with the save's id."""
    contents: dict[int, Content] = {}
    for part, row in rows:
        content = contents.setdefault(int(str(row[0])), {name: [] for name in PARTS})
        content[part].append(tuple(row))
    return contents


def version(connection: sqlite3.Connection) -> int:
    """Return the version a book was written with."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def draft_seal(name: str, at: str, content: str) -> str:
    """Return the sha256 of a draft."""
    return _sha256([name, at, content])


def seal_drafts(connection: sqlite3.Connection) -> None:
    """Seal the drafts together, on a page of its own."""
    connection.execute(
        "INSERT OR REPLACE INTO drafts_seal VALUES (1, ?)", (_sha256(_draft_seals(connection)),)
    )


def _changed_draft(connection: sqlite3.Connection) -> str:
    if version(connection) < TOGETHER and not has(connection, "drafts"):
        return ""
    rows = connection.execute("SELECT name, at, content, sha256 FROM drafts").fetchall()
    wrong = [name for name, at, content, sha256 in rows if draft_seal(name, at, content) != sha256]
    return f"the draft {wrong[0]!r} is not what was typed" if wrong else ""


def _changed_drafts(connection: sqlite3.Connection) -> str:
    if version(connection) < TOGETHER:
        return _WRONG_VERSION if has(connection, "drafts_seal") else ""
    drafts = _draft_seals(connection)
    kept = connection.execute("SELECT sha256 FROM drafts_seal").fetchall()
    if kept == [(_sha256(drafts),)] or not (kept or drafts):  # a new book has neither
        return ""
    return "a draft is missing, or an earlier one is back"


def _draft_seals(connection: sqlite3.Connection) -> list[Row]:
    return connection.execute("SELECT name, sha256 FROM drafts ORDER BY name").fetchall()


def _seal_each_draft(connection: sqlite3.Connection) -> None:
    """Seal the drafts of a book made before there were seals."""
    if not has(connection, "drafts"):
        return
    connection.execute("ALTER TABLE drafts ADD COLUMN sha256 TEXT")
    for name, at, content in connection.execute("SELECT name, at, content FROM drafts").fetchall():
        connection.execute(
            "UPDATE drafts SET sha256 = ? WHERE name = ?", (draft_seal(name, at, content), name)
        )


def has(connection: sqlite3.Connection, table: str) -> bool:
    """Whether a book has this table; one of an earlier version may lack some."""
    found = connection.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    return found is not None


def _by(content: Content) -> str:
    _, who, at, _ = content["saves"][0]
    return f" (by {who} at {at})"


def _sha256(parts: Sequence[object]) -> str:
    text = json.dumps(parts, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
