"""The panel of the tyre plan: every session's tyres, lock one, and the rest replans at once."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as w
import pandas as pd

from tyrekit.plan.programme import laps_to_run
from tyrekit.record.event import Lock, Session
from tyrekit.record.weekend import Weekend
from tyrekit.show import cards, charts, tables
from tyrekit.show.panels import Figure, WeekendPanel, number_box, on_value, row
from tyrekit.show.tables import CORNERS
from tyrekit.show.what_if import WhatIf, start, with_lock
from tyrekit.show.words import html, number

WIDTH = 520
GRID = "minmax(40px, 70px) minmax(56px, 92px) minmax(56px, 92px) repeat(4, minmax(0, 1fr))"


class WeekendPlanPanel(WeekendPanel):
    """The plan as a grid: sessions down, corners across, a choice of tyre in each place."""

    doing = "planning again"
    supposed = "Other laps, values or locks than the event's are supposed."

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__(folder, note)
        self.proof, self.blocked = w.HTML(), w.HTML()
        self.others, self.kept = w.HTML(), w.HTML()
        self.choice: dict[tuple[str, str], Any] = {}
        self.basis: dict[tuple[str, str], Any] = {}
        self.laps: dict[str, Any] = {}
        self.value: dict[str, Any] = {}
        if self.attempt(self._open):
            self.draw()

    def _open(self) -> None:
        self.state = start(Weekend.open(self.folder), rank=False)
        self.back = w.Button(description="As planned")
        self.back.on_click(lambda _: self._back())
        self.compose(
            [
                self.head, self.proof, self.blocked, self._grid(), row([self.back, self.working]),
                self.kept, self.others, w.HTML("<h2>Why</h2>"), self.figures, self.doubts,
            ]
        )  # fmt: skip

    def lock(self, session: str, corner: str, tyre_id: str) -> None:
        """Lock a tyre to a corner of a session, or with "" set the corner free, and plan again."""
        if self.state is not None:
            self.change(locks=with_lock(self.state.what_if.locks, session, corner, tyre_id))

    def draw(self) -> None:
        """Put the present plan on screen."""
        super().draw()
        if self.state is None:
            return
        answer = self.state.answer
        self.proof.value = cards.proof_line(answer)
        planned = answer.allocation.status in ("optimal", "feasible")
        self.blocked.value = "" if planned else cards.blocked_card(answer)
        self.others.value = cards.alternatives_card(answer)
        self.kept.value = kept_locks(self.state.what_if.locks)
        self._draw_grid(tables.plan_cells(answer))
        sessions = [s.id for s in answer.weekend.event.sessions]
        use = partial(charts.tyre_use_chart, sessions=sessions, width=WIDTH)
        drop_off = partial(charts.drop_off_chart, width=WIDTH)
        self.figures.show(
            [
                Figure("use", tables.tyre_use_table(answer), use),
                Figure("drop-off", tables.drop_off_table(answer), drop_off),
            ]
        )

    def _grid(self) -> Any:
        """Return the grid of laps, values and tyres, a row per session to come."""
        assert self.state is not None
        weekend = self.state.weekend
        heads = ["session", "laps", "value", *CORNERS]
        parts: list[Any] = [w.HTML(f'<span class="tk-muted tk-small">{h}</span>') for h in heads]
        for session in weekend.event.sessions_after(weekend.done):
            parts += self._grid_row(session)
        layout = {"grid_template_columns": GRID, "grid_gap": "8px 10px", "width": "100%"}
        grid = w.GridBox(parts, layout=layout)
        grid.add_class("tk-grid")
        return grid

    def _grid_row(self, session: Session) -> list[Any]:
        """Return one session's widgets and remember them."""
        assert self.state is not None
        id = session.id
        lap_s = float(self.state.fits.lap_time.base_lap_s(id)[0])
        self.laps[id] = number_box("", laps_to_run(session, lap_s), 1, 200, 1)
        self.value[id] = number_box("", session.value, 0.0, 10.0, 0.1)
        self.laps[id].tooltip = f"laps in {id}"
        self.value[id].tooltip = f"value of a second in {id}, against a race's 1.0"
        on_value(self.laps[id], lambda v: self._suppose("laps", id, v))
        on_value(self.value[id], lambda v: self._suppose("value", id, v))
        cells = []
        for corner in CORNERS:
            box = w.Dropdown(options=[("–", "")], value="", layout={"width": "100%"})
            box.tooltip = f"tyre in {id} at {corner}; choosing one locks it"
            on_value(box, partial(self.lock, id, corner))
            self.choice[id, corner] = box
            self.basis[id, corner] = w.HTML()
            cells.append(w.VBox([box, self.basis[id, corner]]))
        return [w.HTML(f"<b>{html(id)}</b>"), self.laps[id], self.value[id], *cells]

    def _suppose(self, name: str, session: str, value: float) -> None:
        """Suppose other laps or another value for one session."""
        if self.state is not None:
            self.change(**{name: {**getattr(self.state.what_if, name), session: value}})

    def _draw_grid(self, plan: pd.DataFrame) -> None:
        """Show the planned tyre in every place, with its age and tread underneath."""
        assert self.state is not None
        locked: dict[tuple[str, str], str] = {
            (lock.session, corner): tyre_id
            for lock in self.state.what_if.locks
            for corner, tyre_id in lock.tyres.items()
        }
        cells: dict[tuple[str, str], Any] = {}
        changed: dict[tuple[str, str], Any] = {}
        for _, found in plan.iterrows():
            first = found["label"] == found["session"]
            (cells if first else changed)[found["session"], found["corner"]] = found
        tyres = list(self.state.weekend.tyres["tyre_id"])
        self.held = True
        for place, box in self.choice.items():
            cell = cells.get(place)
            planned = "no plan" if cell is None else str(cell["tyre_id"])
            free = planned if place not in locked else "set free"
            box.options = [(free, ""), *[(f"{t} locked", t) for t in tyres]]
            box.value = locked.get(place, "")
            (box.add_class if place in locked else box.remove_class)("tk-locked")
            later = str(changed[place]["tyre_id"]) if place in changed else ""
            self.basis[place].value = _basis(cell, later)
        self.held = False

    def _back(self) -> None:
        """Take every supposition back."""
        assert self.state is not None
        event = self.state.weekend.event
        self.held = True
        for id, box in self.value.items():
            box.value = event.session(id).value
            lap_s = float(self.state.fits.lap_time.base_lap_s(id)[0])
            self.laps[id].value = laps_to_run(event.session(id), lap_s)
        self.held = False
        empty = WhatIf()
        self.change(laps=empty.laps, value=empty.value, locks=empty.locks)


def kept_locks(locks: tuple[Lock, ...]) -> str:
    """Return the locks as the lines of event.toml that would keep them."""
    if not locks:
        return ""
    lines = []
    for lock in locks:
        tyres = ", ".join(f'{corner} = "{tyre}"' for corner, tyre in lock.tyres.items())
        lines.append(
            f'[[limit]]\nkind = "lock"\nsession = "{lock.session}"\ntyres = {{ {tyres} }}\n'
        )
    text = html("\n".join(lines))
    return (
        "<details><summary>These locks hold while the notebook is open. To keep them, add to"
        f" event.toml:</summary><pre>{text}</pre></details>"
    )


def _basis(cell: Any, later: str) -> str:
    """Return what stands under a tyre: its age, its thinnest place at the end, a later change."""
    if cell is None:
        return ""
    words = f"{number(cell['age_laps'], 0)} laps, ends {number(cell['tread_end_low_mm'])} mm"
    words += html(f", then {later}") if later else ""
    return f'<span class="tk-muted tk-small">{words}</span>'
