"""Saves without room, in a folder that cannot be written, beside a program that holds the file."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from book_model import read_model, readings
from book_trials import Frozen, Kills, Row, files_of, seen_by_kit, weekend, writer


def no_room(place: Path, cases: int, rng: np.random.Generator, *, disk: bool = False) -> Row:
    """Save with less and less room: files limited in size, or a small disk filled (as root)."""
    done, said = Kills(), 0
    with writer() as program, _small_disk(place / "small", disk) as small:
        for case in range(cases):
            folder = weekend(small / f"full-{case}")
            path = folder / "book.sqlite"
            model = read_model(path)
            ops = [["append", "tread", readings(rng, 100 * i)] for i in range(5)]
            room = case * 7 % 30 * 1024
            limit: dict[str, object] = {}
            if disk:
                free = shutil.disk_usage(small).free
                (small / "filler").write_bytes(bytes(max(free - 2 * room, 0)))
            else:
                limit = {"limit": path.stat().st_size // 2 + room}
            for line in program.run(folder, ops, **limit):
                if line[0] == "saved":
                    model.apply(ops[int(line[1])])
                else:
                    done.count(line, "Make room")
                    said += 1
            if disk:
                (small / "filler").unlink()
            done.compare(seen_by_kit(folder), [model])
            done.wrong += (
                program.run(folder, [["append", "tread", readings(rng, 900)]])[0][0] != "saved"
            )
            shutil.rmtree(folder)
    note = f"{said} saves refused and said so"
    what = "no room: a full disk" if disk else "no room: a limit on files"
    return Row(what, cases, done.lost, done.twice, done.wrong, note)


@contextmanager
def _small_disk(place: Path, wanted: bool) -> Iterator[Path]:
    """Mount a disk of 1 MB; without root this raises."""
    place.mkdir(exist_ok=True)
    if not wanted:
        yield place
        return
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", place], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)


def read_only(cases: int, rng: np.random.Generator, frozen: Sequence[Frozen]) -> Row:
    """Save into a folder that cannot be written: refused, said, and the book as it was."""
    done, said = Kills(), 0
    with writer() as program, tempfile.TemporaryDirectory() as own:
        Path(own).chmod(0o755)  # root may write anywhere: the saves are made by another user
        for case in range(cases):
            folder = weekend(Path(own) / f"fixed-{case}")
            if half := (case % 2 == 1 and bool(frozen)):  # its journal cannot be played back here
                for name, data in frozen[case % len(frozen)].files.items():
                    (folder / name).write_bytes(data)
            before = files_of(folder)
            _chmod(folder, 0o555, 0o444)
            ops = [["append", "tread", readings(rng, second)] for second in (1000, 2000)]
            told = program.run(folder, ops, as_nobody=os.geteuid() == 0)
            for line in told:
                done.count(line, "disk that can be")
                said += 1
            done.wrong += files_of(folder) != before
            _chmod(folder, 0o755, 0o644)
            if half:
                done.compare(seen_by_kit(folder), frozen[case % len(frozen)].allowed)
            shutil.rmtree(folder)
    note = f"{said} saves refused and said so"
    return Row("read-only folder", cases, done.lost, done.twice, done.wrong, note)


def _chmod(folder: Path, folders: int, files: int) -> None:
    for path in (folder, *folder.rglob("*")):
        path.chmod(folders if path.is_dir() else files)


def held(place: Path, cases: int, rng: np.random.Generator) -> Row:
    """Save while another program holds the file; it then lets go, or is killed in mid-write."""
    done, said = Kills(), 0
    with writer() as program:
        folder = weekend(place / "held")
        path = folder / "book.sqlite"
        for case in range(cases):
            model = read_model(path)
            op = ["append", "tread", readings(rng, case * 100)]
            other = subprocess.Popen(
                [sys.executable, "-c", HOLDER, str(path), ("EXCLUSIVE", "IMMEDIATE")[case % 2]],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )  # fmt: skip
            with other:
                assert other.stdout is not None and other.stdout.readline() == "held\n"
                told = program.run(folder, [op], busy_s=0.1)
                other.kill()
            done.count(told[0], "Another program")
            said += 1
            done.compare(seen_by_kit(folder), [model])
            done.wrong += program.run(folder, [op])[0][0] != "saved"
            model.apply(op)
            done.compare(seen_by_kit(folder), [model])
    shutil.rmtree(folder)
    note = f"{said} saves refused and said so"
    return Row("held by another program", cases, done.lost, done.twice, done.wrong, note)


HOLDER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("PRAGMA cache_size = 1")
connection.execute("BEGIN " + sys.argv[2])
connection.execute("INSERT INTO saves (who, at) VALUES ('Lee', '2026-05-16T09:00:00+00:00')")
print("held", flush=True)
sys.stdin.read()
"""
