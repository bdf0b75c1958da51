"""The panel of one race: fuel against risk, when to stop, what to do under a caution."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as w

from tyrekit.record.weekend import Weekend
from tyrekit.record.whole_file import write_whole
from tyrekit.show import cards, cards_race, charts, charts_race, race
from tyrekit.show.look_back import LookBack, session_words, state_before
from tyrekit.show.number_box import NumberBox
from tyrekit.show.panels import Figure, WeekendPanel, on_value, pair, put_back, row
from tyrekit.show.race import RaceIf, RaceState
from tyrekit.show.sheet_page import document, stamp_of
from tyrekit.show.sheet_race import race_page
from tyrekit.show.words import html, one_in

WIDTH = 560
RISKS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
SUPPOSED = "Other values than the event's are supposed for this race."
RUN_ALREADY = (
    "This race has been run. Shown is the plan the kit would have made before it, from what was"
    " known then."
)


class RacePanel(WeekendPanel):
    """A race chosen, its plan redrawn as risk, petrol temperature, length or cautions move."""

    doing = "planning the race again"
    supposed = SUPPOSED

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__(folder, note)
        self.race: RaceState | None = None
        self.said, self.plan, self.replies = w.HTML(), w.HTML(), w.HTML()
        self.others, self.link = w.HTML(), w.HTML()
        self.account, self.left, self.notes = w.HTML(), w.HTML(), w.HTML()
        self.stops, self.fuel = pair(), pair()
        self.controls, self.why = w.VBox(), w.HTML()
        if self.attempt(self._open):
            self.draw()

    def _open(self) -> None:
        self.state = race.start_weekend(Weekend.open(self.folder))
        self.back = LookBack(self.state.weekend)
        every = race.races(self.state.weekend)
        if not every:
            self.compose([self.head, w.HTML("<p>event.toml has no race.</p>"), self.doubts])
            return
        first = next((id for id, run in every if not run), every[-1][0])
        self.which = w.Dropdown(
            options=[(session_words(id, run), id) for id, run in every], value=first,
            description="race", style={"description_width": "initial"}, layout={"width": "auto"},
        )  # fmt: skip
        on_value(self.which, self.choose)
        self.card = w.Button(description="Write the pit-wall card")
        self.card.on_click(lambda _: self.attempt(self._write, "writing the card"))
        self._take(first)
        supposed = w.VBox([w.HTML("<h2>What if</h2>"), self.controls])
        supposed.add_class("tk-controls")
        self.compose(
            [
                self.head, row([self.which, self.card, self.link, self.working]), self.said,
                self.plan, supposed, self.stops, self.fuel, self.why, self.figures, self.notes,
                self.doubts,
            ]
        )  # fmt: skip

    def choose(self, session: str) -> None:
        """Show another race; one that has been run is planned from what was known before it."""
        if self.attempt(lambda: self._take(session), "planning the race"):
            self.link.value = ""
            self.draw()

    def change(self, **change: Any) -> None:
        """Suppose something else of the race and draw its plan again."""

        def work() -> None:
            assert self.race is not None
            self.race = race.update_race(self.race, change)

        if self.race is None or self.held:
            return
        if self.attempt(work, self.doing):
            self.draw()

    def draw(self) -> None:
        """Put the present plan on screen."""
        super().draw()
        if self.state is None or self.race is None:
            return
        plan, event = self.race.plan, self.race.weekend.event
        words = [self.note, self.supposed if self.race.what_if.supposed else ""]
        self.head.value = cards.head_card(self.state.answer, " ".join(filter(None, words)))
        run = self.race.session in self.state.weekend.done
        session = event.session(self.race.session)
        has_stops, starts = session.stops is not None, session.start
        self.said.value = f'<div class="tk-warn">{RUN_ALREADY}</div>' if run else ""
        self.plan.value = "".join(
            [
                f"<h2>{html(plan.session)}, {starts:%A %H:%M}</h2>", cards_race.blocked_card(plan),
                cards_race.decision_cards(plan, self.state.fits.lap_time.oldest_seen_laps),
                cards_race.why_no_stops(plan, has_stops),
            ]
        )  # fmt: skip
        self.replies.value = cards_race.replies_card(plan)
        self.others.value = cards_race.plans_card(plan)
        self.account.value = cards_race.account_card(plan)
        self.left.value = cards_race.fuel_left_card(plan)
        self.notes.value = cards_race.notes_card(plan)
        self.stops.children = [one for one in (self.replies, self.others) if one.value]
        self.fuel.children = [one for one in (self.left, self.account) if one.value]
        self.figures.show(figures(self.race))
        self.doubts.value = cards.doubts_card(self.state.answer, race.notes(self.race.answer))
        self.why.value = "<h2>Why</h2>" if self.figures.children else ""

    def _take(self, session: str) -> None:
        """Plan a race with nothing supposed and set the controls to the event's values."""
        assert self.state is not None
        known = state_before(self.back, self.state, session)
        self.race = race.start_race(known.weekend, known.fits, known.answer, session)
        self.controls.children = [self._controls(self.race)]

    def _controls(self, now: RaceState) -> Any:
        """Return the boxes of what may be supposed of the race."""
        event, session = now.weekend.event, now.weekend.event.session(now.session)
        accepted = event.fuel.shortfall_risk
        self.risk = w.Dropdown(
            options=[(one_in(r), r) for r in sorted({*RISKS, accepted})], value=accepted,
            description="accept running short", style={"description_width": "initial"},
            layout={"width": "auto"},
        )  # fmt: skip
        bowser_c = round(now.answer.conditions.bowser_c, 1)
        self.bowser = NumberBox("petrol, °C", bowser_c, -30.0, 60.0, 1.0)
        boxes = {"shortfall_risk": self.risk, "bowser_c": self.bowser}
        if session.laps is not None:
            self.laps = boxes["laps"] = NumberBox(
                "race laps", session.laps, race.shortest_laps(session), 500, 1
            )
        if session.minutes is not None:
            minutes = NumberBox("race minutes", float(session.minutes), 1.0, 1500.0, 1.0)
            self.minutes = boxes["minutes"] = minutes
        if session.caution is not None:
            chance = session.caution.chance_per_lap
            self.caution = NumberBox("chance of a caution, a lap", chance, 0.0, 0.5, 0.01)
            boxes["chance_per_lap"] = self.caution
        for name, box in boxes.items():
            on_value(box, partial(self._suppose, name))
        self.as_planned = w.Button(description="As planned")
        initial = [(box, box.value) for box in boxes.values()]
        self.as_planned.on_click(lambda _: self._back(initial))
        return row([*boxes.values(), self.as_planned])

    def _suppose(self, name: str, value: Any) -> None:
        self.change(**{name: value})

    def _back(self, initial: list[tuple[Any, Any]]) -> None:
        """Put every box back and plan with the event's own values."""
        self.held = True
        put_back(initial)
        self.held = False
        empty = RaceIf()
        self.change(**{name: getattr(empty, name) for name in RaceIf.__dataclass_fields__})

    def _write(self) -> None:
        assert self.race is not None
        path = write_card(self.race, self.folder / "out", datetime.now(UTC))
        self.link.value = (
            f'<a href="/files/out/{html(path.name)}" target="_blank">Open the card</a>'
            f' <span class="tk-muted">saved as {html(path)}</span>'
        )


