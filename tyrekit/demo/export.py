"""The two weekend folders of the demo as bytes, written and compared."""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from tyrekit.demo import crew, logger
from tyrekit.demo.rules import event_toml
from tyrekit.demo.truth import truth
from tyrekit.demo.weekend import Done, drive_weekend

FOLDERS = {"fenmoor-after-p3": "P3", "fenmoor-complete": "R3"}
WRITTEN_BY_THE_KIT = ("out", "notebooks", "book.sqlite")

ORIGIN = """\
# Where this weekend comes from

Everything in this folder is invented. There is no circuit of this name, no such series, car, driver
or logger; the position of the start line is on open sea. Any likeness is chance.

- `fenmoor-after-p3/`: the weekend as it stands after the third practice. Qualifying, two sprint
  races and a longer race with a stop are still to be planned. This is the demo.
- `fenmoor-complete/`: the same weekend after its last session, for the review; with official lap
  times in `timing/`. What happened up to P3 is the same, byte for byte.

Each folder holds `event.toml`, the book's tables in `book/`, the logger's files in `logs/`, and
`truth.json`: what is true in the simulator. `truth.json` is for tests; no part of the kit reads it.

## How it was made

`python -m tyrekit.demo --out data` writes it, `python -m tyrekit.demo --check` compares it with
what is stored. A simple car is driven round a closed line with curvature: speed is bound by the
tyres' friction ellipse (wear, heat cycles, heat, rubber on the track, load), engine, drag and mass
with the fuel aboard; sliding work wears and heats each tyre; petrol follows from engine power.
Lap-time effects are not put in by hand: they come out of the driving and are measured afterwards.
Then come the faults of real life: a fuel channel that reads low, a position that wanders, gauges
with a spread, traffic, mistakes and a caution. All chance is drawn from fixed seeds.

A fact about files: gzip files are compared by content, for compressors of different make pack
the same text differently. Text is the same on every machine as far as numpy's generators are.

Licence: CC0 1.0, no rights reserved; the generator is under the project's licence (MIT).
"""


@lru_cache(maxsize=1)
def files() -> Mapping[str, bytes]:
    """Return every file of data/ by its path, the same on every call."""
    whole = drive_weekend()
    found = {"ORIGIN.md": ORIGIN.encode()}
    for folder, session in FOLDERS.items():
        done = whole.until(session)
        for name, content in _weekend(done, timed=done.runs == whole.runs).items():
            found[f"{folder}/{name}"] = content
    return MappingProxyType(found)


def _weekend(done: Done, timed: bool) -> dict[str, bytes]:
    found = {"event.toml": event_toml().encode()}
    for table, text in crew.book(done).items():
        found[f"book/{table}.csv"] = text.encode()
    for run in done.runs:
        found[f"logs/{run.plan.run_id}{crew.LOG_SUFFIX}"] = _packed(logger.export(run))
    if timed:
        for session, text in crew.timing(done).items():
            found[f"timing/{session}.csv"] = text.encode()
    found["truth.json"] = (json.dumps(truth(done), indent=1) + "\n").encode()
    return found


def _packed(text: str) -> bytes:
    """Return gzip bytes without a name or a time in them."""
    return gzip.compress(text.encode(), compresslevel=9, mtime=0)


def write(out: Path) -> list[Path]:
    """Write the demo's files below `out` and return their paths; other files are left alone."""
    written = []
    for name, content in files().items():
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        written.append(path)
    return written


def differing(out: Path) -> list[str]:
    """Return what differs between the demo and what is stored: missing, changed, not ours."""
    wanted = files()
    found = [
        f"{name}: {'missing' if not (out / name).is_file() else 'differs'}"
        for name, content in wanted.items()
        if not (out / name).is_file() or _text((out / name).read_bytes()) != _text(content)
    ]
    return found + [f"{name}: not made by the demo" for name in _strangers(out, wanted)]


def _text(content: bytes) -> bytes:
    if content[:2] != b"\x1f\x8b":
        return content
    try:
        return gzip.decompress(content)
    except (OSError, EOFError, zlib.error):
        return b""


def _strangers(out: Path, wanted: Mapping[str, bytes]) -> list[str]:
    """Return files in the demo's folders that are neither ours nor written by the kit."""
    names = [
        path.relative_to(out)
        for folder in FOLDERS
        for path in sorted((out / folder).rglob("*"))
        if path.is_file()
    ]
    return [
        name.as_posix()
        for name in names
        if name.as_posix() not in wanted and not name.parts[1].startswith(WRITTEN_BY_THE_KIT)
    ]
