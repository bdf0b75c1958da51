"""Faults put into written weekends, one kind each; and whether a doubt found the planted one.

A plant changes the files' contents (`Written`) and returns what a doubt must say: its name, and
words that must stand in its place or evidence. None means that this weekend has no room for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from written_weekends import CORNERS, PLACE_NAMES, Written

Rng = np.random.Generator


class Expected(NamedTuple):
    """Names of doubts that count as found, and a text their place or evidence must hold."""

    names: tuple[str, ...]
    words: str = ""
    size: float = float("nan")  # how large the fault is, where that decides whether it can be seen


Plant = Callable[[Written, Rng], Expected | None]


def found(doubts: Sequence[object], expected: Expected) -> bool:
    """Return whether one of the doubts is the planted fault."""
    return any(
        d.name in expected.names and expected.words in f"{d.where} {d.evidence}"  # type: ignore[attr-defined]
        for d in doubts
    )


def _a_run(w: Written, rng: Rng, least: int = 0) -> dict[str, object]:
    """A run whose log has at least so many crossings of the line."""
    runs = [r for r in w.book["runs"] if _crossings(w.logs[str(r["log"])]) >= least]
    return runs[int(rng.integers(len(runs)))]


def _crossings(log: pd.DataFrame) -> int:
    return int(log["Beacon"].sum() if "Beacon" in log else log["Lap"].max() - 1)


def _as_beacon(w: Written) -> None:
    """Make the logger one with a beacon receiver."""
    for name, log in w.logs.items():
        if "Lap" in log:
            log["Lap"] = (np.concatenate([[0.0], np.diff(log["Lap"])]) > 0).astype(float)
            w.logs[name] = log.rename(columns={"Lap": "Beacon"})


def missed_beacon(w: Written, rng: Rng) -> Expected | None:
    """One pulse between two flying laps is not there; half of the loggers know no speed."""
    _as_beacon(w)
    run = _a_run(w, rng, least=5)
    log = w.logs[str(run["log"])]
    at = np.flatnonzero(log["Beacon"] > 0)
    log.loc[at[int(rng.integers(2, len(at) - 2))], "Beacon"] = 0.0
    maybe_no_speed(w, rng)
    return Expected(("crossing missed",), f"run {run['run_id']},")


def extra_beacon(w: Written, rng: Rng) -> Expected | None:
    """A pulse in the middle of a lap: another trigger, or a reflection."""
    _as_beacon(w)
    run = _a_run(w, rng, least=5)
    log = w.logs[str(run["log"])]
    at = np.flatnonzero(log["Beacon"] > 0)
    k = int(rng.integers(1, len(at) - 2))
    log.loc[int(at[k] + rng.uniform(0.1, 0.9) * (at[k + 1] - at[k])), "Beacon"] = 1.0
    maybe_no_speed(w, rng)
    return Expected(("crossing too many",), f"run {run['run_id']},")


def maybe_no_speed(w: Written, rng: Rng) -> None:
    """Make the logger one that knows no speed, or leave it."""
    if rng.random() < 0.5:
        w.logs = {name: log.drop(columns="Speed") for name, log in w.logs.items()}


def counter_reset(w: Written, rng: Rng) -> Expected | None:
    """The counter of fuel starts again at nothing; at times it also counts nothing for a while."""
    for log in w.logs.values():
        if "Used" not in log:
            step = float(np.median(np.diff(log["Time"])))
            flow = log["Flow"].to_numpy()
            used = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * step / 3600)])
            log["Used"] = np.round(used + 5.0, 3)
            w.units["Used"] = w.told["Used"] = "l"
    run = _a_run(w, rng, least=4)
    log = w.logs[str(run["log"])]
    used = log["Used"].to_numpy().copy()
    at = int(rng.uniform(0.25, 0.75) * len(used))
    lost = int(rng.choice([0, 100]))
    used[at:] -= used[min(at + lost, len(used) - 1)]
    log["Used"] = np.round(np.maximum(used, 0.0), 3)
    return Expected(("fuel counter reset", "fuel of a lap"), f"run {run['run_id']}")


def _no_units(w: Written, column: str, unit: str = "") -> None:
    w.units.pop(column, None)
    w.told[column] = unit


def mph_as_kmh(w: Written, rng: Rng) -> Expected | None:
    """The logger writes mph; [log] says km/h."""
    for log in w.logs.values():
        log["Speed"] = np.round(log["Speed"] / 1.609344, 2)
    _no_units(w, "Speed", "km/h")
    return Expected(("lap distance",), "mph")


def kmh_as_mph(w: Written, rng: Rng) -> Expected | None:
    """The logger writes km/h; [log] says mph."""
    _no_units(w, "Speed", "mph")
    return Expected(("lap distance",), "km/h and taken as mph")


def litres_as_gallons(w: Written, rng: Rng) -> Expected | None:
    """The logger writes litres; [log] says US gallons. Or it writes either gallon, taken as l."""
    gallons = rng.random() < 0.6
    per = 4.54609 if gallons and rng.random() < 0.5 else 3.785411784
    for column, tail in (("Flow", "/h"), ("Used", "")):
        for log in w.logs.values():
            if column in log and gallons:
                log[column] = np.round(log[column] / per, 4)
        _no_units(w, column, ("l" if gallons else "gal") + tail)
    return Expected(("fuel unit",), "gallons")


def sensor_psi(w: Written, rng: Rng) -> Expected | None:
    """Tyre sensors write psi (or kPa); [log] says bar."""
    _with_sensors(w, rng)
    unit, per = (("psi", 14.503774), ("kPa", 100.0))[int(rng.integers(2))]
    for log in w.logs.values():
        for c in CORNERS:
            log[f"P{c.upper()}"] = np.round(log[f"P{c.upper()}"] * per, 1)
    for c in CORNERS:
        _no_units(w, f"P{c.upper()}", "bar")
    return Expected(("sensor pressure unit",), unit)


def _with_sensors(w: Written, rng: Rng) -> None:
    for run in w.book["runs"]:
        log = w.logs[str(run["log"])]
        for c in CORNERS:
            if f"P{c.upper()}" not in log:
                warm = 1 - np.exp(-np.arange(len(log)) / (0.3 * len(log)))
                log[f"P{c.upper()}"] = np.round(float(run[f"cold_{c}_bar"]) + 0.3 * warm, 2)  # type: ignore[arg-type]
                w.told[f"P{c.upper()}"] = "bar"


def book_pressure_unit(w: Written, rng: Rng) -> Expected | None:
    """One run's hot pressures are written in psi or kPa."""
    per, unit = ((14.503774, "psi"), (100.0, "kPa"))[int(rng.integers(2))]
    rows = _of_a_run(w.book["pressures"], rng)
    for row in rows:
        row["hot_bar"] = round(float(row["hot_bar"]) * per, 1)  # type: ignore[arg-type]
    return Expected(("pressure unit",), unit)


