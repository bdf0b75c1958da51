"""The panel between two sessions: type what was measured, read what goes on next."""

from __future__ import annotations

from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as w

from tyrekit.plan.programme import laps_to_run
from tyrekit.record.weekend import Weekend
from tyrekit.show import cards, charts, tables
from tyrekit.show.answer import Answer
from tyrekit.show.entry_table import EntryTable
from tyrekit.show.panels import Figure, Later, WeekendPanel, number_box, on_value, row
from tyrekit.show.readings import COLUMNS, Readings
from tyrekit.show.sheet import write_sheet
from tyrekit.show.what_if import WhatIf, start
from tyrekit.show.words import html, one_in

WIDTH = 560
RISKS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05)


class NextSessionPanel(WeekendPanel):
    """Readings in, answer out."""

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__(folder, note)
        self.tyres, self.sure, self.fuel = w.HTML(), w.HTML(), w.HTML()
        self.sheet_link, self.said = w.HTML(), w.HTML()
        self.again = Later(self.reload)
        if self.attempt(self._open):
            self.draw()

    def _open(self) -> None:
        self.state = start(Weekend.open(self.folder))
        self.readings = Readings(self.state.weekend)
        self.entry = EntryTable(COLUMNS, self.readings.rows(), self._save, self.readings.caption())
        self._show_book()
        self.undo = w.Button(description="Undo the last entry")
        self.undo.on_click(lambda _: self.attempt(self._undo))
        self.write = w.Button(description="Write the crew's sheet")
        self.write.on_click(lambda _: self.attempt(self._write, "writing the sheet"))
        self.compose(self._layout(self._controls()))

    def reload(self) -> None:
        """Read the weekend again from its folder, fit and plan it, and draw."""

        def work() -> None:
            assert self.state is not None
            weekend = Weekend.open(self.folder)
            self.state = start(weekend, self.state.what_if)
            self.readings.weekend = weekend

        if self.attempt(work, "fitting and planning again"):
            self.draw()

    def draw(self) -> None:
        """Put the present answer on screen."""
        super().draw()
        if self.state is None:
            return
        answer = self.state.answer
        self.tyres.value = cards.tyres_card(answer) + cards.conditions_line(answer)
        self.sure.value = cards.sure_card(answer)
        self.fuel.value = cards.fuel_cards(answer)
        self.figures.show(figures(answer))

    def _controls(self) -> Any:
        """Return the boxes of what may be supposed."""
        assert self.state is not None
        weekend = self.state.weekend
        event, coming = weekend.event, weekend.next_session
        now = self.state.answer.conditions
        target = event.tyres.hot_target_bar
        risks = sorted({*RISKS, event.fuel.shortfall_risk})
        self.risk = w.Dropdown(
            options=[(one_in(r), r) for r in risks], value=event.fuel.shortfall_risk,
            description="accept running short", style={"description_width": "initial"},
            layout={"width": "auto"},
        )  # fmt: skip
        self.front = number_box("hot front, bar", target.front, 0.8, 4.0, 0.05)
        self.rear = number_box("hot rear, bar", target.rear, 0.8, 4.0, 0.05)
        self.track = number_box("track, °C", round(now.track_c, 1), -5.0, 70.0, 1.0)
        self.air = number_box("air, °C", round(now.air_c, 1), -15.0, 50.0, 1.0)
        on_value(self.risk, lambda v: self.change(shortfall_risk=v))
        on_value(self.front, lambda v: self.change(hot_front_bar=v))
        on_value(self.rear, lambda v: self.change(hot_rear_bar=v))
        on_value(self.track, lambda v: self.change(track_c=v))
        on_value(self.air, lambda v: self.change(air_c=v))
        boxes = [self.risk, self.front, self.rear, self.track, self.air]
        if coming is not None:
            lap_s = float(self.state.fits.lap_time.base_lap_s(coming.id)[0])
            laps = laps_to_run(coming, lap_s)
            self.laps = number_box(f"laps in {coming.id}", laps, 1, 200, 1)
            on_value(self.laps, lambda v: self.change(laps={coming.id: v}))
            boxes.insert(0, self.laps)
        self.back = w.Button(description="As planned")
        initial = [(box, box.value) for box in boxes]
        self.back.on_click(lambda _: self._back(initial))
        return row([*boxes, self.back, self.working])

    def _back(self, initial: list[tuple[Any, Any]]) -> None:
        """Put every box back and plan with the event's own values."""
        self.held = True
        for box, value in initial:
            box.value = value
        self.held = False
        self.change(**{f.name: getattr(WhatIf(), f.name) for f in fields(WhatIf)})

    def _layout(self, controls: Any) -> list[Any]:
        left = w.VBox([self.tyres], layout={"flex": "3 1 480px", "min_width": "320px"})
        right = w.VBox(
            [w.HTML("<h2>&nbsp;</h2>"), self.sure, self.write, self.sheet_link],
            layout={"flex": "1 1 280px"},
        )
        measured = w.VBox(
            [w.HTML("<h2>Just measured</h2>"), self.entry, row([self.undo, self.said])]
        )
        supposed = w.VBox([w.HTML("<h2>What if</h2>"), controls])
        supposed.add_class("tk-controls")
        return [
            self.head, row([left, right]), w.HTML("<h2>Fuel</h2>"), self.fuel, supposed, measured,
            self.doubts, w.HTML("<h2>Why</h2>"), self.figures,
        ]  # fmt: skip

    def _save(self, key: str, group: str, values: dict[str, float]) -> str:
        said = self.readings.save(key, group, values)
        self.again.call()
        return said

    def _undo(self) -> None:
        self.said.value = html(self.readings.undo())
        self._show_book()
        self.again.call()

    def _show_book(self) -> None:
        """Show in the table what the book holds."""
        for key, texts in self.readings.texts().items():
            self.entry.show_saved(key, texts)

    def _write(self) -> None:
        assert self.state is not None
        path = write_sheet(self.state.answer, self.folder / "out" / "sheet.html")
        self.sheet_link.value = (
            f'<a href="/files/out/{html(path.name)}" target="_blank">Open the sheet</a>'
            f' <span class="tk-muted">saved as {html(path)}</span>'
        )


def figures(answer: Answer) -> list[Figure]:
    """Return the charts that say why."""
    limit_mm = tables.tread_limit_mm(answer.weekend.event)
    choices = tables.choices_table(answer)
    choices = choices if len(choices) > 1 else choices.iloc[:0]
    found = [
        Figure("choices", choices, partial(charts.choices_chart, width=WIDTH)),
        Figure(
            "drop-off", tables.drop_off_table(answer), partial(charts.drop_off_chart, width=WIDTH)
        ),
        Figure(
            "tread", tables.tread_table(answer),
            partial(charts.tread_chart, limit_mm=limit_mm, width=WIDTH),
        ),
    ]  # fmt: skip
    races = [s for s in answer.fuel_loads if answer.weekend.event.session(s).kind == "race"]
    for session in races[:1]:
        risk = answer.fuel_loads[session].accepted_risk
        draw = partial(charts.fuel_chart, accepted_risk=risk, session=session, width=WIDTH)
        table = tables.fuel_risk_table(answer, session)
        found.append(Figure(f"fuel {session} {risk}", table, draw))
    laps = tables.lap_times_table(answer)
    return [*found, Figure("laps", laps, partial(charts.lap_times_chart, width=WIDTH))]
