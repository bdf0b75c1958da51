"""What a book's file must not bring along: links, other files' names, statements of its own.

SQLite runs triggers, views and rules that stand in a file, and at opening finishes what a journal
beside it says. A book from a stranger's stick may hold others than the kit's.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path

from tyrekit.errors import BookError
from tyrekit.record import ledger
from tyrekit.record.own_files import own_file, own_folder

BESIDE = ("", "-journal", "-wal", "-shm")  # the files of one SQLite book
JOURNAL_END = b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7"  # SQLITE-FORMAT, section 3: a journal's magic
SEALED_DRAFTS = ", sha256 TEXT"


def own_book(path: Path) -> None:
    """See that a book and what stands beside it lead nowhere else; call before it is opened.

    Raises
    ------
    BookError
        One is a link, or its journal names another file: SQLite would take that file away once
        the journal is played back.
    """
    own_folder(path.with_name(f"{path.name}-copies"), f"{path.name}-copies")
    for tail in BESIDE:
        own_file(path.with_name(path.name + tail), path.name + tail, BookError)
    journal = path.with_name(f"{path.name}-journal")
    if journal.exists() and journal.read_bytes()[-len(JOURNAL_END) :] == JOURNAL_END:
        raise BookError(
            "this journal names another file",
            where=journal.name,
            rule="the kit's own journals name none; SQLite would take that file away",
            next_step="Take the journal out of the folder; the book is then as it stands.",
        )


def objects(connection: sqlite3.Connection) -> str:
    """Return in words what in a book's structure is not the kit's own, "" when all is."""
    rows = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    for *place, sql in rows:
        kind, name, _ = place
        if not all(isinstance(word, str) for word in (*place, sql or "")):
            return "its list of tables is damaged"
        if sql is None:
            own = name.startswith("sqlite_autoindex_")
        else:  # a table listed under another name would be there and never looked at
            own = _known().get(_dense(sql)) == tuple(place)
        if not own:
            return f"it holds a {kind} that is not the kit's: {name[:60]!r}"
    return ""


@cache
def _known() -> dict[str, tuple[str, str, str]]:
    """Return every statement the kit makes books with, without its spaces -> how it is listed."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(ledger.SCHEMA)
        made = connection.execute(
            "SELECT sql, type, name, tbl_name FROM sqlite_master WHERE sql IS NOT NULL"
        )
        listed = {_dense(sql): (kind, name, table) for sql, kind, name, table in made}
    unsealed = {
        sql.replace(_dense(SEALED_DRAFTS), ""): place
        for sql, place in listed.items()
        if place == ("table", "drafts", "drafts")
    }
    return listed | unsealed


def _dense(sql: str) -> str:
    return "".join(sql.split())