def _of_a_run(rows: list[dict[str, object]], rng: Rng) -> list[dict[str, object]]:
    runs = list(dict.fromkeys(str(r["run_id"]) for r in rows))
    run = runs[int(rng.integers(len(runs)))]
    return [r for r in rows if r["run_id"] == run]


def air_fahrenheit(w: Written, rng: Rng) -> Expected | None:
    """The weather is written in degF on one of the days."""
    for row in w.book["weather"][:24]:
        row["air_c"] = round(float(row["air_c"]) * 1.8 + 32, 1)  # type: ignore[arg-type]
    return Expected(("temperature unit",), "air_c")


def stuck_speed(w: Written, rng: Rng) -> Expected | None:
    """The speed holds one value for half a minute to two."""
    run = _a_run(w, rng, least=4)
    log = w.logs[str(run["log"])]
    rate = 1 / float(np.median(np.diff(log["Time"])))
    speed = log["Speed"].to_numpy().copy()
    fast = np.flatnonzero(speed > 100)
    at = int(fast[int(rng.uniform(0.2, 0.6) * len(fast))])
    speed[at : at + int(rng.uniform(30, 120) * rate)] = speed[at]
    log["Speed"] = speed
    return Expected(("stuck channel", "lap distance"), f"run {run['run_id']}")


def stuck_fuel(w: Written, rng: Rng) -> Expected | None:
    """Flow or counter holds one value for half a minute to two."""
    run = _a_run(w, rng, least=4)
    log = w.logs[str(run["log"])]
    column = "Flow" if "Flow" in log else "Used"
    rate = 1 / float(np.median(np.diff(log["Time"])))
    values = log[column].to_numpy().copy()
    at = int(rng.uniform(0.25, 0.6) * len(values))
    values[at : at + int(rng.uniform(35, 120) * rate)] = values[at]
    log[column] = values
    return Expected(("stuck channel", "fuel of a lap"), f"run {run['run_id']}")


