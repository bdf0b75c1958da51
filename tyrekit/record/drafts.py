"""What is half typed, kept on disk beside the book until it is whole enough to be saved.

A draft is no entry: it may be overwritten and thrown away, and nothing reads it but the panel
that kept it. A kernel that dies in mid-entry then loses nothing.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime

from tyrekit.record.book import Book, connected

_TABLE = """
CREATE TABLE IF NOT EXISTS drafts (
    name TEXT PRIMARY KEY, at TEXT NOT NULL, content TEXT NOT NULL)"""


@dataclass(frozen=True)
class Drafts:
    """The drafts of a weekend by name; contents are texts by the name of their box.

    A book that cannot be written keeps none, and has none.
    """

    book: Book

    def keep(self, name: str, content: dict[str, str]) -> None:
        """Put a draft on disk in place of the one of that name.

        Raises
        ------
        BookError
            The book cannot be written.
        """
        if not content:
            self.drop(name)
            return
        at = datetime.now(UTC).isoformat(timespec="seconds")
        self._run(
            "INSERT OR REPLACE INTO drafts VALUES (?, ?, ?)",
            (name, at, json.dumps(content, ensure_ascii=False)),
        )

    def drop(self, name: str) -> None:
        """Throw a draft away; there need be none. Errors as `keep`."""
        self._run("DELETE FROM drafts WHERE name = ?", (name,))

    def of(self, start: str) -> dict[str, dict[str, str]]:
        """Return name -> content of the drafts whose names begin with `start`."""
        rows = self._run("SELECT name, content FROM drafts ORDER BY name", ())
        return {name: json.loads(text) for name, text in rows if name.startswith(start)}

    def _run(self, statement: str, values: tuple[str, ...]) -> list[tuple[str, str]]:
        if isinstance(self.book.source, bytes):
            return []
        with connected(self.book.source) as connection:
            if not _is_there(connection):
                if not statement.startswith("INSERT"):
                    return []
                connection.execute(_TABLE)
            with closing(connection.execute(statement, values)) as found:
                return found.fetchall()


def _is_there(connection: sqlite3.Connection) -> bool:
    found = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'drafts'").fetchone()
    return found is not None
