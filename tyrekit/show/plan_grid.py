"""The weekend plan as a grid to act on: sessions down, corners across, a tyre in each place."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import ipywidgets as w
import pandas as pd

from tyrekit.plan.weekend_problem import laps_by_time
from tyrekit.record.event import Lock, Session
from tyrekit.record.weekend import Weekend
from tyrekit.show.number_box import NumberBox
from tyrekit.show.panels import on_value, put_back
from tyrekit.show.plan_tables import cost_parts_table
from tyrekit.show.tables import CORNERS, plan_cells, tread_limit_mm
from tyrekit.show.what_if import State
from tyrekit.show.words import html, number

HEADS = ("session", "laps", "a second counts", "weather", *CORNERS)
COLUMNS = "minmax(74px, 9%) 52px 58px minmax(82px, 9%) repeat(4, minmax(0, 1fr))"
COUNTS = (
    "Under a session: the time lost there to worn tyres × what a second counts. A second counts 5:"
    " one second there is worth five in a session where it counts 1; at 0 it is worth nothing."
    " Values are the event's own; changed here they are only supposed."
)
NEAR_MM = 0.2  # of the tread limit, as shown: the tread depth gauge and its user read no better
DRY, WET, DOUBTFUL = "dry", "wet", "rain?"
Place = tuple[str, str]  # session, corner


class PlanGrid(w.GridBox):  # type: ignore[misc]
    """A row per session to come: its laps, value and weather, and the tyre on each corner.

    Parameters
    ----------
    state : State
        What is planned.
    lock : callable(session, corner, tyre_id)
        Called when a tyre is chosen for a place, with "" when it is set free.
    suppose : callable(session, name, value)
        Called when ``laps``, ``value`` or ``weather`` of a session is changed.
    """

    def __init__(
        self,
        state: State,
        lock: Callable[[str, str, str], object],
        suppose: Callable[[str, str, Any], object],
    ) -> None:
        self.choice: dict[Place, Any] = {}
        self.basis: dict[Place, Any] = {}
        self.laps: dict[str, Any] = {}
        self.value: dict[str, Any] = {}
        self.weather: dict[str, Any] = {}
        self.name: dict[str, Any] = {}
        self.after: dict[str, list[Any]] = {}  # a session's row of tyres put on at its stops
        self.planned: dict[Place, str] = {}
        self._state, self._lock, self._suppose = state, lock, suppose
        weekend = state.weekend
        coming = weekend.event.sessions_after(weekend.done)
        self.limit_mm = tread_limit_mm(weekend.event)
        under = w.HTML(f'<p class="tk-small">{html(_under(self.limit_mm))}</p>')
        under.layout.grid_area = "1 / 1 / 2 / -1"  # all columns of the first row
        heads = [w.HTML(f'<span class="tk-muted tk-small">{h}</span>') for h in HEADS]
        parts = [under, *heads, *(part for session in coming for part in self._row(session))]
        layout = {"grid_template_columns": COLUMNS, "grid_gap": "8px 6px", "width": "100%"}
        super().__init__(parts if coming else [], layout=layout)
        self.add_class("tk-grid")

    @property
    def doubtful(self) -> list[str]:
        """The sessions in which it may rain."""
        return [id for id, box in self.weather.items() if box.value == DOUBTFUL]

    def show(self, state: State) -> None:
        """Put a plan into the grid, with what each place had before where that has changed."""
        answer = state.answer
        cells, later = _cells(plan_cells(answer))
        self._show_stops(later)
        locked = book_locks(state.weekend)
        owner = _event_locks(state.weekend)
        held = set(locked.values())  # a scrapped tyre is open to no corner
        tyres = [
            tyre.tyre_id
            for tyre in answer.allocation.problem.tyres
            if tyre.corners or tyre.tyre_id in held
        ]
        for place, box in self.choice.items():
            cell = cells.get(place)
            planned = "" if cell is None else str(cell["tyre_id"])
            free = planned or self._unplanned(place[0])
            words = _basis(cell, self.planned.get(place, ""), self.limit_mm)
            if place in locked:
                free = "set free"
                words = f'<b class="tk-lock">LOCKED</b> {words}'
            elif place in owner:
                words = f'<b class="tk-lock">LOCKED by the event</b> {words}'
            _offer(box, [(free, ""), *[(f"{t} locked", t) for t in tyres]], locked.get(place, ""))
            (box.add_class if place in locked else box.remove_class)("tk-locked")
            self.basis[place].value = _framed(words, cell, self.limit_mm)
        self.planned = {place: str(cell["tyre_id"]) for place, cell in cells.items()}
        costs = {str(part["session"]): part for _, part in cost_parts_table(answer).iterrows()}
        for id, name in self.name.items():
            words = _cost(costs[id]) if id in costs else ""
            coming = state.weekend.next_session
            accent = ' class="tk-tyre"' if coming is not None and id == coming.id else ""
            name.value = (
                f'<b{accent}>{html(id)}</b><br><span class="tk-muted tk-small">{words}</span>'
            )

    def back(self, state: State) -> None:
        """Put every supposition back to the event's own value."""
        for id in self.laps:
            session = state.weekend.event.session(id)
            laps = planned_laps(state, session)
            put_back([(self.laps[id], laps), (self.value[id], session.value)])
            self.weather[id].value = WET if session.wet else DRY

    def _unplanned(self, session: str) -> str:
        return "wet" if self.weather[session].value == WET else "no plan"

    def _row(self, session: Session) -> list[Any]:
        """Return one session's widgets and remember them."""
        id = session.id
        laps = NumberBox(f"laps in {id}", planned_laps(self._state, session), 1, 200, 1)
        value = NumberBox(f"value of a second in {id}", session.value, 0.0, 10.0, 0.1)
        weather = w.Dropdown(
            options=[DRY, WET, DOUBTFUL], value=WET if session.wet else DRY,
            description=f"weather in {id}", layout={"width": "100%"},
        )  # fmt: skip
        boxes = {"laps": laps, "value": value, "weather": weather}
        for name, box in boxes.items():
            box.layout.width = "100%"
            on_value(box, partial(self._suppose, id, name))
        self.laps[id], self.value[id], self.weather[id] = laps, value, weather
        self.name[id] = w.HTML(f"<b>{html(id)}</b>")
        cells = [self._cell(id, corner) for corner in CORNERS]
        return [self.name[id], *boxes.values(), *cells, *self._stops_row(session)]

    def _stops_row(self, session: Session) -> list[Any]:
        """Return the row of tyres put on at a session's stops; none when it has no stops."""
        if session.stops is None:
            return []
        self.after[session.id] = [w.HTML() for _ in HEADS]
        return self.after[session.id]

    def _show_stops(self, later: dict[str, dict[str, list[pd.Series]]]) -> None:
        """Show which tyres go on at stops, a row for each session that changes any."""
        for id, boxes in self.after.items():
            own = later.get(id, {})
            for box in boxes:
                box.layout.display = "" if own else "none"
            boxes[0].value = f"<b>{html(' and '.join(own))}</b>"
            for at, box in enumerate(boxes[-len(CORNERS) :]):
                box.value = "".join(_after_stop(cells[at], self.limit_mm) for cells in own.values())

    def _cell(self, session: str, corner: str) -> Any:
        """Return the choice of a tyre with room for what it rests on."""
        box = w.Dropdown(
            options=[("–", "")], value="", layout={"width": "100%"},
            description=f"tyre in {session} at {corner}, choosing one locks it",
        )  # fmt: skip
        on_value(box, partial(self._lock, session, corner))
        self.choice[session, corner], self.basis[session, corner] = box, w.HTML()
        return w.VBox([box, self.basis[session, corner]])


