"""The laps of a weekend in a panel: what each was, and leaving some out with a reason."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import altair as alt
import ipywidgets as w

from tyrekit.errors import InputError
from tyrekit.record.decisions import save_left_out
from tyrekit.show import left_out
from tyrekit.show.answer import Answer
from tyrekit.show.cards_laps import kind_words, laps_table
from tyrekit.show.charts_laps import brush_chart, moved_chart, run_laps_chart
from tyrekit.show.panels import Figure, Figures, Later, on_value, row
from tyrekit.show.words import clock, html

WHO = "next session panel"
REASONS = ("held up by traffic", "off the road", "a mistake", "yellow flag", "not at pace")
WIDTH = 480


class LapsBox(w.VBox):  # type: ignore[misc]  # ipywidgets has no types
    """The last run's laps, and on demand a chart to brush laps on.

    Parameters
    ----------
    attempt : callable
        Runs work and says in the panel when it fails.
    on_saved : callable(words)
        Told when a decision is on disk.
    """

    def __init__(self, attempt: Callable[..., bool], on_saved: Callable[[str], None]) -> None:
        self.attempt, self.on_saved = attempt, on_saved
        self.answer: Answer | None = None
        self.held = False
        self.last, self.rules = Figures(), w.HTML()
        self.moved, self.words = Figures(), w.HTML()
        self.choose = w.ToggleButton(description="Leave laps out")
        self.chosen = w.SelectMultiple(
            rows=9, description="laps", layout={"width": "auto", "min_width": "330px"}
        )
        self.reason = w.Combobox(
            options=REASONS, description="reason", placeholder="why they say nothing of the tyres",
            continuous_update=False, layout={"width": "auto", "min_width": "330px"},
        )  # fmt: skip
        self.take_out = w.Button(description="Leave them out", disabled=True)
        self.put_back = w.Button(description="Count them again", disabled=True)
        self.chart: Any = None
        self.show_moves = Later(self._show_moves, 0.15)
        super().__init__()
        on_value(self.choose, lambda _: self.attempt(self._layout))
        on_value(self.chosen, lambda _: self._chosen())
        self.take_out.on_click(lambda _: self.attempt(self._leave_out))
        self.put_back.on_click(lambda _: self.attempt(self._count_again))
        self._layout()

    def draw(self, answer: Answer) -> None:
        """Show the laps of an answer."""
        self.answer = answer
        runs = answer.weekend.runs.sort_values("start")
        run_id = str(runs["run_id"].iloc[-1]) if len(runs) else ""
        laps = answer.laps[answer.laps["run_id"] == run_id]
        shown = laps[["lap", "lap_time_s", "kind", "counts"]].copy()
        shown["words"] = [_on_chart(lap) for _, lap in laps.iterrows()]
        again = laps["kind"].eq(laps["kind"].shift()) & (laps["kind"] != "timed")
        shown.loc[again, "words"] = ""  # laps of one kind in a row are named once
        draw = partial(run_laps_chart, run_id=run_id, width=WIDTH)
        self.last.show([Figure(f"laps {run_id}", shown, draw)])
        self.rules.value = (
            f"<details><summary>Each lap of {html(run_id)} and the rule that made it so</summary>"
            f"{laps_table(laps)}</details>"
            if len(laps)
            else '<p class="tk-muted">No lap has been seen yet.</p>'
        )
        self._offer()

    def brushed(self, brush: dict[str, list[float]]) -> None:
        """Choose the laps inside a brush on the chart."""
        if self.answer is not None:
            self.chosen.value = tuple(left_out.within(self.table, brush))

    def _layout(self) -> None:
        """Show the last run's laps, and when asked what is needed to leave some out."""
        parts = [self.rules, row([self.choose])]
        if self.choose.value:
            alt.JupyterChart.enable_offline()
            if self.chart is None:
                self.chart = self._live_chart()
                self._follow_brush()
            typed = w.VBox([self.chosen, self.reason, row([self.take_out, self.put_back])])
            parts += [row([self.chart, self.moved]), row([typed, self.words])]
            self.show_moves.call()
        self.children = parts

    def _offer(self) -> None:
        """Offer the laps that can be chosen, keeping those chosen."""
        assert self.answer is not None
        self.table = left_out.laps_to_brush(self.answer)
        pairs = list(zip(self.table["run_id"], self.table["lap"], strict=True))
        kept = tuple(pair for pair in self.chosen.value if pair in pairs)
        self.held = True
        self.chosen.options = list(zip(self.table["label"], pairs, strict=True))
        self.chosen.value = kept
        self.held = False
        if self.chart is not None:
            self.chart.chart = brush_chart(self.table, WIDTH)
            self._follow_brush()
        self._chosen()

    def _live_chart(self) -> Any:
        chart = alt.JupyterChart(
            brush_chart(self.table, WIDTH), embed_options={"actions": False, "renderer": "svg"}
        )
        chart.add_class("tk-chart")
        return chart

    def _follow_brush(self) -> None:
        """Listen to the chart's brush; a chart drawn again has a new one."""
        self.chart.selections.observe(lambda made: self.brushed(made["new"].value), "brush")

    def _chosen(self) -> None:
        if self.held:
            return
        ours = set(self._ours())
        self.take_out.disabled = not set(self.chosen.value) - ours
        self.put_back.disabled = not set(self.chosen.value) & ours
        self.show_moves.call()

    def _show_moves(self) -> None:
        """Show how the fit moves without the laps chosen."""
        if self.answer is None or not self.choose.value:
            return
        fresh = [pair for pair in self.chosen.value if pair not in set(self._ours())]
        without = left_out.fit_without(self.answer.fits, fresh) if fresh else None
        table = left_out.moved_table(self.answer, without)
        self.moved.show([Figure("moved", table, partial(moved_chart, width=WIDTH))])
        said = left_out.moved_words(self.answer, without, fresh) if without else _left(self.answer)
        self.words.value = f"<p>{html(said)}</p>"

    def _ours(self) -> list[tuple[str, int]]:
        assert self.answer is not None
        table = self.answer.weekend.left_out
        return list(zip(table["run_id"], table["lap"], strict=True))

    def _leave_out(self) -> None:
        assert self.answer is not None
        reason = self.reason.value.strip()
        if not self.chosen.value:  # pressed twice
            return
        if not reason:
            raise InputError("there is no reason", next_step="Say why these laps do not count.")
        made = save_left_out(self.answer.weekend.book, self.chosen.value, reason, WHO)
        self._done(f"{_laps(len(made))} left out: {reason}")

    def _count_again(self) -> None:
        assert self.answer is not None
        weekend = self.answer.weekend
        chosen = set(self.chosen.value)
        back = [i for i, pair in zip(weekend.left_out.index, self._ours(), strict=True)
                if pair in chosen]  # fmt: skip
        for row_id in back:
            weekend.book.remove(int(row_id), WHO)
        self._done(f"{_laps(len(back))} back in")

    def _done(self, said: str) -> None:
        self.chosen.value, self.reason.value = (), ""
        self.on_saved(said)


def _on_chart(lap: Any) -> str:
    """Return the words beside a lap on the chart: what it was, and its time when off the scale."""
    words = kind_words(lap)
    return f"{words} {clock(lap['lap_time_s'])}" if lap["kind"] != "timed" else words


def _laps(count: int) -> str:
    return "1 lap" if count == 1 else f"{count} laps"


def _left(answer: Answer) -> str:
    """Return what is left out already, and what to do."""
    table = answer.weekend.left_out
    listed = "; ".join(
        f"{row['run_id']} lap {row['lap']}: {row['reason']}" for _, row in table.iterrows()
    )
    head = f"Left out: {listed}." if listed else "No lap is left out by hand."
    return f"{head} Drag over laps, or choose them in the list, to see what moves."
