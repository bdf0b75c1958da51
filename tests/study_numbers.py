"""No wrong answer in silence: weekends changed in ways that must not matter, and degenerate ones.

`whole_route` takes a folder along every public surface in one process and returns all that was
said and written; `faults_in` finds what no crew may read (nan, inf, None). `CHANGES` change a
weekend in ways that must leave its answer as it is; `numbers` counts what was tried and was wrong.

Run for figures: ``python tests/study_numbers.py [examples]``.
"""

from __future__ import annotations

import html
import io
import json
import random
import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from degenerate_weekends import DEGENERATE, extreme
from plain_weekends import Plain, plain, with_offset
from rich.console import Console

from tyrekit.errors import TyrekitError
from tyrekit.plan.fuel_load import fuel_load
from tyrekit.record.weekend import Weekend
from tyrekit.show import review_page, sheet
from tyrekit.show.answer import Answer, answer
from tyrekit.show.report import check_renderable, report_renderable
from tyrekit.show.review import review
from tyrekit.show.review_page import review_text, write_review
from tyrekit.show.sheet import write_sheets

# a number or a name that never was: as a word of its own, outside of addresses and code
NEVER = re.compile(r"(?<![\w./%-])(?:nan|NaN|-?inf|None(?! of)|NaT|<NA>|Traceback)(?![\w(%])")
MISSING = re.compile(r"(?<=: )NaN(?=[,}])")  # a mark without a band: Vega leaves it out
DRAWN = re.compile(r"<(script|style)\b.*?</\1>|<[^>]*>", re.DOTALL)


@dataclass
class Route:
    """What a weekend said on its way: texts by surface, or the error it was refused with."""

    texts: dict[str, str] = field(default_factory=dict)
    refused: str = ""
    answer: Answer | None = None


def printed(what: object) -> str:
    """Return what a terminal 100 columns wide shows."""
    console = Console(width=100, file=io.StringIO())
    console.print(what)
    return console.file.getvalue()


def drawn(chart: Any) -> str:
    """Stand in for the picture of a chart: its data as text, a hundred times as fast."""
    told = json.dumps(chart.to_dict(validate=False), default=str)
    return f"<p>{html.escape(MISSING.sub('null', told))}</p>"


def whole_route(folder: Path, *, pictures: bool = False) -> Route:
    """Return what check, report, sheets and review say of a folder; a clear error is an answer.

    Without pictures each chart stands in the pages as the data it would draw.
    """
    route = Route()
    before = sheet.svg, review_page.svg
    try:
        if not pictures:
            sheet.svg = review_page.svg = drawn
        _told(folder, route)
    except TyrekitError as error:
        route.refused = route.texts["refused"] = str(error)
    finally:
        sheet.svg, review_page.svg = before
    return route


def _told(folder: Path, route: Route) -> None:
    weekend = Weekend.open(folder)
    route.answer = found = answer(weekend)
    route.texts["check"] = printed(check_renderable(weekend, found.fits.doubts))
    write_sheets(found, folder / "out")
    route.texts["report"] = printed(report_renderable(found))
    fits = (found.fuel_use, found.lap_time, found.tread, found.pressure)
    route.texts["summaries"] = "\n".join(fit.summary() for fit in fits)
    made = review(weekend, found.fits)
    route.texts["review"] = review_text(made, write_review(made, folder / "out"))
    for path in sorted((folder / "out").iterdir()):
        if path.suffix in {".html", ".toml", ".csv"}:
            route.texts[path.name] = path.read_text(encoding="utf-8")


def read_by_people(name: str, text: str) -> str:
    """Return a page without its markup, scripts and styles."""
    return html.unescape(DRAWN.sub(" ", text)) if name.endswith(".html") else text


def faults_in(route: Route) -> list[str]:
    """Return what no crew may read, each with where it stands."""
    found = []
    for name, text in route.texts.items():
        shown = read_by_people(name, text)
        for match in NEVER.finditer(shown):
            around = shown[max(match.start() - 50, 0) : match.end() + 30]
            found.append(f"{name}: ...{' '.join(around.split())}...")
    return found


# -- what an answer says, in figures --------------------------------------------------------------

Figures = dict[str, float | str]
TYRE_COLUMNS = ("fl", "fr", "rl", "rr")


