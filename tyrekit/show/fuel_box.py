"""Fuel filled or drained, written into the book: what settles the car's fuel use and its tank."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

import ipywidgets as w

from tyrekit.errors import BookError
from tyrekit.record.drafts import Drafts
from tyrekit.record.weekend import Weekend
from tyrekit.show.check_in import moment
from tyrekit.show.entry_table import NUMBER
from tyrekit.show.panels import on_value, row
from tyrekit.show.words import html, known, number

WHO = "next session panel"
DRAFT = "fuel"
LABELS = {
    "kind": "what", "run_id": "run", "taken_at": "at", "mass_kg": "fuel, kg",
    "volume_l": "or litres", "fuel_c": "petrol, °C",
}  # fmt: skip
KINDS = (("filled before", "fill"), ("drained after", "drain"), ("sample taken", "sample"))
DONE = tuple(kind for _, kind in KINDS)
COLDEST_C, HOTTEST_C = -30.0, 60.0
ASKED = (
    "Kilograms from the scales count before litres; one of the two is enough, the petrol's"
    " temperature goes with litres. Petrol: outside, engine off, no spark, fire cover."
)


class FuelBox(w.VBox):  # type: ignore[misc]  # ipywidgets has no types
    """A row to write one fill or drain down, unfolded by `ask`, which the panel places.

    Parameters
    ----------
    attempt : callable
        Runs work and says in the panel when it fails.
    on_saved : callable(words)
        Told when a row is on disk.
    """

    def __init__(self, attempt: Callable[..., bool], on_saved: Callable[[str], None]) -> None:
        self.attempt, self.on_saved = attempt, on_saved
        self.weekend: Weekend | None = None
        self.held = self.done = False
        self.ask = w.ToggleButton(description="Write down fuel")
        style = {"description_width": "initial"}
        self.boxes = {
            name: w.Dropdown(description=label, style=style, layout={"width": "auto"})
            if name in ("kind", "run_id")
            else w.Text(
                description=label, style=style, continuous_update=False, layout={"width": "140px"}
            )
            for name, label in LABELS.items()
        }
        self.boxes["kind"].options = KINDS
        self.save = w.Button(description="Save the fuel")
        self.words = w.HTML()
        super().__init__()
        on_value(self.ask, lambda _: self._layout())
        for box in self.boxes.values():
            on_value(box, lambda _: self._typed())
        self.save.on_click(lambda _: self.attempt(self._save))

    @property
    def texts(self) -> dict[str, str]:
        """The row as typed, by column."""
        return {name: str(box.value or "") for name, box in self.boxes.items()}

    def show(self, weekend: Weekend) -> None:
        """Offer the weekend's runs, the newest first, and what was typed and never saved."""
        first, self.weekend, self.held = self.weekend is None, weekend, True
        runs = weekend.runs.sort_values("start", ascending=False)["run_id"].tolist()
        kept, box = self.boxes["run_id"].value, self.boxes["run_id"]
        if list(box.options) != runs:
            box.options = runs
            box.value = kept if kept in runs else next(iter(runs), None)
        for name, text in Drafts(weekend.book).of(DRAFT).get(DRAFT, {}).items() if first else ():
            if name not in ("kind", "run_id") or text in {*DONE, *runs}:
                self.boxes[name].value = text
        self.held = False
        self._say()

    def _typed(self) -> None:
        if self.weekend is not None and not self.held:
            book, self.done = self.weekend.book, False
            self.attempt(lambda: Drafts(book).keep(DRAFT, self.texts))
            self._say()

    def _save(self) -> None:
        assert self.weekend is not None
        if self.done:  # pressed twice
            return
        texts, book = self.texts, self.weekend.book
        book.append("fuel", fuel_row(texts, self.weekend), WHO)
        self.held = True
        for name in ("taken_at", "mass_kg", "volume_l", "fuel_c"):
            self.boxes[name].value = ""
        self.held, self.done = False, True
        Drafts(book).drop(DRAFT)
        now = datetime.now(self.weekend.event.meeting.zone)
        self.on_saved(f"fuel: {texts['kind']} {texts['run_id']} saved {now:%H:%M:%S}")

    def _say(self) -> None:
        """Show what the book holds of the run chosen."""
        assert self.weekend is not None
        table, zone = self.weekend.fuel, self.weekend.event.meeting.zone
        own = table[table["run_id"] == self.boxes["run_id"].value]
        held = [
            f"{one['kind']} {one['taken_at'].astimezone(zone):%a %H:%M}"
            + "".join(
                f", {number(one[name])} {unit}"
                for name, unit in (("mass_kg", "kg"), ("volume_l", "L"))
                if known(one[name])
            )
            for _, one in own.iterrows()
        ]
        said = "; ".join(held) or "nothing yet"
        words = f"In the book for {self.boxes['run_id'].value}: {said}. {ASKED}"
        self.words.value = f'<p class="tk-muted tk-small">{html(words)}</p>'

    def _layout(self) -> None:
        parts = [row([*self.boxes.values(), self.save], align_items="center"), self.words]
        self.children = parts if self.ask.value else []


def fuel_row(texts: Mapping[str, str], weekend: Weekend) -> dict[str, object]:
    """Return what was typed as a row of the book's fuel.

    Raises
    ------
    BookError
        There is no run, a text is no time or number or out of range; all are in the message.
    """
    event, found = weekend.event, []
    full_l = event.fuel.tank_l * 1.05  # cold fuel is denser
    ranges = {
        "mass_kg": (0.0, full_l * event.fuel.density_kg_per_l), "volume_l": (0.0, full_l),
        "fuel_c": (COLDEST_C, HOTTEST_C),
    }  # fmt: skip
    runs = weekend.runs.set_index("run_id")
    cells: dict[str, object] = {"kind": texts["kind"], "run_id": texts["run_id"]}
    try:
        if texts["run_id"] not in runs.index:
            raise ValueError("no run is chosen; check it in first")
        session = str(runs.loc[texts["run_id"], "session"])
        cells["taken_at"] = moment(texts["taken_at"], session, event, "time of the fuel")
    except ValueError as error:
        found.append(_slip(str(error)))
    if texts["kind"] not in DONE:
        found.append(_slip("what was done is not chosen"))
    for name, (low, high) in ranges.items():
        text = texts[name].strip().replace(",", ".")
        if text and not NUMBER.fullmatch(text):
            found.append(_slip(f"{LABELS[name]} {text!r} is not a number"))
        elif text and not low <= float(text) <= high:
            found.append(_slip(f"{LABELS[name]} is {text}, not from {low:g} to {high:.1f}"))
        elif text:
            cells[name] = float(text)
    if not texts["mass_kg"].strip() and not texts["volume_l"].strip():
        found.append(_slip("neither kg nor litres are typed"))
    if found:
        raise BookError.joined(found)
    return cells


def _slip(words: str) -> BookError:
    return BookError(words, where="fuel", next_step="Correct the box.")
