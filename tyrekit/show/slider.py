"""A slider that a keyboard and a screen reader can use, and that never runs ahead of the answer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import anywidget
import traitlets


class Slider(anywidget.AnyWidget):
    """A number on a line from `low` to `high`.

    While it is dragged the browser sends the next value only after the last one was answered, so
    the screen follows the hand however long an answer takes.

    Parameters
    ----------
    label : str
        What it changes, said before it.
    value, low, high, step : float
        Where it stands, its ends and its steps.
    unit : str
        Said after the value.
    on_move : callable(value)
        Works out and shows what follows.
    """

    _esm = Path(__file__).with_name("slider.js")
    label = traitlets.Unicode().tag(sync=True)
    unit = traitlets.Unicode().tag(sync=True)
    value = traitlets.Float().tag(sync=True)
    low = traitlets.Float().tag(sync=True)
    high = traitlets.Float().tag(sync=True)
    step = traitlets.Float().tag(sync=True)
    answered = traitlets.Int(0).tag(sync=True)

    def __init__(
        self, label: str, value: float, low: float, high: float, step: float, unit: str,
        on_move: Callable[[float], object],
    ) -> None:  # fmt: skip
        super().__init__(label=label, value=value, low=low, high=high, step=step, unit=unit)
        self._on_move = on_move
        self.observe(self._moved, names="value")

    def _moved(self, change: dict[str, Any]) -> None:
        try:
            self._on_move(change["new"])
        finally:
            self.answered += 1
