"""Tyres that are done for: taken out of the plan with a reason, and taken back."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as w
import pandas as pd

from tyrekit.show.panels import on_value, row
from tyrekit.show.words import html, number

REASONS = ("worn out", "cut or damaged", "flat-spotted", "loses air", "vibrates")
KEPT = "A scrapped tyre goes on nowhere; what it ran and the limits still count it."


class ScrapBox(w.VBox):  # type: ignore[misc]  # ipywidgets has no types
    """A tyre, a reason and a button, unfolded when asked for by `ask`, which the panel places.

    Parameters
    ----------
    save : callable(tyre_id, scrapped, reason)
        Scraps a tyre, or takes it back.
    """

    def __init__(self, save: Callable[[str, bool, str], object]) -> None:
        self.ask = w.ToggleButton(description="Scrap a tyre")
        self.tyre = w.Dropdown(description="tyre", layout={"width": "auto"})
        self.reason = w.Combobox(
            options=REASONS, description="reason", placeholder="what is wrong with it",
            continuous_update=False, layout={"width": "auto", "min_width": "330px"},
        )  # fmt: skip
        self.scrap = w.Button(description="Scrap it")
        self.use = w.Button(description="Use it again")
        self.words = w.HTML()
        self.gone: dict[str, str] = {}  # scrapped tyres and their notes
        super().__init__()
        on_value(self.ask, lambda _: self._layout())
        on_value(self.tyre, lambda _: self._choose())
        self.scrap.on_click(lambda _: save(self.tyre.value, True, self.reason.value.strip()))
        self.use.on_click(lambda _: save(self.tyre.value, False, ""))

    def show(self, tyres: pd.DataFrame) -> None:
        """Offer the tyres of the list, those scrapped marked, keeping the one chosen."""
        out = tyres[tyres["scrapped"]]
        self.gone = dict(zip(out["tyre_id"], out["note"].fillna("").astype(str), strict=True))
        kept = self.tyre.value
        self.tyre.options = [
            (f"{t}, {'scrapped' if t in self.gone else f'{number(age, 0)} laps'}", t)
            for t, age in zip(tyres["tyre_id"], tyres["age_laps"], strict=True)
        ]
        if kept in set(tyres["tyre_id"]):
            self.tyre.value = kept
        listed = ", ".join(f"{t} ({note})" if note else t for t, note in self.gone.items())
        said = f"Scrapped: {html(listed)}. " if listed else ""
        self.words.value = f'<p class="tk-muted tk-small">{said}{KEPT}</p>'
        self._choose()

    def _choose(self) -> None:
        self.scrap.disabled = self.tyre.value is None or self.tyre.value in self.gone
        self.use.disabled = self.tyre.value not in self.gone

    def _layout(self) -> None:
        chosen = row([self.tyre, self.reason, self.scrap, self.use], align_items="center")
        self.children = [chosen, self.words] if self.ask.value else []