def dead_sensor(w: Written, rng: Rng) -> Expected | None:
    """One channel of one run is nought throughout."""
    _with_sensors(w, rng)
    run = _a_run(w, rng, least=4)
    log = w.logs[str(run["log"])]
    column = str(rng.choice([c for c in ("Flow", "Used", "PFL", "PRR") if c in log]))
    log[column] = 0.0
    return Expected(("dead channel",), f"run {run['run_id']}")


def same_bytes(w: Written, rng: Rng) -> Expected | None:
    """A run's file is a copy of another run's."""
    one, two = _two_runs(w, rng)
    w.logs[str(two["log"])] = w.logs[str(one["log"])].copy()
    return Expected(("duplicated log", "runs overlap"), "")


def same_content(w: Written, rng: Rng) -> Expected | None:
    """A run's file is another run's in another format, its clock starting elsewhere."""
    one, two = _two_runs(w, rng)
    kind = "csv" if str(two["log"]).endswith("parquet") else "parquet"
    del w.logs[str(two["log"])]
    two["log"] = f"{two['run_id']}.{kind}"
    log = w.logs[str(one["log"])].copy()
    log["Time"] = np.round(log["Time"] + 1000.0, 3)
    w.logs[str(two["log"])] = log
    return Expected(("duplicated log", "runs overlap"), "")


def _two_runs(w: Written, rng: Rng) -> list[dict[str, object]]:
    picked = rng.choice(len(w.book["runs"]), 2, replace=False)
    return [w.book["runs"][i] for i in sorted(picked)]


def one_log_twice(w: Written, rng: Rng) -> Expected | None:
    """Two runs name one log."""
    one, two = _two_runs(w, rng)
    two["log"] = one["log"]
    return Expected(("one log for two runs", "log of another run", "run without laps"),
                    str(two["run_id"]))  # fmt: skip


def swapped_logs(w: Written, rng: Rng) -> Expected | None:
    """The contents of two runs' logs are exchanged; their names say nothing of it."""
    one, two = _two_runs(w, rng)
    a, b = str(one["log"]), str(two["log"])
    w.logs[a], w.logs[b] = w.logs[b], w.logs[a]
    return Expected(("log of another run", "runs overlap"), "")


def named_wrongly(w: Written, rng: Rng) -> Expected | None:
    """Two lines of the run sheet have each other's log."""
    one, two = _two_runs(w, rng)
    one["log"], two["log"] = two["log"], one["log"]
    return Expected(("log of another run", "runs overlap"), "")


def laps_not_run(w: Written, rng: Rng) -> Expected | None:
    """A lap is typed that the log does not have."""
    run = _a_run(w, rng, least=4)
    n = _crossings(w.logs[str(run["log"])]) + 4
    w.book["laps"].append({"run_id": run["run_id"], "lap": n, "lap_time_s": 91.2})
    return Expected(("laps no log supports",), f"run {run['run_id']}")


def laps_shifted(w: Written, rng: Rng) -> Expected | None:
    """A run's typed laps leave the out-lap out of the count."""
    run = _a_run(w, rng, least=6)
    _type_laps(w, rng, run, shift=-1)
    return Expected(("laps numbered otherwise",), f"run {run['run_id']}")


def lap_lacking(w: Written, rng: Rng) -> Expected | None:
    """A run's typed laps lack one in the middle."""
    run = _a_run(w, rng, least=6)
    _type_laps(w, rng, run, gone=1)
    return Expected(("laps the book lacks",), f"run {run['run_id']}")


def lap_mistyped(w: Written, rng: Rng) -> Expected | None:
    """One digit of a typed lap is wrong by one second or ten."""
    run = _a_run(w, rng, least=6)
    _type_laps(w, rng, run)
    row = [r for r in w.book["laps"] if r["run_id"] == run["run_id"]][1]
    row["lap_time_s"] = round(float(row["lap_time_s"]) + float(rng.choice([-10, -1, 1, 10])), 2)  # type: ignore[arg-type]
    return Expected(("lap times disagree",), f"run {run['run_id']}")


def _type_laps(w: Written, rng: Rng, run: dict[str, object], shift: int = 0, gone: int = 0) -> None:
    log = w.logs[str(run["log"])]
    beacon = log["Beacon"] if "Beacon" in log else np.concatenate([[0.0], np.diff(log["Lap"])])
    at = log["Time"].to_numpy()[np.flatnonzero(np.asarray(beacon) > 0)]
    times = np.diff(at)[1:]  # the first is the out- or formation lap
    w.book["laps"] = [r for r in w.book["laps"] if r["run_id"] != run["run_id"]]
    skip = int(rng.integers(1, len(times) - 1)) if gone else -1
    for k, seconds in enumerate(times[: len(times) - 1]):
        if k != skip:
            w.book["laps"].append({
                "run_id": run["run_id"], "lap": k + 2 + shift,
                "lap_time_s": round(float(seconds) + rng.normal(0, 0.08), 1),
            })  # fmt: skip


