"""Books damaged as by a power cut or a worn stick, opened, and put back as the message says."""

from __future__ import annotations

import json
import os
import shutil
import signal
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from book_model import Model, next_op, read_model, tokens
from book_trials import Frozen, Kills, Row, event_of, files_of, seen_by_kit, weekend, writer
from book_writer import do

from tyrekit.errors import BookError
from tyrekit.record import copies
from tyrekit.record.book import Book
from tyrekit.record.restoration import restore

PAGE = 4096


# what damages a book's files; each returns the damaged ones, or None where it does not apply
def _cut(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def _flip(data: bytes, rng: np.random.Generator) -> bytes:
    place, bit = int(rng.integers(0, len(data))), int(rng.integers(0, 8))
    return data[:place] + bytes([data[place] ^ (1 << bit)]) + data[place + 1 :]


def _flip_value(data: bytes, rng: np.random.Generator) -> bytes:
    """Flip a bit in the digits of a value typed, where SQLite itself sees nothing."""
    places = [i for i in range(len(data)) if data.startswith(b'_mm": "', i)]
    if not places:
        return _flip(data, rng)
    place = int(rng.choice(places)) + 7 + int(rng.choice([0, 2, 3]))
    return data[:place] + bytes([data[place] ^ (1 << int(rng.integers(0, 4)))]) + data[place + 1 :]


def _zero(data: bytes, rng: np.random.Generator) -> bytes:
    size = int(rng.choice([512, PAGE]))
    place = int(rng.integers(0, max(len(data) // size, 1))) * size
    return data[:place] + bytes(min(size, len(data) - place)) + data[place + size :]


DAMAGES = {"cut short": _cut, "a bit flipped": _flip, "a value's bit flipped": _flip_value,
           "a sector or page zeroed": _zero}  # fmt: skip


def damaged(frozen: Frozen, number: int, rng: np.random.Generator) -> dict[str, bytes]:
    """Return a book's files with one fault of a power cut or a worn stick in them."""
    files = dict(frozen.files)
    name = (
        "book.sqlite"
        if "book.sqlite-journal" not in files or number % 2
        else ("book.sqlite-journal")
    )
    kind = (number // 2) % (len(DAMAGES) + 2)
    if kind < len(DAMAGES):
        files[name] = list(DAMAGES.values())[kind](files[name], rng)
    elif kind == len(DAMAGES):  # a page was never written
        data, page = files["book.sqlite"], int(rng.integers(0, len(files["book.sqlite"]) // PAGE))
        old = frozen.older[page * PAGE : (page + 1) * PAGE] or bytes(PAGE)
        files["book.sqlite"] = data[: page * PAGE] + old + data[(page + 1) * PAGE :]
    elif "book.sqlite-journal" in files:  # the journal never reached the disk
        del files["book.sqlite-journal"]
    else:
        files["book.sqlite"] = _flip_value(files["book.sqlite"], rng)
    return files


@dataclass
class Cuts:
    """What happened over many damaged books."""

    cases: int = 0
    right: int = 0
    told: int = 0
    whole_again: int = 0
    copy_again: int = 0
    lost: int = 0
    twice: int = 0
    wrong: int = 0
    faults: Counter[str] = field(default_factory=Counter)

    def row(self) -> Row:
        note = (
            f"{self.right} read right, {self.told} told; of those restored {self.whole_again} to"
            f" the last confirmed save, {self.copy_again} to the copy or a save between"
        )
        if self.faults:
            note += f"; FAULTS {dict(self.faults)}"
        return Row("power cut, damage", self.cases, self.lost, self.twice, self.wrong, note)


def cut_power(place: Path, frozen: Sequence[Frozen], cases: int, rng: np.random.Generator) -> Cuts:
    """Damage books that kills left behind, open each, and restore those that are told damaged."""
    done = Cuts()
    folder = weekend(place / "cut")
    for number in range(cases):
        one = frozen[int(rng.integers(0, len(frozen)))]
        copied = _lay_out(folder, one, damaged(one, number, rng))
        done.cases += 1
        try:
            found = seen_by_kit(folder)
        except BookError as error:
            done.told += 1
            _restore(folder, str(error), one, copied, done)
            continue
        except Exception as error:
            done.faults[f"{type(error).__name__}: {error}"[:80]] += 1
            done.wrong += 1
            continue
        done.right += found in one.allowed
        kills = Kills()
        kills.compare(found, one.allowed)
        done.lost, done.twice = done.lost + kills.lost, done.twice + kills.twice
        done.wrong += kills.wrong
    shutil.rmtree(folder)
    return done


def _lay_out(folder: Path, one: Frozen, files: dict[str, bytes]) -> Model:
    """Put damaged files into a weekend beside a copy of some saves before; return that copy's."""
    for path in folder.glob("book.sqlite*"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    (folder / "book.sqlite").write_bytes(one.older)
    copies.make(folder / "book.sqlite", event_of(folder).sessions[0].start)
    before = read_model(folder / "book.sqlite")
    (folder / "book.sqlite").unlink()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return before


def _restore(folder: Path, message: str, one: Frozen, copied: Model, done: Cuts) -> None:
    """Do what the message says; the book is then the confirmed one or the copy, nothing else."""
    if (
        "newest good copy" not in message
        or f'tyrekit book "{folder}" restore newest' not in message
    ):
        done.faults[f"no copy offered: {message}"[:160]] += 1
        return
    raw = (folder / "book.sqlite").read_bytes()
    put = restore(folder / "book.sqlite", "newest", event_of(folder).meeting.zone)
    found = seen_by_kit(folder)
    found.drafts = one.allowed[0].drafts  # drafts are no entries; they come from wherever is best
    whole = [replace(m, drafts=found.drafts) for m in one.allowed]
    if put.aside is None or not (put.aside / "book.sqlite").exists():
        done.faults["the damaged book was not set aside"] += 1
    elif "book.sqlite-journal" not in one.files and (
        (put.aside / "book.sqlite").read_bytes() != raw
    ):
        done.faults["the book set aside is not the one that stood there"] += 1
    if found in whole:
        done.whole_again += 1
    elif copied.entries.items() <= found.entries.items() <= whole[-1].entries.items():
        done.copy_again += 1
    else:
        done.faults["restored to something that never was"] += 1
        done.wrong += 1
    done.twice += sum(count > 1 for count in Counter(tokens(found)).values())


def kill_restores(place: Path, cases: int, rng: np.random.Generator) -> Row:
    """Kill the program while it puts a copy back; nothing is lost, and doing it again ends well."""
    done, replaced, length_s = Kills(), 0, 0.0
    with writer() as program:
        for case in range(cases + 1):  # the first is not killed: it says how long this takes
            [one] = frozen_at_rest(place, 1, rng)
            folder = weekend(place / f"restored-{case}")
            path = folder / "book.sqlite"
            copied = _lay_out(folder, one, one.files)
            raw = _damage_what_is_copied(path, copied)
            pid = program.send(folder, [["restore"]])
            assert program.line() == ["try", "0"]
            if case:
                time.sleep(rng.uniform(0, 1.1 * length_s))
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            told = program.to_end()
            length_s = length_s or float(told[0][2])
            done.killed += not told
            asides = folder.glob("book.sqlite-aside/*/book.sqlite")
            done.lost += raw not in (path.read_bytes(), *(p.read_bytes() for p in asides))
            if path.read_bytes() == raw:
                restore(path, "newest", event_of(folder).meeting.zone)
            else:
                replaced += not told
            found, allowed = seen_by_kit(folder), one.allowed
            done.compare(replace(found, drafts=allowed[0].drafts), allowed)
            shutil.rmtree(folder)
    note = f"{done.killed} killed, {replaced} of them with the copy already in place"
    return Row("restoring killed", cases + 1, done.lost, done.twice, done.wrong, note)


def _damage_what_is_copied(path: Path, copied: Model) -> bytes:
    """Flip a bit in a value that the copy holds as well, so that all can be had back."""
    whole = path.read_bytes()
    for entry in copied.entries.values():
        text = json.dumps(entry.cells, ensure_ascii=False).encode()
        place = whole.find(text) + 2
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        if copies.state_of(path).trouble:
            return path.read_bytes()
    raise AssertionError("nothing could be damaged")


def frozen_at_rest(place: Path, number: int, rng: np.random.Generator) -> list[Frozen]:
    """Return books between two saves, with some saves since an older state."""
    found = []
    for i in range(number):
        folder = weekend(place / f"rest-{i}")
        path, event = folder / "book.sqlite", event_of(folder)
        model, older = read_model(path), path.read_bytes()
        for step in range(8):
            op = next_op(model, rng)
            do(Book(path, event), op, "Kim")
            model.apply(op)
            if step == 3:
                older = path.read_bytes()
        found.append(Frozen(files_of(folder), [model], older))
        shutil.rmtree(folder)
    return found
