"""The check-in of a run: pick its log, confirm what was fitted and filled, save it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial, wraps
from threading import RLock
from typing import Any, Concatenate, ParamSpec, TypeVar

import ipywidgets as w

from tyrekit.errors import InputError
from tyrekit.record.arrivals import Arrival, arrival, new_logs, session_of
from tyrekit.record.drafts import Drafts
from tyrekit.record.weekend import Weekend
from tyrekit.show import check_in
from tyrekit.show.answer import Answer
from tyrekit.show.cards_laps import doubts_list, lap_strip
from tyrekit.show.panels import Background, on_value, row
from tyrekit.show.tables import CORNERS
from tyrekit.show.words import html, number, sentences

DRAFT = "check-in"
LABELS = {
    "run_id": "run", "session": "session", "driver": "driver", "start": "started at",
    "fuel_start_kg": "fuel at the start, kg", "note": "note",
    **{corner.lower(): f"{corner} tyre" for corner in CORNERS},
    **{name: f"{column.label}, bar" for name, column in check_in.COLD.items()},
}  # fmt: skip
WIDTHS = {
    "run_id": "140px", "start": "190px", "fuel_start_kg": "230px",
    **dict.fromkeys((c.lower() for c in CORNERS), "180px"), **dict.fromkeys(check_in.COLD, "140px"),
}  # fmt: skip
CHOICES = ("session", "driver", *(corner.lower() for corner in CORNERS))
P = ParamSpec("P")
T = TypeVar("T")


def in_turn(
    work: Callable[Concatenate[CheckIn, P], T],
) -> Callable[Concatenate[CheckIn, P], T]:
    """Have one thread at a time in the form: clicks come in another than what arrives."""

    @wraps(work)
    def done(self: CheckIn, /, *given: P.args, **named: P.kwargs) -> T:
        with self.turn:
            return work(self, *given, **named)

    return done


class CheckIn(w.VBox):  # type: ignore[misc]  # ipywidgets has no types
    """The form of a run not in the book yet; folded up while no new log is there.

    `begin`, the button that unfolds it, and `news`, what has arrived, are placed by the panel.

    Parameters
    ----------
    attempt : callable
        Runs work and says in the panel when it fails.
    on_saved : callable(words)
        Told when a run is on disk.
    """

    def __init__(
        self, attempt: Callable[..., bool], on_saved: Callable[[str], None], weekend: Weekend
    ) -> None:
        super().__init__()
        self.attempt, self.on_saved, self.weekend = attempt, on_saved, weekend
        self.answer: Answer | None = None
        self.arrivals: dict[tuple[str, float], Arrival] = {}
        self.held, self.turn = False, RLock()
        self.news, self.faults = w.HTML(), w.HTML()
        self.basis, self.trial = w.HTML(), w.HTML()
        self.begin = w.Button(description="Check in a run")
        self.begin.on_click(lambda _: self.attempt(self._reopen))
        self.pick = w.Dropdown(options=[("no log", "")], description="log")
        self.boxes = {name: self._box(name) for name in LABELS}
        self.save = w.Button(description="Save the run")
        self.save.on_click(lambda _: self.attempt(self._save, "saving the run"))
        self.not_now = w.Button(description="Not now")
        self.not_now.on_click(lambda _: self._put_off())
        self.trying = Background(self._try, self._tried, 0.4)
        self.tried: tuple[int, dict[str, str]] | None = None  # the last save and form found good
        on_value(self.pick, lambda name: self._picked(name))
        self.form = w.VBox(self._form())
        self.form.add_class("tk-check-in")
        self.put_off: set[str] = set()  # logs that are to wait
        self.fold()

    @property
    def texts(self) -> dict[str, str]:
        """The form as typed, by box."""
        return {"log": self.pick.value or ""} | {
            n: str(b.value or "") for n, b in self.boxes.items()
        }

    @in_turn
    def follow(self, weekend: Weekend, answer: Answer | None) -> None:
        """Take the weekend and its answer as they now stand."""
        self.weekend, self.answer = weekend, answer
        self._choices()
        self.look()

    @in_turn
    def look(self) -> None:
        """Look for new logs and a form half filled in; unfold when there is one."""
        names = new_logs(self.weekend.folder, self.weekend.runs)
        if self.is_open and self.pick.value and self.pick.value not in names:
            self.fold()  # checked in by another window
        found = [self._arrival(name) for name in names]
        options = [*((check_in.arrival_line(one), one.name) for one in found), ("no log", "")]
        if list(self.pick.options) != options:
            self.held = True
            kept = self.pick.value
            self.pick.options = options
            self.pick.value = kept if kept in names else ""
            self.held = False
        self.news.value = _news(found)
        self.faults.value = _faults(found)
        self.begin.description = _begin(found)
        fresh = [one.name for one in found if not one.problem and one.name not in self.put_off]
        draft = self._draft()
        if not self.is_open and draft and draft.get("log", "") not in self.put_off:
            self.unfold(draft.get("log", ""))
        elif not self.is_open and fresh:
            self.unfold(fresh[0])

    @property
    def is_open(self) -> bool:
        """Whether the form is on screen."""
        return self.form in self.children

    def fold(self) -> None:
        """Put the form away; what was typed in it stays on disk."""
        self.children = [self.faults]

    def unfold(self, log: str) -> None:
        """Show the form for a log, filled in as proposed, or as it was left."""
        found = next((one for one in self.arrivals.values() if one.name == log), None)
        proposal = check_in.propose(self.weekend, self.answer, found)
        draft = self._draft()
        draft = draft if draft.get("log", "") == log else {}
        self._fill(proposal.texts | draft)
        kept = "kept from before, not saved yet" if draft else ""
        said = sentences([kept, proposal.basis, "the answer below is from before this run"])
        self.basis.value = f'<p class="tk-muted tk-small">{html(said)}</p>'
        self.children = [self.faults, self.form]
        self.trial.value = '<p class="tk-muted tk-small">reading its laps …</p>'
        self.trying.call()

    def _try(self) -> tuple[int, dict[str, str], check_in.Trial]:
        """Work out what the run would be; runs in a thread."""
        latest, texts = self.weekend.book.latest_save(), self.texts
        return latest, texts, check_in.tried(self.weekend, texts)

    def _tried(self, outcome: Any) -> None:
        """Show what the run would be: its laps, its doubts, or what is wrong with it."""
        self.tried = None
        if isinstance(outcome, InputError):
            self.trial.value = f'<div class="tk-warn" role="status">{html(outcome)}</div>'
        elif isinstance(outcome, Exception):
            self.attempt(partial(_raise, outcome))
        else:
            latest, texts, found = outcome
            self.tried = (latest, texts)
            self.trial.value = lap_strip(found.laps) + doubts_list(found.doubts)

    @in_turn
    def _save(self) -> None:
        if not self.is_open:  # pressed twice: the run is saved
            return
        if self.tried != (self.weekend.book.latest_save(), self.texts):
            check_in.tried(self.weekend, self.texts)
        said = check_in.save(self.weekend, self.texts)
        Drafts(self.weekend.book).drop(DRAFT)
        self.fold()
        self.on_saved(said)

    def _draft(self) -> dict[str, str]:
        return Drafts(self.weekend.book).of(DRAFT).get(DRAFT, {})

    @in_turn
    def _put_off(self) -> None:
        self.put_off |= {name for name in _values(self.pick) if name} | {self.pick.value}
        self.fold()

    @in_turn
    def _reopen(self) -> None:
        """Show the form as it was left, else for the newest log."""
        self.put_off = set()
        names = [name for name in _values(self.pick) if name]
        self.unfold(self._draft().get("log", names[0] if names else ""))

    @in_turn
    def _picked(self, name: str) -> None:
        if not self.held and self.is_open:
            self.attempt(lambda: self.unfold(name))

    @in_turn
    def _typed(self, name: str) -> None:
        """Read digits with their point, keep the form on disk, show what the run would be."""
        if self.held:
            return
        if name in check_in.COLD:
            self.boxes[name].value = check_in.COLD[name].with_point(self.boxes[name].value)
        self.attempt(lambda: Drafts(self.weekend.book).keep(DRAFT, self.texts))
        self.trying.call()

    def _fill(self, texts: dict[str, str]) -> None:
        self.held = True
        self._choices()
        self.pick.value = texts.get("log", "") if texts.get("log") in _values(self.pick) else ""
        for name, box in self.boxes.items():
            text = texts.get(name, "")
            if name not in CHOICES or text in _values(box):
                box.value = text
        self.held = False

    def _choices(self) -> None:
        """Offer the sessions, drivers and tyres there are."""
        held, self.held = self.held, True
        event, tyres = self.weekend.event, self.weekend.tyres
        ages = zip(tyres["tyre_id"], tyres["age_laps"], strict=True)
        fitted = [("", ""), *((f"{t} ({number(age, 0)} laps)", t) for t, age in ages)]
        offered: dict[str, list[Any]] = {
            "session": [s.id for s in event.sessions],
            "driver": [d.name for d in event.drivers],
        }
        for name in CHOICES:
            box, options = self.boxes[name], offered.get(name, fitted)
            if list(box.options) != options:
                kept = box.value
                box.options = options
                box.value = kept if kept in _values(box) else _values(box)[0]
        self.held = held

    def _arrival(self, name: str) -> Arrival:
        path = self.weekend.folder / "logs" / name
        key = (name, path.stat().st_mtime)
        if key not in self.arrivals:
            session = session_of(name, self.weekend.event, self.weekend.next_session)
            self.arrivals[key] = arrival(
                self.weekend.folder, self.weekend.book.event, name, session
            )
        return self.arrivals[key]

    def _box(self, name: str) -> Any:
        layout = {"width": WIDTHS.get(name, "auto")}
        style = {"description_width": "initial"}
        make = w.Dropdown if name in CHOICES else w.Text
        more = {"options": [("", "")]} if name in CHOICES else {"continuous_update": False}
        box = make(description=LABELS[name], layout=layout, style=style, **more)
        on_value(box, lambda _: self._typed(name))
        return box

    def _form(self) -> list[Any]:
        """Return the form: the log, who and when, the car seen from above, the buttons."""
        b = self.boxes
        self.pick.layout, self.pick.style = {"width": "auto"}, {"description_width": "initial"}
        who = row([b["run_id"], b["session"], b["driver"], b["start"], b["fuel_start_kg"]])
        car = w.Box([w.HBox([b[c.lower()], b[f"cold_{c.lower()}_bar"]]) for c in CORNERS])
        car.add_class("tk-corners")
        head = w.HTML("<h2>Check in the run that has ended</h2>")
        return [
            head, self.pick, self.basis, who, car, b["note"], row([self.save, self.not_now]),
            self.trial,
        ]  # fmt: skip


def _news(found: list[Arrival]) -> str:
    """Return what has arrived and waits to be checked in."""
    names = ", ".join(one.name for one in found)
    words = f"<b>new from the car: {html(names)}</b>" if found else "nothing new from the car"
    return f'<span role="status">{words}</span>'


def _begin(found: list[Arrival]) -> str:
    """Return what the button says: which log it checks in when there is one alone."""
    good = [one for one in found if not one.problem]
    return f"Check in {good[0].name.split('.')[0]}" if len(good) == 1 else "Check in a run"


def _faults(found: list[Arrival]) -> str:
    """Return what is wrong with logs that cannot be read."""
    bad = [one.problem for one in found if one.problem]
    return "".join(f'<div class="tk-warn">{html(problem)}</div>' for problem in bad)


def _raise(error: Exception) -> None:
    raise error


def _values(box: Any) -> list[str]:
    return [o[1] if isinstance(o, tuple) else o for o in box.options]
