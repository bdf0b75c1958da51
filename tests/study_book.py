"""How far the book can be trusted: ``python tests/study_book.py [saves] [entries] [damaged]``

Writers are killed inside so many saves (500), two processes race with so many entries each (500),
so many books (600) are damaged as by a power cut or a worn stick and opened; then saves without
room, in a folder that cannot be written and beside another program. What a book must hold comes
from a model of the contract (`book_model.py`), never from the kit. About ten minutes on two quiet
cores; as root a small disk is filled, else only files are limited in size.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from book_damage import cut_power, frozen_at_rest, kill_restores
from book_obstacles import held, no_room, read_only
from book_trials import Row, kill_saves, race

SEED = 20_000
FROZEN = 60  # books as kills left them, to be damaged


def rows(saves: int = 500, entries: int = 500, damaged: int = 600) -> Iterator[Row]:
    """Yield the figures of each trial as it ends."""
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory(prefix="book-study-") as own:
        place = Path(own)
        kills = kill_saves(place, saves, rng, keep_frozen=FROZEN)
        yield kills.row()
        yield race(place, entries, rng)
        frozen = [*kills.frozen, *frozen_at_rest(place, 10, rng)]
        yield cut_power(place, frozen, damaged, rng).row()
        cases = max(damaged // 20, 4)
        yield kill_restores(place, 2 * cases, rng)
        yield no_room(place, cases, rng)
        if os.geteuid() == 0:
            yield no_room(place, cases, rng, disk=True)
        yield read_only(cases, rng, kills.frozen)
        yield held(place, cases, rng)


def main(saves: int = 500, entries: int = 500, damaged: int = 600) -> int:
    """Print the table and return 1 when anything was lost, there twice or wrong in silence."""
    print(f"{'what':28}{'cases':>7}{'lost':>6}{'twice':>7}{'silent wrong':>14}")
    bad = 0
    for row in rows(saves, entries, damaged):
        print(f"{row.what:28}{row.cases:7}{row.lost:6}{row.twice:7}{row.wrong:14}  {row.note}")
        sys.stdout.flush()
        bad += row.lost + row.twice + row.wrong
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:4])))
