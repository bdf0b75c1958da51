"""The tank's ledger: which fills and drains make a balance."""

import numpy as np
import pandas as pd
import pytest
from study_fuel_use import make_event

from tyrekit.fit.fuel_balance import ledger
from tyrekit.fit.prior import beliefs

EVENT = make_event()
BELIEFS = beliefs(EVENT).fuel_use


def at(minutes):
    return pd.Timestamp("2026-05-16T09:00:00Z") + pd.Timedelta(minutes=minutes)


def book(*rows):
    """Rows of (minutes, kind, mass_kg) or (minutes, kind, None, volume_l, fuel_c)."""
    full = [(at(r[0]), *r[1:], *([np.nan] * (5 - len(r)))) for r in rows]
    columns = ["taken_at", "kind", "mass_kg", "volume_l", "fuel_c"]
    return pd.DataFrame(full, columns=columns).astype({"mass_kg": float, "volume_l": float})


def runs(*rows):
    """Rows of (minutes, run_id, session, fuel_start_kg)."""
    full = [(at(r[0]), *r[1:]) for r in rows]
    return pd.DataFrame(full, columns=["start", "run_id", "session", "fuel_start_kg"])


def balances(fuel_book, of_runs, expected_kg=None):
    return ledger(fuel_book, of_runs, EVENT, BELIEFS, expected_kg or {})


def test_fill_less_drain_is_what_was_burnt():
    found = balances(book((0, "fill", 30.0), (40, "drain", 12.0)), runs((10, "a", "P1", 30.0)))
    (one,) = found.balances
    assert one.used_kg == pytest.approx(18.0) and one.run_ids == ("a",) and one.sessions == "P1"
    # two weighings of 0.2 kg each
    assert one.used_sd_kg == pytest.approx(0.2 * np.sqrt(2))


def test_volumes_count_at_their_own_temperature():
    found = balances(
        book((0, "fill", None, 40.0, 15.0), (40, "drain", None, 16.0, 35.0)),
        runs((10, "a", "P1", 29.8)),
    )
    # closed form: 40 l at 15 degC are 29.8 kg; 16 l at 35 degC are 16 x 0.745 x 0.97557 (API54B)
    assert found.balances[0].used_kg == pytest.approx(29.8 - 16 * 0.745 * 0.97557, abs=1e-3)


def test_unknown_temperature_widens_and_is_said():
    known = balances(
        book((0, "fill", None, 40.0, 18.0), (40, "drain", 12.0)), runs((10, "a", "P1", 29.8))
    )
    unknown = balances(
        book((0, "fill", None, 40.0, np.nan), (40, "drain", 12.0)), runs((10, "a", "P1", 29.8))
    )
    assert unknown.balances[0].used_sd_kg > known.balances[0].used_sd_kg
    assert "without a temperature" in unknown.notes[0]


def test_sessions_without_a_drain_between_share_one_balance():
    found = balances(
        book((0, "fill", 30.0), (60, "fill", 10.0), (120, "drain", 15.0), (125, "sample", 1.0)),
        runs((10, "a", "P1", 30.0), (70, "b", "P2", 28.0)),
    )
    (one,) = found.balances
    assert one.used_kg == pytest.approx(24.0)
    assert one.run_ids == ("a", "b") and one.sessions == "P1, P2"


def test_a_drain_before_running_only_corrects_the_fill():
    found = balances(
        book((0, "fill", 30.0), (5, "drain", 4.0), (40, "drain", 10.0)), runs((10, "a", "P1", 26.0))
    )
    assert found.balances[0].used_kg == pytest.approx(16.0)


PARTLY = (
    book((0, "fill", 40.0), (40, "drain", 5.0), (120, "drain", 8.0)),
    runs((10, "a", "P1", 40.0), (70, "b", "P2", 22.0)),  # 22 kg aboard with nothing filled
)


def test_a_partial_drain_does_not_close_the_balance():
    # by its laps the first run burnt about 14 kg: 40 - 5 - 22 = 13, not 40 - 5 = 35
    (one,) = balances(*PARTLY, {"a": 14.0, "b": 14.0}).balances
    assert one.used_kg == pytest.approx(27.0) and one.run_ids == ("a", "b")


def test_an_unwritten_fill_after_a_drain_starts_anew():
    # by its laps the first run burnt about 33 kg: the tank was drained, then filled unseen
    found = balances(*PARTLY, {"a": 33.0, "b": 14.0})
    assert [one.used_kg for one in found.balances] == pytest.approx([35.0, 14.0])
    assert any("fuel_start_kg at its word" in note for note in found.notes)


def test_start_fuel_stands_in_for_a_fill_nobody_wrote_down():
    found = balances(book((40, "drain", 12.0)), runs((10, "a", "P1", 30.0)))
    assert found.balances[0].used_kg == pytest.approx(18.0)
    assert "fuel_start_kg at its word" in found.notes[0]
    silent = balances(book((40, "drain", 12.0)), runs((10, "a", "P1", np.nan)))
    assert silent.balances == () and "no balance" in silent.notes[0]


def test_drain_and_next_fill_at_the_same_minute():
    found = balances(
        book((0, "fill", 30.0), (40, "fill", 25.0), (40, "drain", 12.0), (90, "drain", 9.0)),
        runs((10, "a", "P1", 30.0), (50, "b", "P2", 25.0)),
    )
    assert [b.used_kg for b in found.balances] == pytest.approx([18.0, 16.0])


def test_nothing_entered_is_lost():
    found = balances(
        book((0, "fill", np.nan), (0, "fill", 30.0), (40, "drain", 12.0)),
        runs((10, "a", "P1", 30.0)),
    )
    assert found.left_out == (("", "fuel row 1 (fill): no mass or volume"),)
    assert len(found.balances) == 1


def test_more_drained_than_filled_is_no_balance():
    found = balances(book((0, "fill", 5.0), (40, "drain", 12.0)), runs((10, "a", "P1", 5.0)))
    assert found.balances == () and "more fuel drained than filled" in found.notes[0]


def test_fill_with_only_a_run_id_belongs_before_that_run():
    table = book((0, "fill", 30.0), (40, "drain", 12.0)).assign(run_id="a", taken_at=pd.NaT)
    assert balances(table, runs((10, "a", "P1", 30.0))).balances[0].used_kg == pytest.approx(18.0)