def planned_laps(state: State, session: Session) -> int:
    """Return the laps a session is planned to run, or expected to in its minutes."""
    return laps_by_time(state.weekend.event, session, state.fits.lap_time)[0]


def book_locks(weekend: Weekend) -> dict[Place, str]:
    """Return the tyre locked in the book to each place."""
    return {
        (str(row["session"]), corner): str(row[corner.lower()])
        for _, row in weekend.locks.iterrows()
        for corner in CORNERS
        if row[corner.lower()]
    }


def _event_locks(weekend: Weekend) -> dict[Place, str]:
    """Return the tyre locked in event.toml to each place."""
    return {
        (limit.session, str(corner)): tyre_id
        for limit in weekend.book.event.limits
        if isinstance(limit, Lock)
        for corner, tyre_id in limit.tyres.items()
    }


def _cells(
    plan: pd.DataFrame,
) -> tuple[dict[Place, pd.Series], dict[str, dict[str, list[pd.Series]]]]:
    """Return what each session starts on, by place, and its later fittings: label -> corners."""
    first: dict[Place, pd.Series] = {}
    later: dict[str, dict[str, list[pd.Series]]] = {}
    for _, found in plan.iterrows():
        session, label = str(found["session"]), str(found["label"])
        if label == session:
            first[session, str(found["corner"])] = found
        else:
            later.setdefault(session, {}).setdefault(label, []).append(found)
    return first, later