def figures(folder: Path, names: Mapping[str, str] | None = None) -> Figures:
    """Return every figure of a folder's answer, keyed by what it is.

    `names` maps tyre ids of the folder to those to call them by, so that renamed weekends compare.
    """
    weekend = Weekend.open(folder)
    found = answer(weekend, plan_only=True)
    fits = found.fits
    loads = {
        s.id: fuel_load(weekend.event, s, fits.fuel_use, fits.lap_time)
        for s in weekend.event.sessions_after(weekend.done)
    }
    said: Figures = {}
    for row in fits.laps.sort_values(["run_id", "lap"]).to_dict("records"):
        at = f"lap {row['run_id']} {row['lap']}"
        for name in (*LAP_FIGURES, "kind", "counts"):
            said[f"{at} {name}"] = row[name] if isinstance(row[name], str) else float(row[name])
    for of, fit in (("lap", fits.lap_time), ("fuel", fits.fuel_use), ("tread", fits.tread),
                    ("pressure", fits.pressure)):  # fmt: skip
        for name, mean, sd in zip(fit.params.index, fit.params, fit.bse, strict=True):
            key = f"{of} {_called(str(name), names)}"
            said[f"{key} mean"], said[f"{key} sd"] = float(mean), float(sd)
        said[f"{of} rows"] = float(fit.n_rows)
    plan = found.allocation
    said["plan"], said["plan cost"] = plan.status, float(plan.cost_s)
    for name, load in loads.items():
        said[f"load {name} kg"], said[f"load {name} need"] = load.start_kg, load.need_kg
    if found.cold_pressures is not None:
        for row in found.cold_pressures.table.to_dict("records"):
            for name in ("cold_bar", "lower_bar", "upper_bar"):
                said[f"cold {row['corner']} {name}"] = float(row[name])
    said["doubts"] = "; ".join(sorted(doubt.name for doubt in found.doubts))
    return said


LAP_FIGURES = (
    "lap_time_s",
    "fuel_kg",
    "age_laps",
    "fuel_used_l",
    "air_c",
    "track_c",
    "heat_cycles",
)


def _called(name: str, names: Mapping[str, str] | None) -> str:
    """Return a parameter's name with its tyres called by their first names."""
    head, _, inside = name.partition(":")
    if not names or head not in ("set_s",):
        bare = name.removeprefix("tyre_wear_pct[").removesuffix("]")
        return f"tyre_wear_pct[{(names or {}).get(bare, bare)}]" if bare != name else name
    return f"{head}:{names.get(inside, inside)}"


# -- changes that must not matter -----------------------------------------------------------------

Change = Callable[[Plain, random.Random], "Renamed"]
Renamed = Mapping[str, str] | None
UNITS = {  # unit, kit's unit -> that unit, exact by definition (SP811 for psi)
    "Time": {"ms": lambda s: s * 1000, "min": lambda s: s / 60},
    "Speed": {
        "m/s": lambda v: v / 3.6, "mph": lambda v: v / 1.609344, "kn": lambda v: v / 1.852,
    },
    "Used": {"ml": lambda v: v * 1000, "cc": lambda v: v * 1000, "gal": lambda v: v / 3.785412},
    "Air": {"degF": lambda c: c * 1.8 + 32, "K": lambda c: c + 273.15},
    **{
        f"P{c.upper()}": {
            "kPa": lambda b: b * 100, "psi": lambda b: b * 100 / 6.894757,
            "hPa": lambda b: b * 1000, "MPa": lambda b: b / 10,
        }
        for c in TYRE_COLUMNS
    },
}  # fmt: skip
ODD_IDS = (
    "a b", "007", "7", "0007", "=1+1", "<b>x</b>", '"q"', "it's", "[red]N1[/red]", "é ü 轮胎",
    "N.1", "-", "a;b", "a,b", "N1\\", "&amp;", "@x", "+1", "1e5", "U1 U2", "#1", "a/b", "..",
    "tyre:1", "{x}", "%s", "$1", "*", "_n_", "|", "x" * 60, "nan", "None", "inf", "True", "1.0",
)  # fmt: skip
LOG_UNITS = tuple((column, unit) for column, units in UNITS.items() for unit in units)


def in_units(one: Plain, rng: random.Random) -> Renamed:
    """The logger counts in other units, told in [log]."""
    for column, units in UNITS.items():
        unit = rng.choice([one.units[column], *units])
        if unit == one.units[column]:
            continue
        one.units[column] = unit
        for log in one.logs.values():
            log[column] = units[unit](log[column].astype(float))
    return None


def rows_shuffled(one: Plain, rng: random.Random) -> Renamed:
    """The rows of the book stand in another order."""
    for rows in one.book.values():
        rng.shuffle(rows)
    return None


def columns_shuffled(one: Plain, rng: random.Random) -> Renamed:
    """The columns stand in another order, with columns nobody knows between them."""
    for table, rows in one.book.items():
        if not rows:
            continue
        names = [*rows[0], "seen by", "<b>"]
        rng.shuffle(names)
        one.book[table] = [{n: row.get(n, "nan") for n in names} for row in rows]
    for name, log in one.logs.items():
        one.logs[name] = log[rng.sample([*log], len([*log]))]
    return None


def saved_elsewhere(one: Plain, rng: random.Random) -> Renamed:
    """A spreadsheet saved the tables its own way: separators, commas, line ends, encodings."""
    comma = rng.random() < 0.5
    encoding, start = rng.choice(
        [("utf-8", ""), ("utf-8", "\ufeff"), ("utf-16-le", "\ufeff"), ("cp1252", "")]
    )
    one.csv = {
        "comma": comma, "sep": ";" if comma else rng.choice([",", ";", "\t"]),
        "end": rng.choice(["\n", "\r\n"]), "encoding": encoding, "start": start,
    }  # fmt: skip
    return None


