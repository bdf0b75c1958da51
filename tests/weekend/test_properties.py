"""Weekends told otherwise give the same answer: units, order, names, zones, spreadsheets.

Kind of every check: the weekend's own answer before the change, to rounding; no figure of ours is
expected. What cannot be the same is refused in words.
"""

import random
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_weekends import TABLES, Plain, local, plain, with_offset
from study_numbers import CHANGES, Figures, differences, figures

from tyrekit.errors import InputError

FEW = settings(max_examples=4, derandomize=True)
CLEAN = "2026-05-16T08:00:00Z"


def told(one: Plain, names=None) -> Figures:
    with TemporaryDirectory() as folder:
        return figures(one.write(Path(folder)), names)


@cache
def before(seed: int, logged: bool = False, every_min: float = 120.0) -> Figures:
    return told(plain(seed, logged=logged, every_min=every_min))


@pytest.mark.parametrize("change", CHANGES)
@FEW
@given(st.integers(1, 2), st.integers(0, 10_000))
def test_a_weekend_told_otherwise_gives_the_same_answer(change, seed, chance):
    logged = change in ("in units", "columns shuffled")
    one = plain(seed, logged=logged)
    names = CHANGES[change](one, random.Random(chance))
    assert differences(before(seed, logged), told(one, names)) == []


@FEW
@given(
    st.sampled_from(["2028-02-29T08:00:00Z", "2024-02-28T20:00:00Z", "2026-12-31T20:00:00Z"]),
    st.sampled_from([local, with_offset]),
)
def test_a_leap_day_and_a_new_year_change_nothing(day, clock):
    one = plain(1, day=day)
    one.clock = clock
    assert differences(before(1), told(one)) == []


# Europe/London: forward on 29 March 2026 at 01:00 UTC, back on 25 October 2026 at 01:00 UTC
# (published: tz database, file europe, rules EU).
CHANGE_DAYS = {"forward": "2026-03-28T22:30:00Z", "back": "2026-10-24T22:30:00Z"}


@pytest.mark.parametrize("way", CHANGE_DAYS)
def test_clocks_that_change_in_the_night_change_nothing(way):
    one = plain(1, day=CHANGE_DAYS[way], every_min=60.0)
    one.clock = with_offset
    assert differences(before(1, every_min=60.0), told(one)) == []


def test_clocks_that_go_forward_are_understood_without_offsets():
    one = plain(1, day=CHANGE_DAYS["forward"], every_min=60.0)
    assert differences(before(1, every_min=60.0), told(one)) == []


def test_a_time_that_comes_twice_is_refused_with_both_ways_to_write_it(tmp_path):
    one = plain(1, day="2026-10-25T00:20:00Z", every_min=60.0)
    with pytest.raises(InputError) as refused:
        told(one)
    words = str(refused.value)
    assert "[[session]] #1 (P1) start" in words and "comes twice" in words
    assert "2026-10-25T01:20:00+01:00" in words and "2026-10-25T01:20:00+00:00" in words


def test_a_session_over_the_change_may_not_run_into_the_next():
    """40 minutes from 00:50 in UTC end at 02:30 by the changed clock, after 02:15."""
    one = plain(1, day="2026-03-29T00:50:00Z", sessions=("P1", "P2", "R1"), run=())
    one.sessions[0]["minutes"] = 40.0
    one.sessions[1]["start"] = pd.Timestamp("2026-03-29T01:15:00Z")
    with pytest.raises(
        InputError, match=r"P2 starts at 2026-03-29 02:15.*over at 2026-03-29 02:30"
    ):
        told(one)


@FEW
@given(st.sampled_from(TABLES), st.booleans(), st.integers(0, 10_000))
def test_rows_there_twice_are_refused_or_count_once_and_are_told(table, every, chance):
    one = plain(1)
    rows = one.book[table]
    again = rows if every else [random.Random(chance).choice(rows)]
    one.book[table] = [*rows, *(dict(row) for row in again)]
    if table in ("tyres", "runs", "laps"):
        with pytest.raises(InputError, match="is there twice"):
            told(one)
        return
    found = told(one)
    if table == "fuel":  # two equal churns are written as two equal rows
        assert "fuel row twice" in found["doubts"]
        return
    assert found.pop("doubts") == "row twice"
    assert differences({k: v for k, v in before(1).items() if k != "doubts"}, found) == []


@pytest.mark.parametrize("renamed", [False, True])
def test_one_log_for_two_runs_is_told(renamed):
    one = plain(1, logged=True)
    name = "P2-1.csv"
    one.logs[name] = one.logs["P1-1.csv"].copy()
    if not renamed:
        one.book["runs"][1]["log"] = "P1-1.csv"
    told_as = "duplicated log" if renamed else "one log for two runs"
    assert told_as in str(told(one)["doubts"])


def test_two_sets_whose_names_read_alike_are_refused():
    one = plain(1)
    first = dict(zip(("fl", "fr"), ("a b", "c"), strict=True))
    second = dict(zip(("fl", "fr"), ("a", "b c"), strict=True))
    ids = [*first.values(), *second.values()]
    for row, tyre_id in zip(one.book["tyres"], ids, strict=False):
        row["tyre_id"] = tyre_id
    one.book["tread"] = []
    rest = {"rl": "N1", "rr": "N2"}
    one.book["runs"][0] |= first | rest
    one.book["runs"][1] |= second | rest
    with pytest.raises(InputError, match="read alike"):
        told(one)


def test_a_log_whose_rows_are_out_of_order_is_told():
    one = plain(1, logged=True)
    one.logs["P1-1.csv"] = one.logs["P1-1.csv"].sample(frac=1, random_state=1)
    assert "time runs backwards" in str(told(one)["doubts"])


@pytest.mark.parametrize("how", ["after each other", "row by row"])
def test_a_log_with_every_row_twice_gives_the_same_answer_and_is_told(how):
    one = plain(1, logged=True)
    log = one.logs["P1-1.csv"]
    twice = pd.concat([log, log]) if how == "after each other" else log.loc[log.index.repeat(2)]
    one.logs["P1-1.csv"] = twice
    found, once = told(one), dict(before(1, True))
    new = set(found.pop("doubts").split("; ")) - set(once.pop("doubts").split("; "))
    assert new == {"time runs backwards"}
    assert differences(once, found) == []
