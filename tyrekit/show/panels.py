"""What every panel shares: its look, plain words when something fails, work put off a moment."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import ipywidgets as w
import pandas as pd

from tyrekit.errors import TyrekitError
from tyrekit.show import cards
from tyrekit.show.number_box import NumberBox
from tyrekit.show.style import css, svg
from tyrekit.show.what_if import State, update
from tyrekit.show.words import html

WRAP = {"flex_flow": "row wrap", "grid_gap": "14px 22px", "align_items": "flex-start"}


class Panel(w.VBox):  # type: ignore[misc]  # ipywidgets has no types
    """A column of widgets with the kit's look and a place where problems are said.

    Every handler runs inside `attempt`, so that nothing fails in silence.
    """

    def __init__(self) -> None:
        self.problem = w.HTML()
        self.working = w.HTML()
        super().__init__()
        self.add_class("tk")
        self.compose([])

    @classmethod
    def saying(cls, problem: str) -> Panel:
        """Return a panel that only says what is wrong."""
        panel = Panel()
        panel.compose([])
        panel.problem.value = f'<div class="tk-warn" role="alert">{html(problem)}</div>'
        return panel

    def compose(self, parts: Sequence[Any]) -> None:
        """Show the parts under the style sheet and the place for problems."""
        style = w.HTML(f"<style>{css('panel')}</style>", layout={"height": "0", "margin": "0"})
        self.children = [style, self.problem, *parts]

    def attempt(self, work: Callable[[], None], doing: str = "") -> bool:
        """Run `work`; say in words when it fails and return whether it went well."""
        self.problem.value = ""
        self.working.value = f'<span class="tk-muted">{html(doing)} …</span>' if doing else ""
        try:
            work()
        except TyrekitError as error:
            self.problem.value = f'<div class="tk-warn" role="alert">{html(error)}</div>'
            return False
        except Exception as error:  # a fault of the kit's own: said, with its trace for the report
            self.problem.value = _fault(error)
            return False
        finally:
            self.working.value = ""
        return True


class WeekendPanel(Panel):
    """A panel on one weekend: what is supposed of it, its head line, doubts and charts.

    Parameters
    ----------
    folder : Path
        The weekend folder.
    note : str
        Said on top, for a demo or a guess about the folder.
    """

    doing = "working it out"  # said while a supposition is worked through
    supposed = "Supposing other values than the event's: see What if."

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__()
        self.folder, self.note = folder, note
        self.state: State | None = None
        self.held = False
        self.head, self.doubts = w.HTML(), w.HTML()
        self.figures = Figures()

    def change(self, **change: Any) -> None:
        """Suppose something else and draw the answer again."""

        def work() -> None:
            assert self.state is not None
            self.state = update(self.state, change)

        if self.state is None or self.held:
            return
        if self.attempt(work, self.doing):
            self.draw()

    def draw(self) -> None:
        """Put the present answer's head line and doubts on screen."""
        if self.state is None:
            return
        words = [self.note, self.supposed if self.state.what_if.supposed else ""]
        self.head.value = cards.head_card(self.state.answer, " ".join(filter(None, words)))
        self.doubts.value = cards.doubts_card(self.state.answer)


class Figure(NamedTuple):
    """A chart to be drawn: its name with all that shapes it beside the table, and how."""

    name: str
    table: pd.DataFrame
    draw: Callable[[pd.DataFrame], Any]


class Figures(w.HBox):  # type: ignore[misc]
    """Charts side by side as SVG; one is drawn again only when its table has changed."""

    def __init__(self) -> None:
        super().__init__(layout=WRAP)
        self.add_class("tk-figures")
        self._drawn: dict[str, tuple[pd.DataFrame, Any]] = {}

    def show(self, wanted: Sequence[Figure]) -> None:
        """Show these charts in this order; those with an empty table are left out."""
        drawn = {}
        for figure in wanted:
            if not len(figure.table):
                continue
            old = self._drawn.get(figure.name)
            if old is None or not old[0].equals(figure.table):
                box = old[1] if old is not None else w.HTML()
                box.value = f'<div class="tk-chart">{svg(figure.draw(figure.table))}</div>'
                old = (figure.table, box)
            drawn[figure.name] = old
        self._drawn = drawn
        self.children = [box for _, box in drawn.values()]


class Later:
    """Runs work once, a moment after the last call; at once when no event loop is running."""

    def __init__(self, work: Callable[[], object], delay_s: float = 0.8) -> None:
        self._work, self._delay_s = work, delay_s
        self._timer: asyncio.TimerHandle | None = None

    def call(self) -> None:
        """Ask for the work to be done."""
        if self._timer is not None:
            self._timer.cancel()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._work()
            return
        self._timer = loop.call_later(self._delay_s, self._work)


class Background:
    """Runs work in a thread, a moment after the last call, so that typing is never held up.

    At once when no event loop is running. A call while it works has it work once more.

    Parameters
    ----------
    work : callable
        What takes long; it may touch no widget.
    done : callable(outcome)
        Called on the loop with what `work` returned, or with the exception it raised.
    """

    def __init__(
        self, work: Callable[[], Any], done: Callable[[Any], None], delay_s: float = 0.8
    ) -> None:
        self._work, self._done, self._delay_s = work, done, delay_s
        self._timer: asyncio.TimerHandle | None = None
        self._task: asyncio.Task[None] | None = None
        self._more = False

    @property
    def busy(self) -> bool:
        """Whether work is under way or asked for."""
        return self._timer is not None or self._task is not None

    def call(self, delay_s: float | None = None) -> None:
        """Ask for the work to be done."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._done(_outcome(self._work))
            return
        if self._task is not None:
            self._more = True
            return
        if self._timer is not None:
            self._timer.cancel()
        self._timer = loop.call_later(self._delay_s if delay_s is None else delay_s, self._start)

    def _start(self) -> None:
        self._timer = None
        self._task = asyncio.get_running_loop().create_task(self._run())

    async def _run(self) -> None:
        outcome = await asyncio.to_thread(_outcome, self._work)
        self._task = None
        if self._more:
            self._more = False
            self.call(0.0)
        else:
            self._done(outcome)


def _outcome(work: Callable[[], Any]) -> Any:
    """Return what work returns, or the exception it raises."""
    try:
        return work()
    except Exception as error:  # handed on to be said in the panel
        return error


def on_value(widget: Any, handler: Callable[[Any], object]) -> None:
    """Call `handler` with a widget's new value whenever it changes."""
    widget.observe(lambda change: handler(change["new"]), names="value")


def put_back(boxes: Iterable[tuple[Any, Any]]) -> None:
    """Give boxes their values again, also in place of what was typed and refused."""
    for box, value in boxes:
        box.value = value
        if isinstance(box, NumberBox):
            box.refused = ""


def row(parts: Sequence[Any], **layout: str) -> Any:
    """Return widgets side by side that wrap on a narrow screen."""
    return w.HBox(list(parts), layout={**WRAP, **layout})


def pair() -> Any:
    """Return a place for two tables side by side, one under the other on a narrow screen."""
    box = w.HBox(layout=WRAP)
    box.add_class("tk-pair")
    return box


def _fault(error: Exception) -> str:
    trace = "".join(traceback.format_exception(error))
    return (
        '<div class="tk-warn" role="alert"><b>The kit failed here, and the answer shown may be'
        f" old.</b> What was marked as saved is safe. {html(type(error).__name__)}: {html(error)}"
        f"<details><summary>For a report of the fault</summary><pre>{html(trace)}</pre></details>"
        "</div>"
    )