def in_zone(one: Plain, rng: random.Random) -> Renamed:
    """The same instants told in another time zone, with offsets or without."""
    one.zone = rng.choice(
        ["UTC", "America/New_York", "Asia/Kolkata", "Pacific/Kiritimati", "Australia/Lord_Howe",
         "America/St_Johns", "Africa/Casablanca"]
    )  # fmt: skip
    one.clock = rng.choice([None, with_offset])
    return None


def tyres_renamed(one: Plain, rng: random.Random) -> Renamed:
    """Tyres by odd names; in the order of the old names, since equal plans are told apart by it."""
    old = [row["tyre_id"] for row in one.book["tyres"]]
    new = dict(zip(old, rng.sample(ODD_IDS, len(old)), strict=True))
    for rows in one.book.values():
        for row in rows:
            for key in ("tyre_id", *TYRE_COLUMNS):
                if key in row:
                    row[key] = new[row[key]]
    back = {name: was for was, name in new.items()}
    for row in one.book["runs"]:
        four = [row[c] for c in TYRE_COLUMNS]
        back[" ".join(four)] = " ".join(back[tyre_id] for tyre_id in four)
    return back


CHANGES: dict[str, Change] = {
    change.__name__.replace("_", " "): change
    for change in (
        in_units, rows_shuffled, columns_shuffled, saved_elsewhere, in_zone, tyres_renamed,
    )
}  # fmt: skip


def differences(one: Figures, two: Figures, tolerance: float = 1e-6) -> list[str]:
    """Return the figures in which two answers differ by more than rounding."""
    found = [f"{key} only in one" for key in one.keys() ^ two.keys()]
    for key in one.keys() & two.keys():
        a, b = one[key], two[key]
        if isinstance(a, str) or isinstance(b, str):
            same = a == b
        else:
            same = a == b or abs(a - b) <= tolerance * max(1.0, abs(a)) or (a != a and b != b)
        if not same:
            found.append(f"{key}: {a} and {b}")
    return sorted(found)


# -- figures --------------------------------------------------------------------------------------


@dataclass
class Numbers:
    """What was tried, and in how many cases a wrong answer came in silence."""

    properties: int = 0
    examples: int = 0
    same: int = 0
    refused: int = 0
    degenerate: int = 0
    extreme: int = 0
    wrong: list[str] = field(default_factory=list)

    def rows(self) -> list[tuple[str, int]]:
        """Return the figures by name."""
        return [
            ("kinds of change that must not matter", self.properties),
            ("weekends changed so", self.examples),
            ("answers equal to rounding", self.same),
            ("refused in words", self.refused),
            ("degenerate weekends along the whole route", self.degenerate),
            ("extreme but legal weekends along it", self.extreme),
            ("wrong in silence", len(self.wrong)),
        ]


def numbers(examples: int = 20, seed: int = 1) -> Numbers:
    """Return the figures of `examples` weekends per change, as many extreme ones, all degenerate.

    A changed weekend is right when every figure of its answer is that of the weekend unchanged, or
    when it is refused in words; a traceback, nan, inf or None where people read is wrong.
    """
    found, rng = Numbers(properties=len(CHANGES)), random.Random(seed)
    before: dict[tuple[int, bool], Figures] = {}
    for name, change in CHANGES.items():
        for _ in range(examples):
            key = (rng.randint(1, 3), name in ("in units", "columns shuffled"))
            if key not in before:
                with TemporaryDirectory() as folder:
                    before[key] = figures(plain(key[0], logged=key[1]).write(Path(folder)))
            one = plain(key[0], logged=key[1])
            names = change(one, rng)
            found.examples += 1
            try:
                with TemporaryDirectory() as folder:
                    apart = differences(before[key], figures(one.write(Path(folder)), names))
            except TyrekitError:
                found.refused += 1
                continue
            except Exception as error:
                apart = [repr(error)]
            found.same += not apart
            found.wrong += [f"{name}: {text}" for text in apart[:1]]
    for name, made in DEGENERATE.items():
        found.degenerate += 1
        found.wrong += _wrong(name, made())
    for _ in range(examples):
        found.extreme += 1
        found.wrong += _wrong("extreme", extreme(rng))
    return found


def _wrong(name: str, one: Plain) -> list[str]:
    try:
        with TemporaryDirectory() as folder:
            faults = faults_in(whole_route(one.write(Path(folder))))
            return [f"{name}: {fault}" for fault in faults[:1]]
    except Exception as error:
        return [f"{name}: {error!r}"]


def main() -> None:
    found = numbers(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
    for name, count in found.rows():
        print(f"{name:45} {count:6}")
    print(*found.wrong, sep="\n")
    sys.exit(bool(found.wrong))


if __name__ == "__main__":
    main()
