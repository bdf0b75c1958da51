"""A weekend read again after an entry: only what the entry touches is fitted and planned again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Fits, fit_weekend, pressure_fit, tread_fit
from tyrekit.show.what_if import State, planned, with_fuel, with_pressures

LAPS = ("laps", "runs", "fuel")
TREAD = ("tread", "tyres")
PRESSURES = ("pressures", "weather")


def refreshed(state: State, weekend: Weekend) -> State:
    """Return the state for the same weekend as it now stands in its folder.

    Fits and plans whose tables are as before are kept.
    """
    fits = refitted(state, weekend)
    before = state.fits
    moved = fits.lap_time is not before.lap_time or fits.tread is not before.tread
    same = not moved and _same(state.weekend, weekend, ("tyres",))
    if not same or weekend.event != state.weekend.event or weekend.done != state.weekend.done:
        found = planned(weekend, fits, state.what_if, state.rank, state.plan_only)
        return replace(state, weekend=weekend, fits=fits, answer=found)
    notes = (*weekend.notes, *state.answer.notes[len(state.weekend.notes) :])
    found = replace(state.answer, weekend=weekend, fits=fits, notes=notes)
    found = with_pressures(found, fits, state.what_if)
    if not _same(state.weekend, weekend, ("weather", "fuel")):
        found = with_fuel(found, fits, state.what_if)
    return replace(state, weekend=weekend, fits=fits, answer=found)


def refitted(state: State, weekend: Weekend) -> Fits:
    """Return the fits of the weekend as it now stands; those that nothing touches are kept."""
    before, fits = state.weekend, state.fits
    if weekend.book.event != before.book.event or not _same(before, weekend, LAPS):
        return fit_weekend(weekend)
    if not _same(before, weekend, TREAD):
        fits = replace(fits, tread=tread_fit(weekend, fits.beliefs))
    if not _same(before, weekend, PRESSURES):
        fits = replace(fits, pressure=pressure_fit(weekend, fits.beliefs))
    return fits


def _same(one: Weekend, two: Weekend, names: Sequence[str]) -> bool:
    """Whether two states of a weekend hold the same in these tables."""
    pairs = [(getattr(one, name), getattr(two, name)) for name in names]
    return all(_content(a).equals(_content(b)) for a, b in pairs)


def _content(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table without its row ids, which change with every correction."""
    return table.reset_index(drop=True)