def write_card(now: RaceState, folder: Path, made: datetime) -> Path:
    """Write the pit-wall card of a race whole or not at all, what is supposed said on it."""
    page = race_page(now.plan)
    if now.what_if.supposed:
        page = page._replace(sections=[f'<div class="warn">{SUPPOSED}</div>', *page.sections])
    path = folder / f"{page.slug}.html"
    write_whole(path, document([page], stamp_of(now.answer, made)))
    return path


def figures(now: RaceState) -> list[Figure]:
    """Return the charts of a race: fuel against risk, stop windows, cautions."""
    plan = now.plan
    risk = plan.fuel.accepted_risk
    draw = partial(charts.fuel_chart, accepted_risk=risk, session=plan.session, width=WIDTH)
    found = []
    if not plan.race.refuel:
        found.append(Figure(f"fuel {plan.session}", race.fuel_risk(plan), draw))
    for stop, rows in now.window.groupby("stop"):
        which = f"stop {stop}" if now.window["stop"].nunique() > 1 else "a stop"
        window = partial(charts_race.window_chart, which=which, width=WIDTH)
        found.append(Figure(f"window of {which}", rows, window))
    replies = race.replies_grid(plan)
    found.append(Figure("replies", replies, partial(charts_race.replies_chart, width=WIDTH)))
    return found
