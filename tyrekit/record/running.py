"""The runs of a weekend as they were driven: each with its log, its laps, and what is missing."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tyrekit.errors import LogError
from tyrekit.record.channels import CHANNELS
from tyrekit.record.clock_jumps import Jump, jumps
from tyrekit.record.event import Event
from tyrekit.record.health import ChannelHealth, health_of
from tyrekit.record.kinds import TO_THE_GRID
from tyrekit.record.laps import CUT_COLUMNS, NEEDED, OVER_A_GAP, Cut, counted_on, cut, split_at
from tyrekit.record.logs import LogData, read_log
from tyrekit.record.own_files import own_folder, seen_name
from tyrekit.record.restarts import laid_out
from tyrekit.record.tables import SECTOR

CLOCK_SET = "the logger's clock was set on it"
OTHER_TIMES = ("logger_time_s", "typed_time_s", "official_time_s")
NOT_RACE_LAPS = ("formation", "cool_down")


@dataclass(frozen=True)
class Ran:
    """One run: what the book and the log say of it.

    Attributes
    ----------
    run_id, session : str
        The run and its session.
    start, end : Timestamp
        The car's first and last movement, by the run sheet's clock.
    laps : DataFrame
        `CUT_COLUMNS`, `source`, `logger_time_s`, `typed_time_s`; empty when neither a log nor a
        typed lap is there.
    log : LogData or None
        The log, its channels left out; None when there is none.
    cut : Cut or None
        How the log was cut.
    missing : str
        The log the run names that is not in logs/.
    named : bool
        False when the run names no log and the file was found by the run's id.
    unsupported : tuple of int
        Typed laps beyond those of the log.
    jumps : tuple of Jump
        Where the log's clock was set while the car ran.
    clock_s : float
        The log's clock at the car's first movement, s; NaN without a log.
    health : mapping of ChannelHealth
        Channel name -> what it looked like over the run.
    """

    run_id: str
    session: str
    start: pd.Timestamp
    end: pd.Timestamp
    laps: pd.DataFrame
    log: LogData | None = None
    cut: Cut | None = None
    missing: str = ""
    named: bool = True
    unsupported: tuple[int, ...] = ()
    jumps: tuple[Jump, ...] = ()
    clock_s: float = float("nan")
    health: Mapping[str, ChannelHealth] = field(default_factory=dict)

    @property
    def ends_on_track(self) -> bool:
        """Whether the log was cut off while the car was still running."""
        if self.log is None or self.cut is None or not self.log.cut_off:
            return False
        if len(self.laps) and self.laps["source"].iloc[-1] == "timing":
            return False
        return not self.unsupported and self.cut.recorded_s - self.cut.duration_s < 2.0


def all_runs(folder: Path, event: Event, runs: pd.DataFrame, typed: pd.DataFrame) -> list[Ran]:
    """Return every run in order of time, its laps from its log, typed ones filling in.

    Parameters
    ----------
    folder : Path
        The weekend's folder.
    event : Event
        Sessions, circuit and the mapping of [log].
    runs, typed : DataFrame
        The book's runs and laps.

    Raises
    ------
    LogError
        A log cannot be read as [log] says; every such log is in the message.
    """
    ordered = runs.sort_values("start", kind="stable")
    logs = log_files(folder)
    found = {str(row["run_id"]): log_of(row, logs) for _, row in ordered.iterrows()}
    pieces = _pieces(folder, event, ordered, found)
    result: list[Ran] = []
    for _, row in ordered.iterrows():
        run_id = str(row["run_id"])
        before = [ran for ran in result if ran.session == row["session"]]
        log, channels = pieces.get(run_id, (None, None))
        made = None
        if log is not None and channels is not None:
            made = cut(
                channels, event.circuit, event.session(str(row["session"])),
                sample_s=log.sample_s, first_run=not before, race_laps_run=_race_laps(before),
                raced_s=_raced_s(before, row["start"]), restarts=log.restarts,
            )  # fmt: skip
        own = typed[typed["run_id"] == run_id]
        made = counted_on(made, own) if made is not None else None
        one = _ran(row, log, made, own, found[run_id])
        if log is not None and channels is not None and made is not None:
            one = _with_clock(replace(one, health=health_of(channels)), log, channels, made)
        result.append(one)
    return result


def log_files(folder: Path) -> list[str]:
    """Return the names of the files in logs/.

    Raises
    ------
    InputError
        logs/ is a link, or a name holds what cannot be seen.
    """
    logs = folder / "logs"
    own_folder(logs, "logs")
    if not logs.is_dir():
        return []
    names = sorted(p.name for p in logs.iterdir() if not p.name.startswith("."))
    for name in names:
        seen_name(logs / name, f"logs/{name}")
    return names


def log_path(folder: Path, name: str) -> Path:
    """Return where a log stands.

    Raises
    ------
    LogError
        The name leads out of the weekend's logs folder.
    """
    path, home = folder / "logs" / name, (folder / "logs").resolve()
    if Path(os.path.realpath(path)).parent != home:  # unlike resolve, loops do not raise
        raise LogError(
            f"log {name!r} is not in logs/",
            where=f"logs/{name}",
            rule="a log is a file in the weekend's logs folder, not a link out of it",
            next_step="Copy the file into logs/ and name it without a folder.",
        )
    return path


def whole_log(folder: Path, event: Event, name: str, wanted: Collection[str]) -> LogData:
    """Return a log of the weekend, the pieces of one that begins again laid out.

    Raises
    ------
    LogError
        As `log_path` and `read_log`.
    """
    return laid_out(read_log(log_path(folder, name), event.log, wanted), event.circuit)


def log_of(row: pd.Series, logs: Sequence[str]) -> tuple[str, bool]:
    """Return the log file of a run (empty: none) and whether the run names it."""
    name, run_id = str(row["log"]), str(row["run_id"])
    if name:
        others = (name + ".gz", name.removesuffix(".gz"))
        return next((n for n in (name, *others) if n in logs), name), True
    own = [n for n in logs if n.split(".")[0] == run_id]
    return (own[0] if len(own) == 1 else ""), False


def _pieces(
    folder: Path, event: Event, runs: pd.DataFrame, found: Mapping[str, tuple[str, bool]]
) -> dict[str, tuple[LogData, pd.DataFrame]]:
    """Read each log once and share it out to the runs that name it."""
    pieces: dict[str, tuple[LogData, pd.DataFrame]] = {}
    problems: list[LogError] = []
    starts = dict(zip(runs["run_id"], runs["start"], strict=True))
    for name in dict.fromkeys(name for name, _ in found.values() if name):
        own = [run_id for run_id in starts if found[run_id][0] == name]
        try:
            path = log_path(folder, name)
            if not path.exists():
                continue
            log = whole_log(folder, event, name, NEEDED)
        except LogError as error:
            problems += [p for p in error.problems if isinstance(p, LogError)]
            continue
        after_s = [(starts[run_id] - starts[own[0]]).total_seconds() for run_id in own[1:]]
        shared = split_at(log.channels, after_s, log.restarts) if after_s else [log.channels]
        bare = replace(log, channels=log.channels.iloc[:0])
        pieces |= {run: (bare, part) for run, part in zip(own, shared, strict=True)}
    if problems:
        raise LogError.joined(_once(problems))
    return pieces


def _once(problems: Sequence[LogError]) -> list[LogError]:
    """Return each problem once, with how many more logs have it."""
    told: dict[str, list[LogError]] = {}
    for problem in problems:
        told.setdefault(problem.what + problem.rule, []).append(problem)
    return [
        LogError(
            first.what, where=first.where, rule=first.rule, got=first.got,
            next_step=first.next_step + (f" The same in {len(more)} more log(s)." if more else ""),
        )
        for first, *more in told.values()
    ]  # fmt: skip


def channels_of(folder: Path, event: Event, runs: pd.DataFrame, run_id: str) -> pd.DataFrame:
    """Return all channels of one run's log; empty but for `time_s` when it has none.

    Raises
    ------
    LogError
        The log cannot be read as [log] says.
    """
    logs = log_files(folder)
    found = {str(row["run_id"]): log_of(row, logs)[0] for _, row in runs.iterrows()}
    name = found[run_id]
    if not name or name not in logs:
        return pd.DataFrame({"time_s": np.empty(0)})
    log = whole_log(folder, event, name, CHANNELS)
    own = runs[[found[str(run)] == name for run in runs["run_id"]]].sort_values("start")
    after_s = (own["start"] - own["start"].iloc[0]).dt.total_seconds().tolist()[1:]
    shared = split_at(log.channels, after_s, log.restarts) if after_s else [log.channels]
    return shared[list(own["run_id"]).index(run_id)]


def _race_laps(before: Sequence[Ran]) -> int:
    laps = [lap for ran in before for lap in zip(ran.laps["kind"], ran.laps["reason"], strict=True)]
    return sum(kind not in NOT_RACE_LAPS and reason != TO_THE_GRID for kind, reason in laps)


def _raced_s(before: Sequence[Ran], start: pd.Timestamp) -> float:
    """Return the time from the race's first lap to a later run's start, s."""
    for ran in before:
        racing = ran.laps[~ran.laps["kind"].isin(NOT_RACE_LAPS)]
        if len(racing):
            return float((start - ran.start).total_seconds() - racing["start_s"].iloc[0])
    return 0.0


def _ran(
    row: pd.Series,
    log: LogData | None,
    made: Cut | None,
    typed: pd.DataFrame,
    found: tuple[str, bool],
) -> Ran:
    """Put one run together from its log and the laps typed for it."""
    start: pd.Timestamp = row["start"]
    laps = made.laps.assign(source="log") if made is not None else no_laps()
    first = laps["lap"].min()  # typed laps before it lack in the log as well, and are known to
    extra = tuple(int(n) for n in typed["lap"] if n not in set(laps["lap"]) and not n < first)
    laps = _filled_in(laps, typed)
    laps["logger_time_s"] = laps["lap_time_s"].where(laps["source"] == "log")
    laps["typed_time_s"] = laps["lap"].map(typed.set_index("lap")["lap_time_s"]).astype("float64")
    laps["official_time_s"] = np.nan
    typed_s = float((laps["start_s"] + laps["lap_time_s"]).max()) if len(laps) else 0.0
    seconds = max(made.duration_s if made is not None else 0.0, typed_s)
    return Ran(
        run_id=str(row["run_id"]),
        session=str(row["session"]),
        start=start,
        end=start + pd.Timedelta(seconds=seconds),
        laps=laps,
        log=log,
        cut=made,
        missing=found[0] if found[0] and log is None else "",
        named=found[1] or log is None,
        unsupported=extra if made is not None else (),
    )


def _with_clock(ran: Ran, log: LogData, channels: pd.DataFrame, made: Cut) -> Ran:
    """Return a run with what its log's clock did; a lap over which it was set does not count."""
    if not len(channels):
        return ran
    first_s = float(channels["time_s"].iloc[-1]) - made.recorded_s
    found = jumps(channels, log.sample_s, backward_rows=log.backward_rows, first_s=first_s)
    gaps_s = [gap.start_s - first_s for gap in made.gaps]
    found = tuple(j for j in found if not np.isclose(j.at_s, gaps_s).any())
    laps = ran.laps.copy() if found else ran.laps
    for jump in found:
        ends_s = laps["start_s"] + laps["lap_time_s"]
        over = (laps["start_s"] <= jump.at_s) & (jump.at_s < ends_s) & (laps["source"] == "log")
        laps.loc[over & (laps["kind"] == "timed"), "reason"] = f"{CLOCK_SET} by {jump.by_s:+.2f} s"
    return replace(ran, laps=laps, jumps=found, clock_s=first_s)


