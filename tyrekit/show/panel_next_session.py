"""The panel between two sessions: check the run in, type what was measured, read what goes on."""

from __future__ import annotations

from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as w

from tyrekit.plan.weekend_problem import laps_by_time
from tyrekit.record.weekend import Weekend
from tyrekit.show import cards
from tyrekit.show.check_in import folder_name
from tyrekit.show.entry_table import EntryTable
from tyrekit.show.figures_next_session import figures
from tyrekit.show.fuel_box import FuelBox
from tyrekit.show.number_box import NumberBox
from tyrekit.show.panel_check_in import CheckIn
from tyrekit.show.panel_laps import LapsBox
from tyrekit.show.panels import Background, WeekendPanel, on_value, put_back, row
from tyrekit.show.readings import GAUGES, Readings
from tyrekit.show.refresh import refreshed
from tyrekit.show.sheet import write_sheet
from tyrekit.show.sheet_plans import sheet_plans
from tyrekit.show.what_if import (
    State,
    WhatIf,
    changed_event,
    start,
    supposed_words,
    update,
)
from tyrekit.show.words import html, one_in

RISKS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
OLDER = '<p role="status" class="tk-older">The answer is older than the last entry: {} …</p>'


class NextSessionPanel(WeekendPanel):
    """Readings in, answer out."""

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__(folder, note)
        self.tyres, self.sure, self.fuel = w.HTML(), w.HTML(), w.HTML()
        self.sheet_link, self.said, self.older = w.HTML(), w.HTML(), w.HTML()
        self.to_type = w.HTML()
        self.again = Background(self._read_again, self._read)
        self.touched = False
        self.known = self.own = 0  # the last save of the book that is shown, and the last of ours
        if self.attempt(self._open):
            self.draw()

    def _open(self) -> None:
        weekend = Weekend.open(self.folder)
        self.known = self.own = weekend.book.latest_save()
        self.state = start(weekend)
        self.readings = Readings(weekend)
        self.entry = EntryTable(
            self.readings.columns(), self.readings.rows(), self._save, self.readings.caption(),
            on_typed=self._typed, on_look=self.look,
        )  # fmt: skip
        self.gauge = w.Dropdown(
            options=GAUGES, value=self.readings.gauge_digits, description="depth gauge reads to",
            style={"description_width": "initial"}, layout={"width": "auto"},
        )  # fmt: skip
        on_value(self.gauge, lambda digits: self.attempt(partial(self._set_gauge, digits)))
        self.check_in = CheckIn(self.attempt, self._checked_in, weekend)
        self.measure = w.Button(description="Type tread and pressures")
        self.measure.on_click(lambda _: self._go_to_entry())
        self.laps_box = LapsBox(self.attempt, self._decided)
        self.fuel_box = FuelBox(self.attempt, self._decided)
        self._show_book()
        self.undo = w.Button(description="Undo the last entry")
        self.undo.on_click(lambda _: self.attempt(self._undo))
        self.write = w.Button(description="Write the crew's sheet")
        self.write.on_click(lambda _: self.attempt(self._write, "writing the sheet"))
        self.controls = w.VBox([self._controls()])
        self.compose(self._layout())

    def reload(self) -> None:
        """Read the weekend again from its folder, fit and plan what has changed, and draw."""
        self.older.value = OLDER.format("working it out again")
        self.again.call(0.0)

    def look(self) -> None:
        """See whether another window has saved, or a new log has arrived."""
        if self.state is None or self.again.busy:
            return
        latest = self.state.weekend.book.latest_save()
        if latest != self.known:
            if latest > self.own:
                self.said.value = "Another window has saved: its entries are shown."
            self.reload()
        self.attempt_quietly(self.check_in.look)

    def draw(self) -> None:
        """Put the present answer on screen."""
        super().draw()
        if self.state is None:
            return
        answer = self.state.answer
        self.tyres.value = cards.tyres_card(answer) + cards.conditions_line(answer)
        self.sure.value = cards.sure_card(answer)
        fuel = cards.fuel_cards(answer)
        self.fuel.value = f"<h2>Fuel</h2>{fuel}" if fuel else ""
        self.figures.show(figures(answer))
        self.laps_box.draw(answer)
        self.fuel_box.show(self.state.weekend)
        self.check_in.follow(self.state.weekend, answer)

    def attempt_quietly(self, work: Any) -> None:
        """Run what nobody asked for; a problem that is on screen already stays."""
        said = self.problem.value
        if self.attempt(work):
            self.problem.value = said

    def _read_again(self) -> tuple[int, State]:
        """Return the last save and the weekend's state after it; runs in a thread."""
        assert self.state is not None
        latest = self.state.weekend.book.latest_save()
        return latest, refreshed(self.state, Weekend.open(self.folder))

    def _read(self, outcome: Any) -> None:
        """Show what was read again, as supposed meanwhile."""

        def work() -> None:
            assert self.state is not None
            if isinstance(outcome, Exception):
                raise outcome
            self.known, found = outcome
            supposed = self.state.what_if
            same = found.what_if == supposed
            was = self.state.weekend.next_session
            self.state = found if same else update(found, vars(supposed))
            self._follow(found.weekend)
            if found.weekend.next_session != was:
                self.controls.children = [self._controls()]  # alone: somebody may be typing

        if self.attempt(work):
            self.older.value = ""
            self.draw()
        else:
            self.older.value = OLDER.format("it could not be worked out, see above")

    def _follow(self, weekend: Weekend) -> None:
        """Ask for the readings of the last run the book now has."""
        self.readings.follow(weekend)
        self._show_book()

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
        self.front = NumberBox("hot front, bar", target.front, 0.8, 4.0, 0.05)
        self.rear = NumberBox("hot rear, bar", target.rear, 0.8, 4.0, 0.05)
        self.track = NumberBox("track, °C", round(now.track_c, 1), -5.0, 70.0, 1.0)
        self.air = NumberBox("air, °C", round(now.air_c, 1), -15.0, 50.0, 1.0)
        on_value(self.risk, lambda v: self.change(shortfall_risk=v))
        on_value(self.front, lambda v: self.change(hot_front_bar=v))
        on_value(self.rear, lambda v: self.change(hot_rear_bar=v))
        on_value(self.track, lambda v: self.change(track_c=v))
        on_value(self.air, lambda v: self.change(air_c=v))
        boxes = [self.risk, self.front, self.rear, self.track, self.air]
        if coming is not None:
            laps, _ = laps_by_time(event, coming, self.state.fits.lap_time)
            self.laps = NumberBox(f"laps in {coming.id}", laps, 1, 200, 1)
            on_value(self.laps, lambda v: self.change(laps={coming.id: v}))
            boxes.insert(0, self.laps)
        self.back = w.Button(description="As planned")
        initial = [(box, box.value) for box in boxes]
        self.back.on_click(lambda _: self._back(initial))
        return row([*boxes, self.back, self.working])

    def _back(self, initial: list[tuple[Any, Any]]) -> None:
        """Put every box back and plan with the event's own values."""
        self.held = True
        put_back(initial)
        self.held = False
        self.change(**{f.name: getattr(WhatIf(), f.name) for f in fields(WhatIf)})

    def _layout(self) -> list[Any]:
        """Return the panel's parts: what to do, the answer, and below it what is typed."""
        bar = row(
            [self.check_in.begin, self.measure, self.write, self.check_in.news, self.to_type,
             self.sheet_link],
            align_items="center",
        )  # fmt: skip
        left = w.VBox([self.tyres], layout={"flex": "3 1 480px", "min_width": "320px"})
        right = w.VBox([self.sure], layout={"flex": "1 1 280px"})
        undo = row([self.undo, self.gauge, self.fuel_box.ask, self.said], align_items="center")
        measured = w.VBox(
            [w.HTML("<h2>Just measured</h2>"), self.entry, undo, self.fuel_box],
            layout={"flex": "0 1 720px"},
        )
        self.laps_box.last.layout = {"flex": "1 1 380px"}
        supposed = w.VBox([w.HTML("<h2>What if</h2>"), self.controls])
        supposed.add_class("tk-controls")
        laps = w.VBox([w.HTML("<h2>Laps</h2>"), self.laps_box])
        return [
            self.head, bar, self.check_in, self.older, row([left, right]),
            self.fuel, row([measured, self.laps_box.last]), supposed,
            laps, self.doubts, w.HTML("<h2>Why</h2>"), self.figures,
        ]  # fmt: skip

    def _go_to_entry(self) -> None:
        """Put the keyboard where the next reading is to be typed."""
        missing = [key for keys in self.readings.missing().values() for key in keys]
        every = [key for key, _ in self.readings.rows()]
        self.entry.go_to(next((key for key in every if key in missing), every[0] if every else ""))

    def _save(self, key: str, group: str, values: dict[str, float]) -> str:
        self.touched = True  # or another window has: either way the book is to be read again
        said = self.readings.save(key, group, values)
        self._say_missing()
        return said

    def _typed(self, key: str, texts: dict[str, str]) -> None:
        """Keep what a row holds that is not saved; after a save work the answer out again."""
        self.readings.keep(key, texts)
        if self.touched:
            self.touched = False
            self._changed(0.8)

    def _changed(self, delay_s: float) -> None:
        """After an entry of ours: work the answer out again, and say that it is older."""
        self.own = self.readings.weekend.book.latest_save()
        self.older.value = OLDER.format("working it out again")
        self.again.call(delay_s)

    def _checked_in(self, said: str) -> None:
        self.said.value = html(said)
        weekend = Weekend.open(self.folder)
        self._follow(weekend)
        self.check_in.follow(weekend, None)
        self.entry.go_to(next((key for key, _ in self.readings.rows()), ""))
        self._changed(0.1)

    def _set_gauge(self, digits: int) -> None:
        self.readings.set_gauge(digits)
        self.entry.ask(self.readings.columns())

    def _decided(self, said: str) -> None:
        self.said.value = html(said)
        self._changed(0.0)

    def _undo(self) -> None:
        self.said.value = html(self.readings.undo())
        self._show_book()
        self._changed(0.0)

    def _show_book(self) -> None:
        """Show in the table what the book holds, and what was typed and never saved."""
        if self.entry.name != self._table_name():
            self.entry.name = self._table_name()
            self.entry.show_rows([])
        self.entry.caption = self.readings.caption()
        self.entry.show_rows(self.readings.rows())
        for key, texts in self.readings.texts().items():
            self.entry.show_saved(key, texts)
        for key, texts in self.readings.kept().items():
            if not self.entry.unsaved(key):
                self.entry.restore(key, texts)

        self._say_missing()

    def _say_missing(self) -> None:
        words = self.readings.missing_words()
        self.to_type.value = f"<b>{html(words)}</b>" if words else ""

    def _table_name(self) -> str:
        run = self.readings.run
        return f"{folder_name(self.readings.weekend)} {'' if run is None else run['run_id']}"

    def _write(self) -> None:
        assert self.state is not None
        state = self.state
        event = changed_event(state.weekend.event, state.what_if)
        path = write_sheet(
            state.answer, self.folder / "out" / "sheet.html",
            plans=sheet_plans(state.answer, event), supposed=supposed_words(state.what_if),
        )  # fmt: skip
        self.sheet_link.value = (
            f'<a href="/files/out/{html(path.name)}" target="_blank">Open the sheet</a>'
            f' <span class="tk-muted">saved as {html(path)}</span>'
        )