def missing_fill(w: Written, rng: Rng) -> Expected | None:
    """A session's fill is not written down."""
    fills = [i for i, r in enumerate(w.book["fuel"]) if r["kind"] == "fill"]
    gone = w.book["fuel"].pop(fills[int(rng.integers(len(fills)))])
    run = str(gone["run_id"])
    return Expected(("fuel balance", "start fuel", "fuel unit"), run.split("-")[0])


def missing_drain(w: Written, rng: Rng) -> Expected | None:
    """A session's drain is not written down."""
    drains = [i for i, r in enumerate(w.book["fuel"]) if r["kind"] == "drain"]
    drains = [
        i
        for i in drains
        if float(w.book["fuel"][i]["volume_l"]) > 4 and i + 1 < len(w.book["fuel"])
    ]  # type: ignore[arg-type]
    if not drains:
        return None
    gone = w.book["fuel"].pop(drains[int(rng.integers(len(drains)))])
    return Expected(("fuel balance", "start fuel", "fuel unit"), "",
                    float(gone["volume_l"]))  # type: ignore[arg-type]  # fmt: skip


def _tread_row(w: Written, rng: Rng) -> tuple[int, dict[str, object]]:
    i = int(rng.integers(len(w.book["tread"])))
    return i + 2, w.book["tread"][i]


def tread_one_mm(w: Written, rng: Rng) -> Expected | None:
    """The first digit of a depth is one too high or low."""
    number, row = _tread_row(w, rng)
    place = PLACE_NAMES[int(rng.integers(3))]
    typed = float(row[place]) + float(rng.choice([-1.0, 1.0]))  # type: ignore[arg-type]
    row[place] = round(abs(typed), 2) or 0.01
    return Expected(("tread reading",), f"book/tread.csv row {number}")


def tread_comma(w: Written, rng: Rng) -> Expected | None:
    """The comma of a depth is one place off."""
    number, row = _tread_row(w, rng)
    place = PLACE_NAMES[int(rng.integers(3))]
    row[place] = round(float(row[place]) * float(rng.choice([0.1, 10.0])), 3)  # type: ignore[arg-type]
    return Expected(("tread reading",), f"book/tread.csv row {number}")


def tread_transposed(w: Written, rng: Rng) -> Expected | None:
    """Two neighbouring digits of a depth are exchanged; its size decides whether it can be seen."""
    number, row = _tread_row(w, rng)
    place = PLACE_NAMES[int(rng.integers(3))]
    digits = f"{float(row[place]):.2f}".replace(".", "")  # type: ignore[arg-type]
    turned = digits[1] + digits[0] + digits[2] if rng.random() < 0.5 else digits[0] + digits[:0:-1]
    by = abs(int(turned) - int(digits)) / 100
    if by == 0:
        return None
    row[place] = int(turned) / 100
    return Expected(("tread reading",), f"book/tread.csv row {number}", by)


def tread_swapped(w: Written, rng: Rng) -> Expected | None:
    """The readings after one run are written on the wrong side, front and rear."""
    runs = [r for r in w.book["runs"] if len(_after(w, r)) == 4]
    if not runs:
        return None
    run = runs[int(rng.integers(len(runs)))]
    rows = _after(w, run)
    for left, right in ((0, 1), (2, 3)):
        for place in PLACE_NAMES:
            a, b = rows[left], rows[right]
            a[place], b[place] = b[place], a[place]
    wear = w.truth["car"].wear.mean(axis=1)
    laps = _crossings(w.logs[str(run["log"])]) + 1
    size = laps * abs(float(wear[0] - wear[1]) + float(wear[2] - wear[3])) / 2  # mm
    return Expected(("left and right swapped",), f"tread after run {run['run_id']}", size)


def _after(w: Written, run: dict[str, object]) -> list[dict[str, object]]:
    """The readings after a run of its own tyres, in order of corners."""
    start = pd.Timestamp(str(run["start"]))
    later = [pd.Timestamp(str(r["start"])) for r in w.book["runs"]]
    end = min((t for t in later if t > start), default=start + pd.Timedelta(hours=12))
    own = w.truth["sets"][run["run_id"]]
    rows = [
        r for t in own for r in w.book["tread"]
        if r["tyre_id"] == t and start < pd.Timestamp(str(r["taken_at"])) < end
    ]  # fmt: skip
    return rows