def no_laps() -> pd.DataFrame:
    """Return an empty table of a run's laps."""
    texts = ("kind", "reason", "rule", "source")
    columns = {name: pd.Series(dtype="float64") for name in (*CUT_COLUMNS, *OTHER_TIMES)}
    columns |= {name: pd.Series(dtype="str") for name in texts}
    return pd.DataFrame(columns | {"lap": pd.Series(dtype="int64")})


def _filled_in(laps: pd.DataFrame, typed: pd.DataFrame) -> pd.DataFrame:
    """Take from typed laps what the log does not say, and the kind when one is typed."""
    filled = laps.copy()
    known = typed.set_index("lap")
    for i in filled.index:
        lap = filled.loc[i, "lap"]
        if lap not in known.index:
            continue
        if filled.loc[i, "reason"] == OVER_A_GAP:  # what is typed is all that is known
            time_s = float(known.loc[lap, "lap_time_s"])
            filled.loc[i, ["lap_time_s", "lap_time_se_s"]] = [time_s, typed_se_s(time_s)]
            filled.loc[i, ["reason", "rule", "source"]] = ["", "as typed: " + OVER_A_GAP, "typed"]
        for name in ("fuel_used_l", "air_c", "track_c"):
            if np.isnan(filled.loc[i, name]):
                filled.loc[i, name] = known.loc[lap, name]
        if kind := known.loc[lap, "kind"]:
            why = "" if kind == "timed" else "as typed"
            filled.loc[i, ["kind", "reason", "rule"]] = [kind, why, "as typed"]
    more = typed[~typed["lap"].isin(filled["lap"])].sort_values("lap")
    begun = float((filled["start_s"] + filled["lap_time_s"]).max()) if len(filled) else 0.0
    early, late = (more[more["lap"].lt(filled["lap"].min()) == way] for way in (True, False))
    parts = [filled]
    if len(early):
        usual = float(typed["lap_time_s"].median())
        parts.insert(0, _typed_laps(early, 0.0, {0: "out"}, usual))
    if len(late):
        parts.append(_typed_laps(late, begun))
    return pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)


