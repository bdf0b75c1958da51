"""The weekend as it stood before a session: nothing later is in it, everything earlier is."""

import pytest
from demo_weekends import copy_of

from tyrekit.errors import EventError
from tyrekit.record.earlier import as_it_stood
from tyrekit.record.weekend import Weekend


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return Weekend.open(copy_of("fenmoor-complete", tmp_path_factory.mktemp("w")))


def test_nothing_of_the_session_or_later_is_known(whole, tmp_path):
    before = as_it_stood(whole, "R1", tmp_path)
    assert before.done == ("P1", "P2", "P3", "Q")
    assert before.next_session.id == "R1"
    since = whole.runs.loc[whole.runs["session"] == "R1", "start"].min()
    assert (before.laps["started_at"] < since).all()
    for table in (before.tread, before.pressures, before.fuel, before.weather):
        assert len(table) and (table["taken_at"] < since).all()
    assert set(before.timing["session"]) == {"Q"}
    assert [path.name for path in (tmp_path / "timing").iterdir()] == ["Q.csv"]


def test_what_was_run_before_is_the_same(whole, tmp_path):
    """The laps of earlier sessions have the same times and tyres: they do not depend on later."""
    before = as_it_stood(whole, "R1", tmp_path)
    own = whole.laps[whole.laps["session"].isin(before.done)].reset_index(drop=True)
    columns = ["run_id", "lap", "fl", "rr", "age_laps", "heat_cycles", "lap_time_s"]
    assert before.laps[columns].equals(own[columns])
    r1 = whole.laps[whole.laps["session"] == "R1"].iloc[0]
    tyres = before.tyres.set_index("tyre_id")
    for corner in ("fl", "fr", "rl", "rr"):
        assert tyres.loc[r1[corner], "age_laps"] == r1[f"age_{corner}_laps"]


def test_before_the_first_session_only_the_entry_list_is_there(whole, tmp_path):
    before = as_it_stood(whole, "P1", tmp_path)
    assert before.done == () and len(before.laps) == 0
    assert list(before.tyres["tyre_id"]) == list(whole.tyres["tyre_id"])
    assert (before.tread["taken_at"] < whole.runs["start"].min()).all()


def test_a_session_the_event_does_not_have_is_refused(whole, tmp_path):
    with pytest.raises(EventError, match="no session R9"):
        as_it_stood(whole, "R9", tmp_path)
