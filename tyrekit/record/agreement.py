"""Whether the book agrees with itself and with event.toml: what breaks this is an error."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import pandas as pd

from tyrekit.errors import BookError
from tyrekit.record.event import Event, Lock
from tyrekit.record.tables import id_ranges
from tyrekit.terms import CORNERS

Tables = Mapping[str, pd.DataFrame]
Place = Callable[[str, int], str]  # table and row id -> where that row stands

KEYS: dict[str, tuple[str, ...]] = {
    "tyres": ("tyre_id",),
    "runs": ("run_id",),
    "laps": ("run_id", "lap"),
    "locks": ("session",),
    "left_out": ("run_id", "lap"),
}


def problems(tables: Tables, event: Event, place: Place) -> Iterator[BookError]:
    """Yield every contradiction within the book, and between the book and the event."""
    for table, key in KEYS.items():
        yield from _twice(table, tables[table], key, place)
    yield from _new_tyres(tables["tyres"], place)
    yield from _runs(tables, event, place)
    yield from _alike(tables["runs"], place)
    yield from _same_start(tables["runs"], place)
    for table, column, home in (
        ("laps", "run_id", "runs"),
        ("tread", "tyre_id", "tyres"),
        ("tread", "after_run", "runs"),
        ("pressures", "run_id", "runs"),
        ("temperatures", "run_id", "runs"),
        ("fuel", "run_id", "runs"),
        ("left_out", "run_id", "runs"),
    ):
        yield from _unknown(tables, table, column, home, place)
    yield from _event_locks(tables["tyres"], event)
    yield from _book_locks(tables, event, place)


def not_in(kind: str, name: str, known: list[str], where: str, lists: str) -> BookError:
    """Return the error for a name that a list does not hold."""
    return BookError(
        f"{kind} {name!r} is not in {lists}",
        where=where,
        rule=f"it has {id_ranges(known)}",
        next_step=f"Add it to {lists} or correct the row."
        + (" A tyre that is out stays listed, with scrapped yes." if kind == "tyre" else ""),
    )


def _twice(
    table: str, rows: pd.DataFrame, key: tuple[str, ...], place: Place
) -> Iterator[BookError]:
    seen: dict[tuple[object, ...], int] = {}
    for row_id, *values in rows[list(key)].itertuples():
        if (first := seen.setdefault(tuple(values), row_id)) != row_id:
            named = " ".join(f"{k} {v!r}" for k, v in zip(key, values, strict=True))
            yield BookError(
                f"{named} is there twice",
                where=place(table, row_id),
                rule=f"it is already in {place(table, first)}",
                next_step="Remove one row or correct its name.",
            )


def _new_tyres(tyres: pd.DataFrame, place: Place) -> Iterator[BookError]:
    for row_id, row in tyres[tyres["new"] & (tyres["age_laps"] > 0)].iterrows():
        yield BookError(
            f"tyre {row['tyre_id']!r} is new and has run {row['age_laps']:g} laps",
            where=place("tyres", int(str(row_id))),
            rule="new means unused before the event",
            next_step="Set new to 0, or age_laps to 0.",
        )


def _runs(tables: Tables, event: Event, place: Place) -> Iterator[BookError]:
    tyres = list(tables["tyres"]["tyre_id"])
    sessions = [session.id for session in event.sessions]
    drivers = [driver.name for driver in event.drivers]
    for row_id, row in tables["runs"].iterrows():
        where = place("runs", int(str(row_id)))
        if row["session"] not in sessions:
            yield not_in("session", row["session"], sessions, where, "event.toml")
        if row["driver"] not in drivers:
            yield not_in("driver", row["driver"], drivers, where, "event.toml")
        yield from _fitted(row, tyres, where)


def _alike(runs: pd.DataFrame, place: Place) -> Iterator[BookError]:
    """Yield runs whose four tyres are others than an earlier run's but read the same in a row."""
    seen: dict[str, tuple[str, ...]] = {}
    for row_id, row in runs.iterrows():
        four = tuple(str(row[corner]) for corner in CORNERS)
        if (first := seen.setdefault(" ".join(four), four)) != four:
            yield BookError(
                f"the tyres {', '.join(four)} and {', '.join(first)} read alike",
                where=place("runs", int(str(row_id))),
                rule="a set goes by the names of its tyres with a space between",
                next_step="Give these tyres names without spaces.",
            )


def _fitted(row: pd.Series, tyres: list[str], where: str) -> Iterator[BookError]:
    """Yield tyres of a row that nobody listed or that are on two corners; empty means free."""
    for tyre_id in dict.fromkeys(row[corner] for corner in CORNERS if row[corner]):
        if tyre_id not in tyres:
            yield not_in("tyre", tyre_id, tyres, where, "the tyre list")
        on = [corner.upper() for corner in CORNERS if row[corner] == tyre_id]
        if len(on) > 1:
            yield BookError(
                f"tyre {tyre_id!r} is on {' and '.join(on)}",
                where=where,
                rule="a tyre is on one corner at a time",
                next_step="Correct the row.",
            )


def _same_start(runs: pd.DataFrame, place: Place) -> Iterator[BookError]:
    ordered = runs.sort_values("start", kind="stable")
    for (one, a), (two, b) in zip(ordered.iterrows(), list(ordered.iterrows())[1:], strict=False):
        if a["start"] == b["start"]:
            yield overlap(
                a["run_id"], b["run_id"], f"both start at {a['start']:%Y-%m-%d %H:%M:%S}",
                place("runs", max(int(str(one)), int(str(two)))),
            )  # fmt: skip


def overlap(one: str, two: str, evidence: str, where: str) -> BookError:
    """Return the error for two runs of the car at the same time."""
    return BookError(
        f"runs {one} and {two} overlap: {evidence}",
        where=where,
        rule="the car makes one run at a time",
        next_step="Correct a start time, or the log a run names.",
    )


def _unknown(
    tables: Tables, table: str, column: str, home: str, place: Place
) -> Iterator[BookError]:
    key = KEYS[home][0]
    known = list(tables[home][key])
    kind = "tyre" if home == "tyres" else "run"
    lists = "the tyre list" if home == "tyres" else "the runs"
    for row_id, name in tables[table][column].items():
        if name and name not in known:
            yield not_in(kind, name, known, place(table, int(str(row_id))), lists)


def _book_locks(tables: Tables, event: Event, place: Place) -> Iterator[BookError]:
    tyres, sessions = list(tables["tyres"]["tyre_id"]), [session.id for session in event.sessions]
    for row_id, row in tables["locks"].iterrows():
        where = place("locks", int(str(row_id)))
        if row["session"] not in sessions:
            yield not_in("session", row["session"], sessions, where, "event.toml")
        if not any(row[corner] for corner in CORNERS):
            yield BookError(
                f"the lock of {row['session']!r} names no tyre",
                where=where,
                rule=f"at least one of {', '.join(CORNERS)} is filled in",
                next_step="Fill in a tyre or remove the row.",
            )
        yield from _fitted(row, tyres, where)


def _event_locks(tyres: pd.DataFrame, event: Event) -> Iterator[BookError]:
    known = list(tyres["tyre_id"])
    for i, limit in enumerate(event.limits):
        for tyre_id in limit.tyres.values() if isinstance(limit, Lock) else ():
            if tyre_id not in known:
                where = f"event.toml [[limit]] #{i + 1} (lock) tyres"
                yield not_in("tyre", tyre_id, known, where, "the tyre list")
