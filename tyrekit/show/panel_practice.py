"""The panel of practice: what to run to learn most, and what the last run taught."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import ipywidgets as w
import pandas as pd

from tyrekit.record.weekend import Weekend
from tyrekit.show import cards, cards_practice, charts_practice, lessons, practice
from tyrekit.show.look_back import LookBack, session_words, state_before
from tyrekit.show.number_box import NumberBox
from tyrekit.show.panels import Figure, Figures, WeekendPanel, on_value, pair, put_back, row
from tyrekit.show.practice import PracticeIf, PracticeState
from tyrekit.show.what_if import start

WIDTH = 560
NONE = "no practice left"
OVER = "This session is over. Shown is what would have taught most, from what was known before it."


class PracticePanel(WeekendPanel):
    """A session's programme of runs, and what any run taught."""

    doing = "looking for the best runs again"
    supposed = "Other values than the event's are supposed for this session."

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__(folder, note)
        self.practice: PracticeState | None = None
        self.lesson: pd.DataFrame = pd.DataFrame()
        self.said, self.plan, self.more = w.HTML(), w.HTML(), w.HTML()
        self.taught, self.promised, self.runs = w.HTML(), Figures(), pair()
        self.controls = w.VBox()
        if self.attempt(self._open):
            self.draw()

    def _open(self) -> None:
        self.state = start(Weekend.open(self.folder), rank=False)
        self.back = LookBack(self.state.weekend)
        every = practice.practices(self.state.weekend)
        coming = [id for id, over in every if not over]
        options = [(session_words(id, over), id) for id, over in every]
        if not coming:
            options.insert(0, (NONE, ""))
        self.which = w.Dropdown(
            options=options, value=coming[0] if coming else "", description="practice",
            style={"description_width": "initial"}, layout={"width": "auto"},
        )  # fmt: skip
        runs = lessons.run_names(self.state.weekend)
        self.run = w.Dropdown(
            options=[(words, id) for id, words in reversed(runs.items())] or [("no run yet", "")],
            description="run", style={"description_width": "initial"},
            layout={"width": "auto"},
        )  # fmt: skip
        on_value(self.which, self.choose)
        on_value(self.run, self.learn)
        self._take(self.which.value)
        self._learn(self.run.value)
        learnt = [row([self.run]), self.taught] if runs else [self.taught]
        self.compose(
            [
                self.head, row([self.which, self.controls, self.working]), self.said, self.plan,
                self.runs, *learnt, self.figures, self.doubts,
            ]
        )  # fmt: skip

    def choose(self, session: str) -> None:
        """Show another session; one that is over is planned from what was known before it."""
        if self.attempt(lambda: self._take(session), "looking for the best runs"):
            self.draw()

    def learn(self, run_id: str) -> None:
        """Show what another run taught."""
        if self.attempt(lambda: self._learn(run_id), "fitting without it"):
            self.draw()

    def change(self, **change: Any) -> None:
        """Suppose something else of the session and draw its programme again."""

        def work() -> None:
            assert self.practice is not None
            self.practice = practice.update_practice(self.practice, change)

        if self.practice is None or self.held:
            return
        if self.attempt(work, self.doing):
            self.draw()

    def draw(self) -> None:
        """Put the present programme and the lesson chosen on screen."""
        super().draw()
        if self.state is None:
            return
        now = self.practice
        words = [self.note, self.supposed if now is not None and now.what_if.supposed else ""]
        self.head.value = cards.head_card(self.state.answer, " ".join(filter(None, words)))
        every = dict(practice.practices(self.state.weekend))
        if now is None:
            self.said.value = cards_practice.no_practice_card(bool(every))
            self.plan.value = self.more.value = ""
        else:
            over = f'<div class="tk-warn">{OVER}</div>'
            self.said.value = over if every[now.session] else ""
            table = practice.runs_table(now)
            worth = cards_practice.worth_cards(now.plan)
            self.plan.value = cards_practice.runs_card(table, now.plan) + worth
            others = cards_practice.alternatives_card(now.plan)
            self.more.value = others + cards_practice.notes_card(now.plan)
        lesson = cards_practice.NOTHING_RUN
        if len(self.lesson):
            lesson = cards_practice.taught_card(self.lesson, self.run.value)
        self.taught.value = lesson
        self.promised.show(promised_figures(now))
        self.runs.children = [self.promised, self.more] if self.promised.children else [self.more]
        self.figures.show(taught_figures(self.lesson, self.run.value))
        self.doubts.value = cards.doubts_card(self.state.answer, practice.notes(self.state.answer))

    def _take(self, session: str) -> None:
        """Plan a session with nothing supposed and set the controls to the event's values."""
        assert self.state is not None
        if not session:
            self.practice = None
            self.controls.children = []
            return
        known = state_before(self.back, self.state, session)
        self.practice = practice.start_practice(known.weekend, known.fits, known.answer, session)
        self.controls.children = [self._controls(self.practice)]

    def _learn(self, run_id: str) -> None:
        assert self.state is not None
        found = pd.DataFrame()
        if run_id:
            found = lessons.taught(self.state.weekend, self.state.fits, run_id)
        self.lesson = found

    def _controls(self, now: PracticeState) -> Any:
        """Return the boxes of what may be supposed of the session."""
        session = now.weekend.event.session(now.session)
        minutes = float(session.minutes or 0.0)
        track_c = round(float(now.answer.conditions.track_c), 1)
        self.minutes = NumberBox("minutes", minutes, 0.0, 480.0, 5.0)
        self.track = NumberBox("track, °C", track_c, -5.0, 70.0, 1.0)
        on_value(self.minutes, lambda v: self.change(minutes=v))
        on_value(self.track, lambda v: self.change(track_c=v))
        self.as_planned = w.Button(description="As planned")
        self.as_planned.on_click(lambda _: self._back(minutes, track_c))
        return row([self.minutes, self.track, self.as_planned])

    def _back(self, minutes: float, track_c: float) -> None:
        """Put both boxes back and plan with the event's own values."""
        self.held = True
        put_back([(self.minutes, minutes), (self.track, track_c)])
        self.held = False
        empty = PracticeIf()
        self.change(minutes=empty.minutes, track_c=empty.track_c)


def promised_figures(now: PracticeState | None) -> list[Figure]:
    """Return the chart of what the runs would make surer."""
    if now is None or now.plan.status == "impossible":
        return []
    table = lessons.promised(now.plan, now.fits)
    return [Figure("promised", table, partial(_draw, title=charts_practice.PROMISED))]


def taught_figures(lesson: pd.DataFrame, run: str) -> list[Figure]:
    """Return the charts of what a run taught."""
    found = []
    for about, names in lessons.ABOUT.items():
        own = lesson[lesson["quantity"].isin(names)] if len(lesson) else lesson
        taught = partial(_draw, title=f"What did {run} teach about {about}?")
        found.append(Figure(f"{about} {run}", own, taught))
    return found


_draw = partial(charts_practice.narrowing_chart, width=WIDTH)
