"""event.toml: what is accepted, and that every broken rule is named with its key."""

from datetime import UTC, datetime

import pytest

from tyrekit.errors import EventError, InputError
from tyrekit.record.event import Belief, MinimumTread, load_event, parse_event


def broken(text):
    with pytest.raises(EventError) as caught:
        parse_event(text)
    return caught.value


def test_values_arrive_typed(event):
    assert event.meeting.zone.key == "Europe/London"
    assert event.fuel.flow_scale == Belief(1.02, 0.04)
    mean, sd = event.fuel.flow_scale
    assert (mean, sd) == (1.02, 0.04)
    assert event.session("R1").laps == 6
    assert event.log.channels["speed_mps"].column == "Velocity"
    assert event.drivers[0].mass_kg == 80.0


def test_clock_times_are_in_the_event_zone(event):
    # 9:00 British summer time is 8:00 UTC (IANA time zone database)
    assert event.session("P1").start == datetime(2026, 5, 16, 8, tzinfo=UTC)


def test_an_offset_overrides_the_zone(event_text):
    moved = event_text.replace("2026-05-16T09:00:00", "2026-05-16T09:00:00+02:00")
    assert parse_event(moved).session("P1").start == datetime(2026, 5, 16, 7, tzinfo=UTC)


def test_a_time_the_clocks_skip_is_refused(event_text):
    # Summer time begins 29 March 2026 at 01:00 UTC (Directive 2000/84/EC: last Sunday of March)
    error = broken(event_text.replace("2026-05-16T09:00:00", "2026-03-29T01:30:00"))
    assert "clocks go forward" in str(error)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("tank_l = 50.0\n", "", ("[fuel] tank_l", "missing", "Add tank_l")),
        ("mass_kg = 1100.0", "mas_kg = 1100.0", ("[car] mas_kg", "Did you mean mass_kg")),
        ("tank_l = 50.0", 'tank_l = "50,0"', ("[fuel] tank_l", "'50,0'", "decimal point")),
        ("tank_l = 50.0", "tank_l = -5.0", ("[fuel] tank_l", "-5.0", "more than 0")),
        ('number = "7"', "number = 7", ("[car] number", "7", "in quotes")),
        ("sd = 0.04", "sd = 0.0", ("[fuel] flow_scale.sd", "more than 0")),
        ("laps = 6\n", "", ("[[session]] #3 (R1)", "a race needs laps, or minutes")),
        ("minutes = 15\n", "", ("[[session]] #2 (Q)", "needs minutes")),
        ('kind = "race"', 'kind = "rase"', ("#3 (R1) kind", "Did you mean 'race'")),
        ("laps = 6", "laps = 6.5", ("#3 (R1) laps", "6.5", "whole number")),
        ("Europe/London", "Europe/Londn", ("[event] timezone", "Europe/Londn")),
        ('id = "Q"', 'id = "P1"', ("[[session]] #2", "'P1' is there twice")),
        ("2026-05-16T12", "2026-05-16T08", ("#2 (Q) start", "must follow P1")),
        ("2026-05-16T12:00", "2026-05-16T09:20", ("#2 (Q) start", "over at 2026-05-16 09:30")),
        ("ballast_kg = 10.0", "ballast_kg = 70.0", ("[car] ballast_kg", "70", "60")),
        ("tank_l = 50.0", "tank_l = 3.0", ("[fuel] tank_l", "unusable_l + sample_l is 3")),
        ("front = 2.1", "front = 29.0", ("hot_target_bar.front", "29.0", "at most 6")),
        ("front = 2.1", "front = 1.3", ("hot_target_bar.front", "above cold_minimum_bar")),
        ("length_m = ", "length_m = 3.24 # ", ("[circuit] length_m", "3.24", "at least 200")),
        ("speed = {", "spede = {", ("[log] spede", "Did you mean speed")),
        ('unit = "km/h"', 'unit = "bar"', ("[log] speed.unit", "pressure", "speed")),
        ('unit = "km/h"', 'unit = "furlong"', ("[log] speed.unit", "'furlong'", "known units")),
        ("[circuit]", "[circit]", ("[circit]", "Did you mean circuit")),
        ("[event]", "[event", ("event.toml", "line 2")),
    ],
)
def test_a_broken_rule_is_named(event_text, old, new, parts):
    assert old in event_text
    error = broken(event_text.replace(old, new, 1))
    for part in ("event.toml", *parts):
        assert part in str(error)


