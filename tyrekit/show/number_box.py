"""A labelled box for a number that takes a decimal comma and refuses in words, never in silence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import anywidget
import traitlets


class NumberBox(anywidget.AnyWidget):
    """A number changed by typing or by the arrow keys.

    A browser's own number box drops a comma, so that 2,1 is read as 21, and the usual widget moves
    what is out of range to its end without a word.

    Parameters
    ----------
    description : str
        What it is, with its unit.
    value, low, high, step : float
        Where it stands, the least and most it takes, how far an arrow key moves it. A whole
        `value` asks for whole numbers.
    """

    _esm = Path(__file__).with_name("number_box.js")
    description = traitlets.Unicode().tag(sync=True)
    value: Any = traitlets.Union([traitlets.Int(), traitlets.Float()]).tag(sync=True)
    low = traitlets.Float().tag(sync=True)
    high = traitlets.Float().tag(sync=True)
    step = traitlets.Float().tag(sync=True)
    whole = traitlets.Bool().tag(sync=True)
    refused = traitlets.Unicode("").tag(sync=True)  # what is typed and not used, and why

    def __init__(
        self, description: str, value: float, low: float, high: float, step: float
    ) -> None:
        super().__init__(
            description=description, low=min(low, value), high=max(high, value), step=step,
            whole=isinstance(value, int), value=value,
        )  # fmt: skip

    @traitlets.validate("value")
    def _inside(self, proposal: Any) -> float:
        value = proposal["value"]
        whole = not self.whole or value == int(value)
        if isinstance(value, bool) or not (self.low <= value <= self.high and whole):
            raise traitlets.TraitError(
                f"{self.description}: {value} is not from {self.low:g} to {self.high:g}"
            )
        return int(value) if self.whole else float(value)
