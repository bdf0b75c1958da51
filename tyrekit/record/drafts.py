"""What is half typed, kept on disk beside the book until it is whole enough to be saved.

A draft is no entry: it may be overwritten and thrown away, and nothing reads it but the panel
that kept it. A kernel that dies in mid-entry then loses nothing.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime

from tyrekit.record import seals
from tyrekit.record.book import Book
from tyrekit.record.book_file import opened


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
        at, text = datetime.now(UTC).isoformat(), json.dumps(content, ensure_ascii=False)
        self._run(
            "INSERT OR REPLACE INTO drafts (name, at, content, sha256) VALUES (?, ?, ?, ?)",
            (name, at, text, seals.draft_seal(name, at, text)),
        )

    def drop(self, name: str) -> None:
        """Throw a draft away; there need be none. Errors as `keep`."""
        if name in self.of(name):
            self._run("DELETE FROM drafts WHERE name = ?", (name,))

    def of(self, start: str) -> dict[str, dict[str, str]]:
        """Return name -> content of the drafts whose names begin with `start`."""
        if isinstance(self.book.source, bytes):
            return {}
        with opened(self.book.source, self.book.event.meeting.zone) as connection:
            if not seals.has(connection, "drafts"):
                return {}
            rows = connection.execute("SELECT name, content FROM drafts ORDER BY name").fetchall()
        return {name: json.loads(text) for name, text in rows if name.startswith(start)}

    def _run(self, statement: str, values: tuple[str, ...]) -> None:
        if isinstance(self.book.source, bytes):
            return
        with opened(self.book.source, self.book.event.meeting.zone, write=True) as connection:
            seals.seal_new(connection)
            connection.execute(statement, values)
            seals.seal_drafts(connection)
