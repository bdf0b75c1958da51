"""The panel of the tyre plan: every session's tyres, lock one, and the rest replans at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import datetime
from functools import partial
from math import inf
from pathlib import Path
from threading import RLock
from typing import Any, ClassVar

import ipywidgets as w
import pandas as pd

from tyrekit.plan.allocation import each_alternative, explained
from tyrekit.plan.clash import QUESTIONS
from tyrekit.plan.effort import Effort
from tyrekit.plan.fork import fork
from tyrekit.plan.worth import changes, worth_of, worth_table
from tyrekit.record.decisions import save_lock, save_scrapped
from tyrekit.record.weekend import Weekend
from tyrekit.show import charts, plan_cards, tables
from tyrekit.show.answer import SEED, tyres_fitted
from tyrekit.show.meanwhile import Meanwhile, Regularly, aside
from tyrekit.show.number_box import NumberBox
from tyrekit.show.panels import Figure, WeekendPanel, on_value, put_back, row
from tyrekit.show.plan_grid import COUNTS, WET, PlanGrid
from tyrekit.show.scrap_box import ScrapBox
from tyrekit.show.slider import Slider
from tyrekit.show.what_if import (
    State,
    WhatIf,
    changed_event,
    relocked,
    start,
    supposed_fits,
    supposed_words,
)
from tyrekit.show.words import celsius, html, sentences

WIDTH = 520
OTHERS = 5  # alternatives looked for
WHO = "plan"
REST_S = 0.3  # how long a hand may pause before what stands behind the plan is worked out


class WeekendPlanPanel(WeekendPanel):
    """The plan as a grid, drawn first; what stands behind it follows while nobody waits."""

    doing = "planning again"
    watched: ClassVar[dict[Path, Regularly]] = {}  # the newest panel on a folder watches its book

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__(folder, note)
        self.cost, self.clash, self.said = w.HTML(), w.HTML(), w.HTML()
        self.others, self.rain, self.worth = w.HTML(), w.HTML(), w.HTML()
        self.ran, self.cold, self.drawing = w.HTML(), w.HTML(), w.HTML()
        self.before_s: float | None = None
        # Clicks come in a thread of their own, the look at the book in the kernel's.
        self.turn = RLock()
        self.meanwhile = Meanwhile(self._quietly)
        if self.attempt(self._open):
            self.draw()

    def _open(self) -> None:
        self._read(WhatIf())
        self.compose(self._layout())
        old = self.watched.pop(self.folder, None)
        if old is not None:
            old.stop()
        self.watched[self.folder] = Regularly(self.look)

    def _read(self, what_if: WhatIf) -> None:
        """Read the weekend from its folder, fit it and plan it."""
        self.state = start(Weekend.open(self.folder), what_if, plan_only=True)
        self._seen()

    def _seen(self) -> None:
        """Remember how far the book has been read."""
        assert self.state is not None
        book = self.state.weekend.book
        self.seen, self.tables = book.latest_save(), book.tables()

    # What a person does

    def lock(self, session: str, corner: str, tyre_id: str) -> None:
        """Lock a tyre to a place in the book, or with "" set it free, and plan the rest again."""
        if self.state is None:
            return
        words = f"{session} {corner} {f'locked to {tyre_id}' if tyre_id else 'set free'}"
        with self.turn:
            book = self.state.weekend.book
            if self.held:  # the grid is being drawn: no click
                return
            if self.attempt(lambda: save_lock(book, session, corner, tyre_id, WHO), "saving"):
                self._relock(f"{words}, saved {datetime.now():%H:%M:%S}")
            else:
                self._draw_grid()

    def scrap(self, tyre_id: str, scrapped: bool, reason: str = "") -> None:
        """Scrap a tyre in the book, or take it back, and plan the rest again."""

        def work() -> None:
            assert self.state is not None
            save_scrapped(self.state.weekend.book, tyre_id, scrapped, reason, WHO)
            self._reread()

        if self.state is None:
            return
        with self.turn:
            self._remember()
            if self.attempt(work, self.doing):
                done = "scrapped" if scrapped else "in use again"
                self.said.value = html(f"{tyre_id} is {done}, saved {datetime.now():%H:%M:%S}")
                self.draw()

    def undo(self) -> None:
        """Take the last lock back, unless something else was typed into the book after it."""
        if self.state is None:
            return
        with self.turn:
            last = self.state.weekend.book.last_typed()
            if not last:
                self.said.value = "no lock is in the book"
            elif last != ("locks",):
                words = f"the last entry in the book is in {', '.join(last)}, not a lock"
                self.said.value = html(f"{words}: undo it where it was typed")
            elif self.attempt(self._take_back):
                self._relock(f"the last lock is taken back, saved {datetime.now():%H:%M:%S}")

    def _take_back(self) -> None:
        assert self.state is not None
        self.state.weekend.book.undo(WHO)

    def look(self) -> None:
        """See whether another window has written into the book, and follow it."""
        if self.state is None or not self.turn.acquire(blocking=False):
            return
        try:
            if self.state.weekend.book.latest_save() != self.seen:
                self._follow(self.state.weekend.book.tables())
        finally:
            self.turn.release()

    def _follow(self, now: dict[str, pd.DataFrame]) -> None:
        """Plan with what another window has written; fit again unless it is locks only."""
        changed = [name for name, table in now.items() if not table.equals(self.tables[name])]
        if changed in ([], ["locks"]):
            self._relock("locks changed in another window" if changed else "")
        elif self.attempt(self._reread, "the book has changed: working it out again"):
            self.said.value = html(f"another window changed {', '.join(changed)}: worked out again")
            self.draw()

    def _reread(self) -> None:
        assert self.state is not None
        self._read(self.state.what_if)

    def _relock(self, words: str) -> None:
        """Plan with the locks now in the book, and say what was done."""

        def work() -> None:
            assert self.state is not None
            self.state = relocked(self.state)
            self._seen()

        self._remember()
        if self.attempt(work, self.doing):
            self.said.value = html(words)
            self.draw()

    def change(self, **change: Any) -> None:
        """Suppose something else and plan again."""
        with self.turn:
            if not self.held:
                self._remember()
                super().change(**change)

    def price(self) -> None:
        """Work out what other tyres and limits would be worth, a step at a time."""
        with self.turn:
            self.meanwhile.start(self._worth())

    def _remember(self) -> None:
        """Remember the cost before a change."""
        plan = self.state.answer.allocation if self.state is not None else None
        self.before_s = plan.cost_s if plan is not None and len(plan.table) else None

    def _suppose(self, session: str, name: str, value: Any) -> None:
        """Suppose other laps, another value or other weather for one session."""
        if self.state is None:
            return
        if name != "weather":
            self.change(**{name: {**getattr(self.state.what_if, name), session: value}})
            return
        wet = {**self.state.what_if.wet, session: value == WET}
        own = self.state.weekend.event.session(session).wet
        self.change(
            wet={id: is_wet for id, is_wet in wet.items() if id != session or is_wet != own}
        )
        self.draw()

    def _back(self) -> None:
        """Take every supposition back; the locks stay."""
        assert self.state is not None
        self.held = True
        self.grid.back(self.state)
        self.wear.value = self.drop_off.value = 100.0
        now = tables_now(self.state)
        put_back(zip((self.track, self.air), now, strict=True))
        self.held = False
        self.change(**{f.name: getattr(WhatIf(), f.name) for f in fields(WhatIf)})

    # What is on screen

    def _layout(self) -> list[Any]:
        assert self.state is not None
        self.grid = PlanGrid(self.state, self.lock, self._suppose)
        self.take_back = w.Button(description="Undo the last lock")
        self.take_back.on_click(lambda _: self.undo())
        self.scraps = ScrapBox(self.scrap)
        self.ask = w.Button(description="What would help?")
        self.ask.on_click(lambda _: self.price())
        supposed = w.VBox([w.HTML("<h2>What if</h2>"), self._controls(), self.cold])
        supposed.add_class("tk-controls")
        head = w.HTML("<h2>What would another tyre or limit be worth?</h2>")
        self.help = w.VBox([head, row([self.ask]), self.worth])
        counts = w.HTML(f'<p class="tk-muted tk-small">{html(COUNTS)}</p>')
        if self.state.weekend.next_session is None:
            return [self.head, self.cost, self.ran, self.figures, self.doubts]
        return [
            self.head, self.cost, self.clash, self.grid, counts,
            row([self.take_back, self.scraps.ask, self.said, self.working], align_items="center"),
            self.scraps,
            supposed, self.rain, self.others, self.help, w.HTML("<h2>Why</h2>"), self.drawing,
            self.figures, self.ran, self.doubts,
        ]  # fmt: skip

    def _controls(self) -> Any:
        """Return the sliders and boxes of what may be supposed for the whole weekend."""
        assert self.state is not None
        track_c, air_c = tables_now(self.state)
        self.wear = Slider(
            "tread wear",
            100,
            50,
            200,
            5,
            "% of what was found",
            lambda v: self.change(wear_pct=v),
        )
        self.drop_off = Slider(
            "time lost to age", 100, 50, 200, 5, "% of what was found",
            lambda v: self.change(drop_off_pct=v),
        )  # fmt: skip
        self.track = NumberBox("track, °C", track_c, -5.0, 70.0, 1.0)
        self.air = NumberBox("air, °C", air_c, -15.0, 50.0, 1.0)
        on_value(self.track, lambda v: self.change(track_c=v))
        on_value(self.air, lambda v: self.change(air_c=v))
        back = w.Button(description="As planned")
        back.on_click(lambda _: self._back())
        moved = row([self.wear, self.drop_off], align_items="center")
        given = row([self.track, self.air, back], align_items="center")
        return w.VBox([moved, given], layout={"grid_gap": "10px"})

    def draw(self) -> None:
        """Put the present plan on screen; the rest follows a moment later."""
        if self.state is None:
            return
        self.supposed = supposed_words(self.state.what_if)
        super().draw()
        answer = self.state.answer
        self._draw_grid()
        self.clash.value = plan_cards.clash_card(answer)
        self.help.layout.display = "" if len(answer.allocation.table) else "none"
        self.cost.value = plan_cards.cost_card(answer, self.before_s)
        self.rain.value = self.worth.value = ""
        planned = answer.allocation.status != "impossible" and len(answer.allocation.table)
        self.others.value = _waiting("looking for other plans") if planned else ""
        self.drawing.value = _waiting("drawing")
        self.meanwhile.start(self._rest(), delay_s=REST_S)

    def _draw_grid(self) -> None:
        assert self.state is not None
        self.held = True
        self.grid.show(self.state)
        self.scraps.show(self.state.weekend.tyres)
        self.held = False
        last = self.state.weekend.book.last_typed()
        self.take_back.layout.display = "" if last == ("locks",) else "none"

    def _rest(self) -> Iterator[None]:
        """Draw what stands behind the plan: charts, rain, rivals; a step at a time."""
        assert self.state is not None
        answer = self.state.answer
        over = answer.weekend.next_session is None
        self.ran.value = plan_cards.ran_card(answer, fold=not over)
        self.cold.value = cold_line(self.state)
        self.figures.show(figures(self.state))
        self.drawing.value = ""
        yield
        if self.grid.doubtful and len(answer.allocation.table):
            self.rain.value = _waiting("planning for rain")
            yield
            self.rain.value = self._fork(self.state)
        plan = answer.allocation
        if plan.status == "impossible":
            self.clash.value += _waiting("looking for the limits that clash")
            effort = Effort(QUESTIONS)
            plan = yield from aside(partial(explained, plan, effort), partial(effort.spend, inf))
            answer = replace(answer, allocation=plan)
            self.clash.value = plan_cards.clash_card(answer)
        more = each_alternative(plan, OTHERS) if not plan.alternatives else ()
        for number, found in enumerate(more, 1):
            plan = found
            self.others.value = _waiting(f"looking for other plans: {number} of {OTHERS} found")
            yield
        self.state = replace(self.state, answer=replace(answer, allocation=plan))
        self.others.value = plan_cards.rivals_card(plan)

    def _worth(self) -> Iterator[None]:
        """Solve the weekend again with each change of tyres and limits, saying how far it is."""
        assert self.state is not None
        if not self.state.answer.allocation.alternatives:
            yield from self._rest()
        plan, found = self.state.answer.allocation, []
        asked = list(changes(plan.problem)) if len(plan.table) else []
        for number, one in enumerate(asked, 1):
            self.worth.value = _waiting(f"{number} of {len(asked)}: {one.words}")
            yield
            found.append(worth_of(plan, one))
        self.worth.value = plan_cards.worth_card(worth_table(found))

    def _fork(self, state: State) -> str:
        weekend, event = state.weekend, changed_event(state.weekend.event, state.what_if)
        doubtful = self.grid.doubtful
        found = fork(
            event, doubtful, weekend.tyres, *supposed_fits(state.fits, state.what_if),
            done=weekend.done, fitted=tyres_fitted(weekend), expected_wear=True, seed=SEED,
        )  # fmt: skip
        return plan_cards.fork_card(found, doubtful)

    def _quietly(self, work: Any) -> bool:
        """Run a step without wiping away what an earlier failure said."""
        with self.turn:
            said = self.problem.value
            went_well = self.attempt(work)
            if went_well and said:
                self.problem.value = said
            return went_well


def figures(state: State) -> list[Figure]:
    """Return the charts that say why."""
    answer = state.answer
    sessions = [s.id for s in answer.weekend.event.sessions]
    lost = tables.drop_off_table(answer)
    times = state.what_if.drop_off_pct / 100
    lost[["mean", "lower", "upper"]] *= times
    return [
        Figure(
            "use", tables.tyre_use_table(answer),
            partial(charts.tyre_use_chart, sessions=sessions, width=WIDTH),
        ),
        Figure("drop-off", lost, partial(charts.drop_off_chart, width=WIDTH)),
    ]  # fmt: skip


def tables_now(state: State) -> tuple[float, float]:
    """Return track and air temperature as last written down, or assumed."""
    now = state.answer.conditions
    return round(now.track_c, 1), round(now.air_c, 1)


def cold_line(state: State) -> str:
    """Return the next session's cold pressures at the temperatures supposed."""
    found, coming = state.answer.cold_pressures, state.weekend.next_session
    if found is None or coming is None:
        return ""
    words = html(sentences([state.answer.conditions.again]))
    again = f" <b>{words}</b>" if words else ""
    bars = ", ".join(f"{r['corner']} {r['cold_bar']:.2f}" for _, r in found.table.iterrows())
    return (
        f"<p>Cold pressures for {html(coming.id)} at track {celsius(found.track_c)} °C, air"
        f" {celsius(found.air_c)} °C: <b>{html(bars)} bar</b>."
        ' <span class="tk-muted">Temperature moves the pressures only: suppose'
        f" more wear or less with the first slider.</span>{again}</p>"
    )


def _waiting(words: str) -> str:
    return f'<p class="tk-muted" role="status">{html(words)} …</p>'
