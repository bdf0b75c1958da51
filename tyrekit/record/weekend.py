"""A weekend's folder in one object: what the event allows, what happened, what is doubtful."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import pandas as pd

from tyrekit.errors import BookError, InputError
from tyrekit.record import intake
from tyrekit.record.agreement import not_in, overlap
from tyrekit.record.assembly import assemble
from tyrekit.record.book import Book, Row
from tyrekit.record.decisions import clashes, with_locks
from tyrekit.record.distance import STEP_M, Aligned, aligned
from tyrekit.record.doubts import Doubt, find_doubts
from tyrekit.record.event import Event, Session, load_event
from tyrekit.record.laps import cut
from tyrekit.record.official import read_official
from tyrekit.record.repeats import counted_once
from tyrekit.record.running import Ran, all_runs, channels_of
from tyrekit.record.timing import timed
from tyrekit.record.weather import usable

OVERLAP_S = 60.0  # start times are written down to the minute


@dataclass(frozen=True)
class Weekend:
    """One weekend, as it stands in its folder.

    Attributes
    ----------
    folder : Path
        The folder.
    event : Event
        event.toml, the book's locks among its limits.
    book : Book
        The hand-entered tables; what is typed goes there.
    laps : DataFrame
        One row per lap in order of time; columns in `tyrekit.record.carried.LAP_COLUMNS`.
        Ages, fuel and temperatures are at the start of the lap. `lap_time_s` is official where
        timing/ has the lap, `logger_time_s` and `typed_time_s` are what the others say.
    tyres : DataFrame
        One row per tyre as it stands after every run in the book.
    runs, tread, pressures, temperatures, fuel, weather : DataFrame
        The book's tables, indexed by row id. Tread readings come with the tyre's age, distance
        and corner at the reading; pressures with session, tyre, cold pressure, laps run and
        temperatures.
    locks, left_out : DataFrame
        The engineer's own decisions in the book: tyres locked to corners of a session, and laps
        that do not count, each with its reason.
    timing : DataFrame
        Our car's official laps, with the run and lap each was found to be.
    clocks : DataFrame
        Per run: the timing's clock less ours, the logger's drift, the laps they rest on.
    disagreements : DataFrame
        Laps whose sources differ by more than their resolution.
    done : tuple of str
        Sessions with a run, in order.
    inputs : dict
        File name -> sha256 of what all this rests on; for the book, of its current rows.
    notes : tuple of str
        What was inferred or assumed.
    doubts : tuple of Doubt
        What is probably wrong in the data, the surest first.
    """

    folder: Path
    event: Event
    book: Book
    laps: pd.DataFrame
    tyres: pd.DataFrame
    runs: pd.DataFrame
    tread: pd.DataFrame
    pressures: pd.DataFrame
    temperatures: pd.DataFrame
    fuel: pd.DataFrame
    weather: pd.DataFrame
    locks: pd.DataFrame
    left_out: pd.DataFrame
    timing: pd.DataFrame
    clocks: pd.DataFrame
    disagreements: pd.DataFrame
    done: tuple[str, ...]
    inputs: dict[str, str]
    notes: tuple[str, ...]
    doubts: tuple[Doubt, ...]

    @classmethod
    def open(cls, folder: str | Path) -> Weekend:
        """Read a weekend's folder; the first time, make book.sqlite from book/*.csv.

        Raises
        ------
        InputError
            The folder, event.toml, a table of the book, a log or a timing file breaks a rule.
            Nothing is written then.
        """
        path = Path(folder)
        if not path.is_dir():
            raise InputError(
                "there is no such folder",
                where=str(path),
                next_step="Correct the name, or make a weekend with `tyrekit new FOLDER`.",
            )
        event = load_event(path / "event.toml")
        return cls._read(path, event, intake.open_book(path, event), write=True)

    @classmethod
    def _read(cls, path: Path, event: Event, draft: Book, *, write: bool) -> Weekend:
        tables = counted_once(draft.tables())
        ran = all_runs(path, event, tables["runs"], tables["laps"])
        times = timed(ran, read_official(path, event), event)
        locks = tables["locks"]
        _no_overlap(times.ran, tables["runs"], draft)
        made = assemble(path, event, draft, tables, times)
        doubts = find_doubts(made.evidence)
        book = intake.keep(draft, path) if write else draft
        started = {one.session for one in ran}
        return cls(
            folder=path, event=with_locks(event, locks), book=book,
            laps=made.laps, tyres=made.tyres, runs=tables["runs"], tread=made.tread,
            pressures=made.pressures,
            temperatures=tables["temperatures"], fuel=tables["fuel"],
            weather=usable(tables["weather"]),
            locks=locks, left_out=tables["left_out"],
            timing=times.official.laps, clocks=times.clocks, disagreements=times.disagreements,
            done=tuple(s.id for s in event.sessions if s.id in started), inputs=made.inputs,
            notes=(
                *made.notes, *clashes(event, locks), *_skipped(event, started),
                *_folder_notes(book),
            ), doubts=doubts,
        )  # fmt: skip

    @property
    def next_session(self) -> Session | None:
        """The first session after those done; None at the end of the weekend."""
        return next(iter(self.event.sessions_after(self.done)), None)

    def channels(self, run_id: str) -> pd.DataFrame:
        """Return a run's logged channels under the kit's names and units.

        Only `time_s`, empty, when the run has no log.

        Raises
        ------
        BookError
            The book has no such run.
        LogError
            Its log cannot be read.
        """
        known = list(self.runs["run_id"])
        if run_id not in known:
            raise not_in("run", run_id, known, "", "the runs")
        return channels_of(self.folder, self.event, self.runs, run_id)

    def aligned(
        self, run_id: str, *, step_m: float = STEP_M, names: Sequence[str] | None = None
    ) -> Aligned:
        """Return a run's channels lap by lap against the distance from the line.

        Parameters
        ----------
        run_id : str
            The run; its log must tell the distance.
        step_m : float
            Distance between rows, m, 0.5 to 200.
        names : sequence of str, optional
            The channels; all when left out.

        Raises
        ------
        BookError
            The book has no such run.
        InputError
            A channel is not in its log, or nothing tells the distance.
        """
        channels = self.channels(run_id)
        run = self.runs.loc[self.runs["run_id"] == run_id].iloc[0]
        session = self.event.session(str(run["session"]))
        sample_s = float(channels["time_s"].diff().median())
        laps = cut(channels, self.event.circuit, session, sample_s=sample_s).laps
        return aligned(channels, laps, self.event.circuit, step_m=step_m, names=names)

    def supposing(self, table: str, rows: Sequence[Row]) -> Weekend:
        """Return the weekend as it would stand with more rows in its book; nothing is written.

        Raises
        ------
        InputError
            A row breaks a rule, or what it names does not fit: a log that cannot be read, two
            runs at the same time.
        """
        supposed = self.book.with_rows(table, rows)
        return self._read(self.folder, self.book.event, supposed, write=False)

    def with_locks(self) -> Weekend:
        """Return the weekend with the locks its book holds now; nothing else is read again."""
        event, locks = self.book.event, self.book.read("locks")
        old = clashes(event, self.locks)
        notes = [note for note in self.notes if note not in old]
        return replace(
            self, event=with_locks(event, locks), locks=locks,
            inputs={**self.inputs, intake.FILE_NAME: self.book.digest()},
            notes=(*notes, *clashes(event, locks)),
        )  # fmt: skip

    def import_csv(self, who: str) -> list[str]:
        """Take changed book/*.csv files into the book; return what was done, in words.

        Raises
        ------
        BookError
            A file or row breaks a rule; nothing is saved then.
        """
        return intake.import_csv(self.book, self.folder, who)


def _no_overlap(ran: Sequence[Ran], runs: pd.DataFrame, book: Book) -> None:
    """Refuse runs of the car that are driven at the same time."""
    found: list[BookError] = []
    for one, two in pairwise(ran):
        if (one.end - two.start).total_seconds() > OVERLAP_S:
            row_id = int(runs.index[runs["run_id"] == two.run_id][0])
            words = f"{one.run_id} is driven until {one.end:%a %H:%M:%S}, {two.run_id} starts"
            found.append(
                overlap(
                    one.run_id, two.run_id, f"{words} {two.start:%a %H:%M:%S}",
                    book.place("runs", row_id),
                )
            )  # fmt: skip
    if found:
        raise BookError.joined(found)


def _skipped(event: Event, started: Set[str]) -> list[str]:
    """Say which sessions before the last one run have no run."""
    order = [session.id for session in event.sessions]
    last = max((i for i, name in enumerate(order) if name in started), default=-1)
    empty = [name for name in order[: max(last, 0)] if name not in started]
    return [f"no run is in the book for {', '.join(empty)}: taken as not run"] if empty else []


def _folder_notes(book: Book) -> list[str]:
    notes = []
    if isinstance(book.source, bytes):
        notes.append("the folder cannot be written: the book is read only, nothing can be typed")
    elif problem := book.copy_if_due():
        notes.append(problem)
    return notes