def _typed_laps(
    typed: pd.DataFrame,
    begun_s: float,
    ends: Mapping[int, str] | None = None,
    usual: float = float("nan"),
) -> pd.DataFrame:
    """Return typed laps in the columns of logged ones; slow ones at their ends are out and in."""
    times = typed["lap_time_s"].to_numpy()
    ends = {0: "out", len(times) - 1: "in"} if ends is None else ends
    usual = float(np.median(times)) if np.isnan(usual) and len(times) else usual
    kinds, reasons = [], []
    for i, (kind, time_s) in enumerate(zip(typed["kind"], times, strict=True)):
        end = ends.get(i, "") if time_s > 1.07 * usual else ""
        kinds.append(kind or end or "timed")
        reasons.append("as typed" if kind else f"taken as {end}-lap: it is slow" if end else "")
    built = no_laps().reindex(range(len(typed)))
    data: dict[str, Any] = {
        "lap": typed["lap"].to_numpy(),
        "start_s": begun_s + np.concatenate([[0.0], np.cumsum(times)[:-1]]),
        "lap_time_s": times,
        "lap_time_se_s": np.array([typed_se_s(t) for t in times]),
        "kind": kinds,
        "reason": ["" if k == "timed" else r for k, r in zip(kinds, reasons, strict=True)],
        "rule": [r or "timed: nothing says otherwise" for r in reasons],
        "source": "typed",
        **{name: typed[name].to_numpy() for name in typed.columns if SECTOR.fullmatch(name)},
        **{name: typed[name].to_numpy() for name in ("fuel_used_l", "air_c", "track_c")},
    }
    return built.assign(**data)


def typed_se_s(time_s: float) -> float:
    """Return the standard error a typed time has from the digits it was given with."""
    digits = next((d for d in range(3) if abs(round(time_s, d) - time_s) < 1e-9), 3)
    return float(10.0**-digits / np.sqrt(12))