@pytest.mark.parametrize(
    ("limit", "parts"),
    [
        ('kind = "new_tyres"', ("#1 (new_tyres) most", "missing")),
        ('kind = "new_tires"\nmost = 4', ("#1 (new_tires) kind", "Did you mean 'new_tyres'")),
        ("most = 4", ("#1 kind", "missing")),
        ('kind = "pool"\nsessions = ["Q", "R9"]\nmost = 8', ("(pool) sessions", "'R9'", "P1, Q")),
        ('kind = "start_on"\nsession = "Q"\nsame_as = "R1"', ("same_as", "earlier session")),
        ('kind = "longest_life"', ("(longest_life)", "laps, heat_cycles and km")),
        ('kind = "lock"\nsession = "Q"\ntyres = { XX = "N1" }', ("(lock) tyres", "'FL'")),
        ('kind = "lock"\nsession = "Q"\ntyres = { FL = "a", FR = "a" }', ("one corner only",)),
        ('kind = "minimum_tread"\nmm = 1.6\nconfidence_pct = 120.0', ("confidence_pct", "100")),
        ('kind = "matched_axle"\nlap = 6', ("(matched_axle) lap", "Did you mean laps")),
    ],
)
def test_a_broken_limit_is_named(event_text, limit, parts):
    error = broken(f"{event_text}\n[[limit]]\n{limit}\n")
    for part in ("[[limit]]", *parts):
        assert part in str(error)


def test_stops_must_fit_the_race(event_text):
    stops = "stops = {{ minimum = {}, first_lap = {}, last_lap = {}, stationary_s = 40.0, "
    stops += "tyres = true, refuel = false }}"
    for given, words in (
        ((1, 4, 3), "first_lap may not be after last_lap"),
        ((1, 2, 6), "before the last of 6 laps"),
        ((4, 2, 4), "4 stops are asked for"),
    ):
        text = event_text.replace("laps = 6\n", f"laps = 6\n{stops.format(*given)}\n")
        assert words in str(broken(text))


def test_every_problem_is_said_at_once(event_text):
    text = event_text.replace("tank_l = 50.0\n", "").replace('number = "7"', "number = 7")
    error = broken(text.replace("laps = 6", "laps = 0"))
    assert len(error.problems) == 3
    assert str(error).count("\n") == 2


def test_limits_are_records_of_their_kind(event_text):
    text = f'{event_text}\n[[limit]]\nkind = "minimum_tread"\nmm = 1.6\nconfidence_pct = 95.0\n'
    assert parse_event(text).limits == (
        MinimumTread(kind="minimum_tread", mm=1.6, confidence_pct=95.0),
    )


def test_a_skipped_session_is_past(event):
    assert [s.id for s in event.sessions_after([])] == ["P1", "Q", "R1"]
    assert [s.id for s in event.sessions_after(["Q"])] == ["R1"]
    assert event.sessions_after(["R1"]) == ()


def test_an_unknown_session_names_the_known(event):
    with pytest.raises(EventError, match=r"'R7'.*P1, Q, R1"):
        event.session("R7")


def test_own_beliefs_are_kept_by_fit_and_name(event_text):
    text = f"{event_text}\n[beliefs.tread]\nwear = {{ mean = 0.05, sd = 0.02 }}\n"
    assert parse_event(text).beliefs == {"tread": {"wear": Belief(0.05, 0.02)}}
    error = broken(text.replace("[beliefs.tread]", "[beliefs.tred]"))
    assert "beliefs" in str(error) and "tred" in str(error)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings_of_the_contract(tmp_path, event_text, encoding):
    path = tmp_path / "event.toml"
    path.write_bytes(event_text.replace("Test meeting", "Frühjahrstreffen").encode(encoding))
    assert load_event(path).meeting.name == "Frühjahrstreffen"


def test_a_folder_without_event_toml_says_what_to_do(tmp_path):
    with pytest.raises(InputError, match=r"no event.toml.*tyrekit new"):
        load_event(tmp_path / "event.toml")
