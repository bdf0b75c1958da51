"""Trials of the book's trust: killed, raced, cut off from power, without room, locked.

Each trial returns a `Row` of figures; `study_book.py` runs many cases of each, the tests a few.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from book_model import Model, Op, next_op, read_model, tokens
from invented_event import event_head

from tyrekit.record import copies
from tyrekit.record.book import Book
from tyrekit.record.book_history import history
from tyrekit.record.drafts import Drafts
from tyrekit.record.event import Event, load_event
from tyrekit.record.intake import keep, open_book

TYRES = """tyre_id,spec,new,marked,age_laps,distance_km,heat_cycles
N1,hard,1,1,0,0,0
N2,hard,1,1,0,0,0
"""
SESSION = """[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:00:00"
minutes = 30
value = 0.0
"""


class Row(NamedTuple):
    """One line of the table; `wrong` counts values that were read wrong and not told."""

    what: str
    cases: int
    lost: int
    twice: int
    wrong: int
    note: str = ""


def weekend(folder: Path) -> Path:
    """Make an invented weekend with a book and return its folder."""
    (folder / "book").mkdir(parents=True)
    (folder / "event.toml").write_text(event_head() + SESSION)
    (folder / "book" / "tyres.csv").write_text(TYRES)
    keep(open_book(folder, event_of(folder)), folder)
    return folder


def event_of(folder: Path) -> Event:
    return load_event(folder / "event.toml")


def seen_by_kit(folder: Path) -> Model:
    """Read everything in a book through the kit, which must find it sound; then by plain SQL.

    The current rows and the history the kit shows are held against the plain reading.
    """
    event, path = event_of(folder), folder / "book.sqlite"
    book = Book(path, event)
    tread, drafts = book.read("tread"), Drafts(book).of("")
    told = history(path, event.meeting.zone)
    plain = read_model(path)
    gone = {e.supersedes for e in plain.entries.values()}
    current = {
        n: e for n, e in plain.entries.items()
        if e.sheet == "tread" and n not in gone and not e.removed
    }  # fmt: skip
    shown = (
        {int(n): (row["inner_mm"], row["token"]) for n, row in tread.iterrows()}
        if len(tread)
        else {}
    )
    wanted = {n: (float(e.cells["inner_mm"]), e.cells["token"]) for n, e in current.items()}
    assert shown == wanted, "the kit shows other rows than its file holds"
    assert list(told["entry"]) == list(plain.entries) and drafts == plain.drafts
    return plain


@dataclass
class Writer:
    """A running `book_writer.py`."""

    process: subprocess.Popen[str]

    def send(self, folder: Path, ops: Sequence[Op], **more: object) -> int:
        """Give an order and return the process id that does it."""
        assert self.process.stdin is not None
        order = {"folder": str(folder), "ops": list(ops), **more}
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()
        name, pid = self.line()
        assert name == "ready"
        return int(pid)

    def line(self) -> list[str]:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the writer has ended"
        return line.rstrip("\n").split(" ", 2)

    def to_end(self) -> list[list[str]]:
        """Return the lines of an order until it is done."""
        found = []
        while (line := self.line()) != ["end"]:
            found.append(line)
        return found

    def run(self, folder: Path, ops: Sequence[Op], **more: object) -> list[list[str]]:
        self.send(folder, ops, **more)
        return [line for line in self.to_end() if line[0] != "try"]


@contextmanager
def writer() -> Iterator[Writer]:
    here = Path(__file__).parent
    with subprocess.Popen(
        [sys.executable, str(here / "book_writer.py")], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    ) as process:  # fmt: skip
        yield Writer(process)
        assert process.stdin is not None
        process.stdin.close()


@dataclass
class Frozen:
    """A book's files as a kill left them, and what it may hold: what was confirmed, or one more."""

    files: dict[str, bytes]
    allowed: list[Model]
    older: bytes  # the book's file some saves before


@dataclass
class Kills:
    """What happened over many kills."""

    killed: int = 0
    inside: int = 0
    journals: int = 0
    kept_whole: int = 0
    copies: int = 0
    lost: int = 0
    twice: int = 0
    wrong: int = 0
    frozen: list[Frozen] = field(default_factory=list)

    def compare(self, found: Model, allowed: Sequence[Model]) -> None:
        """Count what differs from what was confirmed, or from that and one save more."""
        self.twice += sum(count > 1 for count in Counter(tokens(found)).values())
        if found in allowed:
            return
        confirmed = allowed[0]
        missing = [n for n in confirmed.entries if n not in found.entries]
        self.lost += len(missing) or int(confirmed.drafts != found.drafts)
        self.wrong += not missing

    def count(self, line: Sequence[str], words: str) -> None:
        """A save that cannot be made has to be refused in these words."""
        self.wrong += line[0] != "refused" or words not in line[2]

    def row(self) -> Row:
        note = (
            f"{self.killed} kills, {self.inside} inside a save, {self.journals} with a journal"
            f" left, {self.kept_whole} unconfirmed saves whole on disk, {self.copies} copies sound"
        )
        return Row("saves killed", self.inside, self.lost, self.twice, self.wrong, note)


def kill_saves(
    place: Path, saves: int, rng: np.random.Generator, *, keep_frozen: int = 0, per_book: int = 40
) -> Kills:
    """Kill writers inside a save until so many saves were hit, and look at the book each time."""
    done, number = Kills(), 0
    with writer() as program:
        while done.inside < saves:
            folder = weekend(place / f"kill-{number}")
            number += 1
            length_s = _save_s(program, folder, rng)
            for _ in range(per_book):
                _kill_once(program, folder, rng, length_s, done, keep_frozen)
                if done.inside >= saves:
                    break
            made = copies.copies_of(folder / "book.sqlite")
            done.copies += len(made)
            done.wrong += sum(bool(copies.state_of(copy.path).trouble) for copy in made)
            shutil.rmtree(folder)
    return done


def _save_s(program: Writer, folder: Path, rng: np.random.Generator) -> float:
    """Return how long a save takes here, s: the median of a few."""
    model, ops = read_model(folder / "book.sqlite"), []
    for _ in range(5):
        ops.append(next_op(model, rng))
        model.apply(ops[-1])
    took = [float(line[2]) for line in program.run(folder, ops) if line[0] == "saved"]
    return float(np.median(took))


def _kill_once(
    program: Writer, folder: Path, rng: np.random.Generator, length_s: float, done: Kills,
    keep_frozen: int,
) -> None:  # fmt: skip
    """Let a writer make some saves, kill it at a random moment of the last, and compare."""
    path = folder / "book.sqlite"
    older = path.read_bytes()
    models, ops = [read_model(path)], []
    last = int(rng.integers(0, 3))
    for _ in range(last + 1):
        ops.append(next_op(models[-1], rng))
        models.append(models[-1].copy())
        models[-1].apply(ops[-1])
    pid = program.send(folder, ops)
    while program.line() != ["try", str(last)]:
        pass
    time.sleep(rng.uniform(0, 1.1 * length_s))
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
    confirmed = last + sum(line[0] == "saved" for line in program.to_end())
    allowed = models[confirmed : confirmed + 2]
    done.killed += 1
    done.inside += confirmed == last
    journal = path.with_name("book.sqlite-journal")
    if journal.exists() and journal.stat().st_size > 0:
        done.journals += 1
        if len(done.frozen) < keep_frozen:
            done.frozen.append(Frozen(files_of(folder), allowed, older))
    done.compare(seen_by_kit(folder), allowed)
    done.kept_whole += confirmed == last and read_model(path) == models[-1]


def files_of(folder: Path) -> dict[str, bytes]:
    names = ("book.sqlite", "book.sqlite-journal")
    return {n: (folder / n).read_bytes() for n in names if (folder / n).exists()}


def race(place: Path, entries: int, rng: np.random.Generator) -> Row:
    """Let two processes make so many entries each at once; each must be there once."""
    folder = weekend(place / "race")
    whole: list[list[Op]] = []
    for who in range(2):
        rows = [
            {
                "taken_at": f"2026-05-{16 + who}T{9 + i // 3600:02}:{i // 60 % 60:02}:{i % 60:02}Z",
                "tyre_id": "N1", "inner_mm": f"{rng.uniform(2, 6):.2f}", "centre_mm": "5.0",
                "outer_mm": "5.0", "token": f"{who}-{i}",
            }
            for i in range(entries)
        ]  # fmt: skip
        whole.append([["append", "tread", [row]] for row in rows])
    confirmed: list[str] = []
    refused = 0
    with writer() as one, writer() as two:
        programs = (one, two)
        for program, ops, who in zip(programs, whole, ("Kim", "Lee"), strict=True):
            program.send(folder, ops, who=who)
        for number, program in enumerate(programs):
            for line in program.to_end():
                refused += line[0] == "refused"
                if line[0] == "saved":
                    confirmed.append(f"{number}-{line[1]}")
    found = seen_by_kit(folder)
    counts = Counter(tokens(found))
    sent = {op[2][0]["token"]: op[2][0] for ops in whole for op in ops}
    wrong = sum(e.cells != sent[e.cells["token"]] for e in found.entries.values() if e.save_id > 1)
    lost = sum(token not in counts for token in confirmed)
    twice = sum(count > 1 for count in counts.values())
    unsaid = len(counts) - len(confirmed)
    note = f"{len(confirmed)} confirmed, {refused} refused, {unsaid} there without being confirmed"
    return Row("entries raced, 2 processes", 2 * entries, lost, twice, wrong + unsaid, note)