def wrong_set(w: Written, rng: Rng) -> Expected | None:
    """The run sheet names another set of the weekend than ran; tread is written under its ids.

    Half of the crews read the tyres' walls and write the ids that ran. `size` is the difference
    of the sets' ages.
    """
    tyres = {r["tyre_id"]: float(r["age_laps"]) for r in w.book["tyres"]}  # type: ignore[arg-type]
    ages = dict(tyres)
    options = []
    known = list(dict.fromkeys(tuple(s) for s in w.truth["sets"].values()))
    for run in w.book["runs"]:
        ran = w.truth["sets"][run["run_id"]]
        rows = _after(w, run)
        for other in known:
            if set(other) != set(ran) and len(rows) >= 3:
                options.append((run, other, rows, abs(ages[other[0]] - ages[ran[0]])))
        for t in ran:
            ages[t] += _crossings(w.logs[str(run["log"])]) + 1
    if not options:
        return None
    big = rng.random() < 0.85
    fits = [o for o in options if (o[3] >= 8) == big] or options
    run, other, rows, size = fits[int(rng.integers(len(fits)))]
    now = dict(zip(w.truth["sets"][run["run_id"]], other, strict=True))
    run |= dict(zip(CORNERS, other, strict=True))
    if rng.random() < 0.5:
        for row in rows:
            row["tyre_id"] = now[row["tyre_id"]]
    return Expected(
        ("wrong set on the run sheet", "tread after a run"), f"run {run['run_id']}", size
    )


def pressure_typed(w: Written, rng: Rng) -> Expected | None:
    """A hot pressure with two digits exchanged, one digit off, or its comma moved."""
    i = int(rng.integers(len(w.book["pressures"])))
    row = w.book["pressures"][i]
    bar = float(row["hot_bar"])  # type: ignore[arg-type]
    digits = f"{bar:.2f}"
    turned = float(digits[:2] + digits[3] + digits[2])
    choices = [bar + 1, bar - 1, bar + 0.2, bar - 0.2, turned, bar * 10, bar / 10]
    typed = round(float(rng.choice(choices)), 2)
    row["hot_bar"] = typed
    return Expected(("pressure reading", "pressure unit"), f"book/pressures.csv row {i + 2}",
                    abs(typed - bar))  # fmt: skip


def pressures_swapped(w: Written, rng: Rng) -> Expected | None:
    """One run's hot pressures have left and right exchanged."""
    rows = _of_a_run(w.book["pressures"], rng)
    if len(rows) < 4:
        return None
    turn = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}
    for row in rows:
        row["corner"] = turn[str(row["corner"])]
    rise = w.truth["car"].rise
    size = abs(float(rise[0] - rise[1])) + abs(float(rise[2] - rise[3]))
    return Expected(("pressures: left and right swapped",), f"run {rows[0]['run_id']}", size)


def temperatures_swapped(w: Written, rng: Rng) -> Expected | None:
    """One run's temperatures have left and right exchanged."""
    rows = _of_a_run(w.book["temperatures"], rng)
    if len(rows) < 4:
        return None
    turn = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}
    for row in rows:
        row["corner"] = turn[str(row["corner"])]
    hot = w.truth["car"].hot
    size = abs(float(hot[0] - hot[1])) + abs(float(hot[2] - hot[3]))
    return Expected(("temperatures: left and right swapped",), f"run {rows[0]['run_id']}", size)


# Each round plants one fault of each of its kinds into one weekend: faults come together in life,
# and it saves time. Kinds of one round touch different files or columns.
PROMISED: tuple[tuple[Plant, ...], ...] = (
    (missed_beacon, tread_one_mm, book_pressure_unit),
    (extra_beacon, tread_swapped, missing_fill),
    (counter_reset, wrong_set, air_fahrenheit),
    (mph_as_kmh, litres_as_gallons, tread_comma, sensor_psi),
    (kmh_as_mph, wrong_set, pressure_typed),
)  # fmt: skip
OTHERS: tuple[tuple[Plant, ...], ...] = (
    (temperatures_swapped, missing_drain, laps_not_run, tread_transposed),
    (pressures_swapped, lap_mistyped, stuck_speed),
    (stuck_fuel, laps_shifted), (dead_sensor, lap_lacking),
    (same_bytes,), (same_content,), (swapped_logs,), (named_wrongly,), (one_log_twice,),
)  # fmt: skip
ROUNDS = PROMISED + OTHERS
