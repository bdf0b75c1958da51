"""A program that writes into a book and says each save only when the kit has: python book_writer.py

Orders come as lines of JSON on standard input: the book's folder, the saves, and what is in the way
(a limit on the size of files, another user). Each order is done by a process of its own, forked
here, so that it can be killed; it answers on standard output: ``ready PID``, then for each save
``try K`` and ``saved K SECONDS``, ``refused K MESSAGE`` or ``fault K ERROR``, at last ``end``.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from tyrekit.errors import BookError
from tyrekit.record import book_file
from tyrekit.record.book import Book
from tyrekit.record.drafts import Drafts
from tyrekit.record.event import load_event
from tyrekit.record.restoration import restore

NOBODY = 65534


def do(book: Book, op: list[Any], who: str) -> None:
    """Do one save by the kit."""
    name, *given = op
    if name == "append":
        book.append_all(given[0], given[1], who)
    elif name == "correct":
        book.correct(given[0], given[1], who)
    elif name == "remove":
        book.remove(given[0], who)
    elif name == "restore":
        assert isinstance(book.source, Path)
        restore(book.source, "newest", book.event.meeting.zone)
    elif name == "undo":
        book.undo(who)
    else:
        Drafts(book).keep(given[0], given[1])


def say(*words: object) -> None:
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


def carry_out(order: dict[str, Any]) -> None:
    """Do an order's saves one after the other."""
    if limit := order.get("limit"):
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    if order.get("as_nobody"):
        os.setgid(NOBODY)
        os.setuid(NOBODY)
    book_file.BUSY_S = order.get("busy_s", book_file.BUSY_S)
    folder = Path(order["folder"])
    say("ready", os.getpid())
    for number, op in enumerate(order["ops"]):
        say("try", number)
        begin = time.perf_counter()
        try:
            event = load_event(folder / "event.toml")
            do(Book(folder / "book.sqlite", event), op, order.get("who", "Kim"))
        except BookError as error:
            say("refused", number, str(error).replace("\n", " "))
        except Exception as error:  # a fault of the kit's own
            say("fault", number, repr(error).replace("\n", " "))
        else:
            say("saved", number, f"{time.perf_counter() - begin:.6f}")


def main() -> None:
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                carry_out(json.loads(line))
            finally:
                os._exit(0)
        os.waitpid(pid, 0)
        say("end")


if __name__ == "__main__":
    main()