def _under(limit_mm: float) -> str:
    """Return what stands under each tyre."""
    return (
        "Under a tyre: laps on it at the start, what it loses there against a tyre that stays new,"
        f" tread at least after; limit {number(limit_mm)} mm, framed within {NEAR_MM} mm of it."
    )


def _after_stop(cell: pd.Series, limit_mm: float) -> str:
    """Return a tyre run after a stop with what it rests on."""
    words = _basis(cell, "", limit_mm)
    return f"<b>{html(cell['tyre_id'])}</b>{_framed(words, cell, limit_mm)}"


def _framed(words: str, cell: pd.Series | None, limit_mm: float) -> str:
    """Return what stands under a tyre, in a frame when it may end near the tread limit."""
    frame = " tk-at-limit" if cell is not None and _at_limit(cell, limit_mm) else ""
    return f'<div class="tk-muted tk-small{frame}">{words}</div>'


def _at_limit(cell: pd.Series, limit_mm: float) -> bool:
    """Return whether a tyre's least tread after a fitting, as shown, is near the limit."""
    low_mm = float(cell["tread_end_low_mm"])
    return bool(round(low_mm, 1) - limit_mm <= NEAR_MM + 1e-9)


def _cost(part: pd.Series) -> str:
    """Return a session's part of the cost: seconds lost, times what one counts."""
    lost_s = float(part["expected_loss_s"])
    shown = number(lost_s, 2 if lost_s < 10 else 1)
    return (
        f'<span class="tk-whole">{shown} s × {part["value"]:g}</span>'
        f' <span class="tk-whole">= {number(part["counted_s"])} s</span>'
    )


def _offer(box: Any, options: list[tuple[str, str]], value: str) -> None:
    """Set a choice's options and value, sending only what differs."""
    if tuple(options) != tuple(box.options):
        box.options = options
    if box.value != value:
        box.value = value


def _basis(cell: pd.Series | None, before: str, limit_mm: float) -> str:
    """Return what stands under a tyre: age, loss, least tread at the end, what has changed."""
    if cell is None:
        return ""
    words = f'<span class="tk-whole">{number(cell["age_laps"], 0)} laps old,</span> {_ends(cell)}'
    if _at_limit(cell, limit_mm):
        words += ' <b class="tk-whole">NEAR LIMIT</b>'
    if before and before != cell["tyre_id"]:
        words += f' <b class="tk-whole">was {html(before)}</b>'
    return words


def _ends(cell: pd.Series) -> str:
    """Return what a tyre loses and the tread it ends on at least, each unbroken."""
    parts = (
        f"loses {number(cell['expected_loss_s'])} s,",
        f"at least {number(cell['tread_end_low_mm'])} mm",
    )
    return " ".join(f'<span class="tk-whole">{part}</span>' for part in parts)
