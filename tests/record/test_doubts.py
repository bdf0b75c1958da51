"""Faults put into a clean weekend: each is named with its evidence, and nothing else is."""

import gzip
import shutil

import numpy as np
import pytest

from tyrekit.record.doubts_fuel import EXPANSION_PER_K
from tyrekit.record.weekend import Weekend


def doubts(folder):
    return {doubt.name: doubt for doubt in Weekend.open(folder).doubts}


def only(folder, name):
    found = doubts(folder)
    assert list(found) == [name]
    doubt = found[name]
    assert 0 < doubt.sure <= 1 and doubt.evidence and doubt.where and doubt.next_step
    return doubt


def log_of(folder, name="P1-1.csv"):
    return (folder / "logs" / name).read_text()


@pytest.fixture
def fuelled(folder, edit):
    """Fills and drains that fit the logger at a factor of 1.03, in litres at 25 degC."""
    weekend = Weekend.open(folder)
    (folder / "book.sqlite").unlink()
    per_l = 0.75 * (1 - EXPANSION_PER_K * 10)
    rows = ["taken_at,run_id,kind,mass_kg,volume_l,fuel_c"]
    for run_id, start_kg, filled, drained in (
        ("P1-1", 20.0, "08:50", "09:13"),
        ("P1-2", 14.0, "09:14", "09:40"),
    ):
        logged_l = weekend.laps.loc[weekend.laps["run_id"] == run_id, "fuel_used_l"].sum()
        left_kg = start_kg - 1.03 * 0.75 * logged_l
        rows.append(f"2026-05-16T{filled},{run_id},fill,,{start_kg / per_l:.2f},25")
        rows.append(f"2026-05-16T{drained},{run_id},drain,{left_kg:.2f},,")
    edit("book/fuel.csv", whole="\n".join(rows) + "\n")


def test_fuel_that_balances_raises_no_doubt(folder, fuelled):
    assert doubts(folder) == {}


def test_a_missing_log(folder):
    (folder / "logs/P1-2.csv.gz").unlink()
    doubt = only(folder, "missing log")
    assert doubt.where == "book/runs.csv row 3" and "'P1-2.csv.gz'" in doubt.evidence


def test_a_log_under_another_name_is_suggested(folder):
    (folder / "logs/P1-2.csv.gz").rename(folder / "logs/P1-2b.csv.gz")
    found = doubts(folder)
    assert set(found) == {"missing log", "log of no run"}
    assert "Is 'P1-2b.csv.gz' meant?" in found["missing log"].next_step


def test_an_empty_log(folder):
    (folder / "logs/P1-2.csv.gz").write_bytes(gzip.compress(b""))
    doubt = only(folder, "run without laps")
    assert "holds no lap" in doubt.evidence and doubt.where == "logs/P1-2.csv.gz"


@pytest.mark.parametrize("head", [0, 5, 6])  # no byte, names and units alone, one row
def test_a_log_without_running_of_two_runs_blocks_nothing(folder, edit, head):
    lines = log_of(folder).splitlines(keepends=True)
    (folder / "logs/P1-1.csv").write_text("".join(lines[:head]))
    edit("book/runs.csv", "P1-2.csv.gz", "P1-1.csv")
    (folder / "logs/P1-2.csv.gz").unlink()
    found = [doubt for doubt in Weekend.open(folder).doubts if doubt.where == "logs/P1-1.csv"]
    assert [(d.name, d.evidence.split(":")[0]) for d in found] == [
        ("run without laps", "run P1-1"), ("run without laps", "run P1-2"),
    ]  # fmt: skip


def test_a_log_cut_off_in_mid_line_uses_the_whole_laps(folder):
    text = log_of(folder)
    (folder / "logs/P1-1.csv").write_text(text[: len(text) // 2 + 17])
    doubt = only(folder, "log cut off")
    assert doubt.sure == 1.0 and "1 row(s), 0.10 s, incomplete" in doubt.evidence
    assert "still running" in doubt.evidence
    weekend = Weekend.open(folder)
    first = weekend.laps[weekend.laps["run_id"] == "P1-1"]
    assert first["kind"].tolist() == ["out", "timed", "timed"] or len(first) == 4
    assert first["counts"].sum() >= 2
    # 9 laps planned, the other run has 6: the tyres are not left too young
    assert weekend.tyres.set_index("tyre_id").loc["007", "age_laps"] == 12 + len(first)


def test_fuel_of_a_log_cut_off_is_not_balanced(folder, fuelled):
    text = log_of(folder)
    (folder / "logs/P1-1.csv").write_text(text[: len(text) // 2 + 17])
    assert set(doubts(folder)) == {"log cut off"}


def test_incomplete_rows_and_a_clock_set_back(folder):
    lines = log_of(folder).split("\n")
    lines[200:200] = ["1,2,3"] * 4
    (folder / "logs/P1-1.csv").write_text("\n".join(lines))
    assert "4 row(s), 0.40 s" in only(folder, "rows passed over").evidence
    (folder / "logs/P1-1.csv").write_text("\n".join(lines[:200] + lines[204:900] + lines[600:]))
    assert "300 row(s)" in only(folder, "time runs backwards").evidence


def test_units_that_disagree(folder, edit):
    edit("event.toml", 'column = "Flow", unit = "l/min"', 'column = "Flow", unit = "l/h"')
    found = doubts(folder)
    assert set(found) == {"units disagree", "fuel unit"}
    doubt = found["units disagree"]
    assert "[log] says l/h, the file says l/min, in P1-1.csv and 1 more" in doubt.evidence


@pytest.mark.parametrize(
    ("unit", "factor", "words"),
    [
        ("l/h", 60.0, "litres per minute were logged and taken as litres per hour"),
        ("gal/h", 60 / 3.785412, ""),
        ("ml/s", 60 / 3.6, ""),
    ],
)
def test_a_fuel_channel_in_the_wrong_unit(folder, edit, fuelled, unit, factor, words):
    """The true channel is l/min; the file's own unit is taken away as well."""
    (folder / "logs/P1-1.csv").write_text(log_of(folder).replace("l/min", ""))
    packed = folder / "logs/P1-2.csv.gz"
    packed.write_bytes(gzip.compress(gzip.decompress(packed.read_bytes()).replace(b"l/min", b"")))
    edit("event.toml", 'column = "Flow", unit = "l/min"', f'column = "Flow", unit = "{unit}"')
    doubt = only(folder, "fuel unit")
    told = float(doubt.evidence.split(" is ")[1].split(" times")[0])
    assert told == pytest.approx(1.03 * factor, rel=5e-3)
    assert words in doubt.evidence and ("as if" in doubt.evidence) == bool(words)


def test_litres_taken_as_gallons_are_named(folder, edit, fuelled):
    edit("event.toml", 'column = "Flow", unit = "l/min"', 'column = "Flow", unit = "gal/h"')
    for name in ("P1-1.csv", "P1-2.csv.gz"):
        path = folder / "logs" / name
        data = path.read_bytes()
        text = gzip.decompress(data).decode() if name.endswith("gz") else data.decode()
        lines = text.split("\n")
        lines[4] = lines[4].replace("l/min", "")
        for i in range(5, len(lines) - 1):
            head, flow = lines[i].rsplit(",", 1)
            lines[i] = f"{head},{float(flow) * 60:.4f}"
        path.write_text("\n".join(lines))
    found = doubts(folder)
    assert "litres were logged and taken as US gallons" in found["fuel unit"].evidence
    assert found["fuel unit"].sure > 0.9 and "[log] fuel_flow" in found["fuel unit"].where


def test_a_drain_not_written_down_between_two_runs(folder, fuelled, edit):
    rows = (folder / "book/fuel.csv").read_text().split("\n")
    assert "drain" in rows.pop(2)
    edit("book/fuel.csv", whole="\n".join(rows))
    # both runs are one balance then, and nothing else tells the channel from the book
    doubt = only(folder, "fuel unit")
    assert doubt.sure < 0.9 and "fills and drains in book/fuel.csv" in doubt.next_step


def test_one_balance_off_points_to_what_was_not_written_down(folder, fuelled, edit):
    rows = (folder / "book/fuel.csv").read_text().split("\n")
    kg = float(rows[4].split(",")[3])
    rows[4] = rows[4].replace(f"{kg:.2f}", f"{kg - 3:.2f}")
    edit("book/fuel.csv", whole="\n".join(rows))
    doubt = only(folder, "fuel balance")
    assert "runs P1-2:" in doubt.evidence and "+3.0 kg" in doubt.evidence
    assert "a drain not written down" in doubt.evidence


def test_speed_in_the_wrong_unit_by_the_length_of_a_lap(folder, edit):
    edit("event.toml", 'column = "Velocity", unit = "km/h"', 'column = "Velocity", unit = "mph"')
    found = doubts(folder)
    assert set(found) == {"lap distance", "units disagree"}
    assert "1.609 times" in found["lap distance"].evidence
    assert "km/h and taken as mph" in found["lap distance"].evidence
    assert Weekend.open(folder).laps["counts"].sum() == 8


def test_one_log_under_two_names(folder):
    data = (folder / "logs/P1-1.csv").read_bytes()
    (folder / "logs/P1-2.csv.gz").write_bytes(data)
    doubt = only(folder, "duplicated log")
    assert "P1-2.csv.gz of run P1-2 is, byte for byte, P1-1.csv" in doubt.evidence


def test_a_log_left_running_into_the_next_run(folder, track, edit):
    channels = track.practice_run(4).stand(500).log()
    edit("logs/P1-1.csv", whole=track.logger_text(channels))
    assert "after run P1-2 began" in only(folder, "log of two runs").evidence


def test_typed_laps_the_log_does_not_have_or_times_otherwise(folder, edit):
    edit("book/laps.csv", whole="run_id,lap,lap_time_s\nP1-1,2,60.0\nP1-1,7,66.2\n")
    found = doubts(folder)
    assert set(found) == {"lap times disagree", "laps no log supports"}
    assert "lap 2 typed 60.000 s" in found["lap times disagree"].evidence
    assert "lap(s) 7 are typed, the log has 6" in found["laps no log supports"].evidence


def test_a_typed_time_within_its_digits_agrees(folder, edit):
    lap = Weekend.open(folder).laps.iloc[1]
    (folder / "book.sqlite").unlink()
    edit("book/laps.csv", whole=f"run_id,lap,lap_time_s\nP1-1,2,{lap['lap_time_s']:.2f}\n")
    assert doubts(folder) == {}


def test_more_fuel_than_the_tank_holds(folder, edit):
    edit("book/runs.csv", ",20.0,", ",48.0,")
    doubt = only(folder, "fuel over the tank")
    assert "48.0 kg; 50 L hold 37.5 kg" in doubt.evidence and doubt.where == "book/runs.csv row 2"


def test_more_fuel_burnt_than_there_was(folder, edit):
    edit("book/runs.csv", ",20.0,", ",3.0,")
    assert "starts with 3.0 kg" in only(folder, "fuel burnt").evidence


def test_petrol_outside_en228(folder, edit):
    edit("event.toml", "density_kg_per_l = 0.75", "density_kg_per_l = 0.79")
    assert "0.72 to 0.775 (EN 228)" in only(folder, "petrol density").evidence


def test_a_typing_error_in_a_tread_reading(folder, edit):
    edit("book/tread.csv", "3.8,4.0,3.9", "4.8,4.0,3.9")
    doubt = only(folder, "tread reading")
    assert "tyre 007: inner_mm 4.80" in doubt.evidence and doubt.where == "book/tread.csv row 3"


def test_uneven_wear_is_no_typing_error(folder, edit):
    rows = "".join(f"2026-05-16T10:{i:02d},007,,{4.0 - i / 100:.2f},5.0,5.1\n" for i in range(6))
    edit("book/tread.csv", whole="taken_at,tyre_id,after_run,inner_mm,centre_mm,outer_mm\n" + rows)
    assert doubts(folder) == {}


def test_tread_that_grew(folder, edit):
    edit("book/tread.csv", "3.8,4.0,3.9", "4.8,5.0,4.9")
    assert "+0.70 mm" in only(folder, "tread grew").evidence


@pytest.mark.parametrize(("value", "name"), [("29.7", "psi"), ("205", "kPa")])
def test_a_pressure_in_another_unit(folder, edit, value, name):
    edit("book/pressures.csv", ",2.05,", f",{value},")
    doubt = only(folder, "pressure unit")
    assert f"look like {name}" in doubt.evidence and doubt.where == "book/pressures.csv row 2"


def test_a_typing_error_in_a_cold_pressure(folder, edit):
    edit("book/runs.csv", ",1.70,1.75,", ",1.70,7.75,")
    assert "cold_fr_bar is 7.75" in only(folder, "pressure reading").evidence


def test_a_run_on_another_day(folder, edit):
    edit("book/runs.csv", "2026-05-16T09:02", "2026-05-15T09:02")
    doubt = only(folder, "run outside its session")
    assert "run P1-1 starts Fri 09:02; P1 is from Sat 09:00 to Sat 09:30" in doubt.evidence


def test_a_run_in_another_month_is_told_with_its_date(folder, edit):
    edit("book/runs.csv", "2026-05-16T09:02", "2026-04-18T09:02")  # a Saturday too
    said = doubts(folder)["run outside its session"].evidence
    assert "starts Sat 18 Apr 2026 09:02; P1 is from Sat 16 May 2026 09:00" in said


def test_readings_in_another_month_are_told_in_days(folder, edit):
    edit("book/pressures.csv", "2026-05-16T09:12:30", "2026-04-16T09:12:30")
    edit("book/pressures.csv", "2026-05-16T09:12:40", "2026-04-16T09:12:40")
    doubt = doubts(folder)["log of another run"]
    assert "2 readings after it were taken up to 30 days before" in doubt.evidence
    assert "taken_at" in doubt.next_step


def test_a_tyre_on_the_wrong_side(folder, edit):
    edit("book/runs.csv", ",007,008,", ",008,007,")
    found = Weekend.open(folder).doubts
    assert [d.name for d in found] == ["tyre in the wrong place"] * 2
    assert "tyre 008 is on FL; the tyre list has it for front axle, right side" in found[0].evidence


def test_a_car_that_cannot_reach_its_minimum(folder, edit):
    edit("event.toml", "minimum_mass_kg = 1180.0", "minimum_mass_kg = 1480.0")
    assert "1278 kg" in only(folder, "minimum mass").evidence


def test_a_file_no_run_names(folder):
    shutil.copy(folder / "logs/P1-1.csv", folder / "logs/spare.csv")
    assert "spare.csv" in only(folder, "log of no run").evidence


def test_a_table_changed_after_it_was_read(folder, edit):
    weekend = Weekend.open(folder)
    edit("book/tread.csv", "3.8,4.0,3.9", "3.7,4.0,3.9")
    doubt = only(folder, "book changed outside")
    assert doubt.where == "book/tread.csv" and "tyrekit import" in doubt.next_step
    weekend.book.append(
        "weather", {"taken_at": "2026-05-16T10:00", "air_c": 19, "track_c": 27}, "K"
    )
    assert "tyrekit import" in only(folder, "book changed outside").next_step
    weekend.import_csv("K")
    assert doubts(folder) == {}


def test_a_fuel_counter_reset_shows_in_its_lap(folder, edit):
    text = log_of(folder).split("\n")
    rows = [line.rsplit(",", 1) for line in text[5:-1]]
    litres = np.cumsum([float(flow) / 600 for _, flow in rows])
    third = int(np.searchsorted(litres, litres[-1] * 0.42))
    lost = third + 250  # the counter falls to nothing and stays there for 25 s
    after = litres - litres[lost] * (np.arange(len(litres)) > third)
    after[third + 1 : lost] = 0.0
    named = [f"{head},{value:.5f}" for (head, _), value in zip(rows, after, strict=True)]
    head = [*text[:3], text[3].replace("Flow", "Counter"), text[4].replace("l/min", "l")]
    (folder / "logs/P1-1.csv").write_text("\n".join([*head, *named]) + "\n")
    (folder / "logs/P1-2.csv.gz").unlink()
    edit(
        "event.toml",
        'fuel_flow = { column = "Flow", unit = "l/min" }',
        'fuel_used = { column = "Counter" }',
    )
    found = doubts(folder)
    assert set(found) == {"missing log", "fuel of a lap", "fuel counter reset"}
    assert "falls by" in found["fuel counter reset"].evidence
    assert "run P1-1: lap" in found["fuel of a lap"].evidence


def test_a_line_crossed_the_other_way_is_named(folder, edit):
    edit("event.toml", "heading_deg = 60.0", "heading_deg = 240.0")
    doubt = only(folder, "laps lost")
    assert (
        "15.3 km driven by the speed channel, 1 lap(s) found" in doubt.evidence
    )  # six laps of 2554 m
    assert "1 more run(s) alike" in doubt.evidence and "the other way" in doubt.evidence
    assert "heading_deg = 60 meant" in doubt.next_step and doubt.sure > 0.9


def test_a_line_that_is_elsewhere_is_named(folder, edit):
    edit("event.toml", "latitude_deg = 52.1", "latitude_deg = 53.1")
    doubt = only(folder, "laps lost")
    assert "111 km near; it drives about 52.09" in doubt.evidence
    assert "start_finish" in doubt.where


def test_positions_without_a_line_are_named(folder, edit):
    text = (folder / "event.toml").read_text()
    line = next(row for row in text.split("\n") if row.startswith("start_finish"))
    edit("event.toml", line + "\n", "")
    doubt = only(folder, "laps lost")
    assert "event.toml no line" in doubt.evidence and "Give start_finish" in doubt.next_step


def test_degrees_and_minutes_run_together_are_named(folder, track):
    """NMEA 0183 writes 52 degrees 6 minutes as 5206.0."""
    for name, scale in (("P1-1.csv", 1.0), ("P1-2.csv.gz", 1.01)):
        log = track.practice_run(4, scale=scale).log()
        for column in ("latitude_deg", "longitude_deg"):
            whole = np.trunc(log[column])
            log[column] = 100 * whole + 60 * (log[column] - whole)
        (folder / "logs" / name).write_text(track.logger_text(log))
    doubt = doubts(folder)["laps lost"]
    assert "no degrees; as degrees and minutes run together they are 52." in doubt.evidence
    assert "decimal degrees" in doubt.next_step


def test_distance_by_position_tells_as_well(folder, edit):
    edit("event.toml", "heading_deg = 60.0", "heading_deg = 240.0")
    edit("event.toml", 'speed = { column = "Velocity", unit = "km/h" }\n', "")
    assert "km driven by position, 1 lap(s)" in doubts(folder)["laps lost"].evidence


@pytest.mark.parametrize("flying", [0, 1])
def test_short_runs_and_stops_on_the_track_lose_no_laps(folder, track, flying):
    length = track.length_m
    short = track.practice_run(flying).log()
    stops = track.drive(box_m=-220.0).stand(15).to(-70, speed_mps=track.pit_mps)
    stops.to(0.6 * length).stand(120).to(1.4 * length).stand(60).to(2 * length - 220).stand(20)
    for name, log in (("P1-1.csv", short), ("P1-2.csv.gz", stops.log())):
        (folder / "logs" / name).write_text(track.logger_text(log))
    assert "laps lost" not in doubts(folder)


def test_air_pressure_in_another_unit(folder, edit):
    rows = "2026-05-16T08:00:00,14,20,1013\n2026-05-16T09:00:00,14,20,29.92\n"
    edit("book/weather.csv", whole="taken_at,air_c,track_c,pressure_hpa\n" + rows)
    doubt = only(folder, "air pressure")
    # 29.92 inches of mercury are the standard atmosphere, 1013.25 hPa
    assert "as inches of mercury it would be 1013 hPa" in doubt.evidence
    assert doubt.where == "book/weather.csv row 3" and "1 of 2" in doubt.evidence


@pytest.mark.parametrize(
    ("column", "rows", "words"),
    [
        ("track_c", "08:00:00,15,95\n2026-05-16T09:10:00,16,24\n", "as degF it would be 35.0 degC"),
        ("track_c", "08:00:00,15,-200\n2026-05-16T09:10:00,16,24\n", "the first -200"),
        ("air_c", "08:00:00,-90,24\n2026-05-16T09:10:00,16,24\n", "the first -90"),
    ],
)
def test_temperatures_that_cannot_be_are_told_and_not_used(folder, edit, column, rows, words):
    edit("book/weather.csv", whole="taken_at,air_c,track_c\n2026-05-16T" + rows)
    doubt = only(folder, "temperature out of range")
    assert f"1 of 2 rows have {column}" in doubt.evidence and words in doubt.evidence
    assert doubt.where == "book/weather.csv row 2"
    weekend = Weekend.open(folder)
    assert list(weekend.weather["air_c"]) == [16.0] and (weekend.laps["track_c"] == 24.0).all()


def test_laps_and_kilometres_of_a_tyre_exchanged(folder, edit):
    edit("book/tyres.csv", "007,hard,0,1,12,30.0", "007,hard,0,1,30,12.0")
    doubt = only(folder, "laps and kilometres of a tyre")
    assert "12 km in 30 laps make 0.40 km a lap" in doubt.evidence


def test_a_mass_in_pounds(folder, edit):
    text = (folder / "event.toml").read_text()
    mass = next(line for line in text.splitlines() if line.startswith("mass_kg"))
    edit("event.toml", mass, "mass_kg = 3086.5")  # 1400 kg
    assert "in lb, it is 1400 kg" in only(folder, "minimum mass").evidence


@pytest.mark.parametrize(("unit", "names"), [(32 / 25.4, ["tread unit"]), (1.0, [])])
def test_tread_in_32nds_of_an_inch(folder, edit, unit, names):
    tyres = ("007", "008", "009", "010", "N1")
    before = [f"2026-05-16T08:00:{i:02d},{t},,4.1,4.3,4.2\n" for i, t in enumerate(tyres)]
    after = ",".join(f"{mm * unit:.1f}" for mm in (3.9, 4.1, 4.0))
    after = [f"2026-05-16T10:00:{i:02d},{t},,{after}\n" for i, t in enumerate(tyres)]
    head = "taken_at,tyre_id,after_run,inner_mm,centre_mm,outer_mm\n"
    edit("book/tread.csv", whole=head + "".join(before + after))
    found = doubts(folder)
    assert list(found) == names
    if names:
        assert "5 tyres have more tread" in found["tread unit"].evidence
        assert found["tread unit"].where == "book/tread.csv row 7"


def test_readings_in_the_wrong_order_are_not_taken_for_inches(folder, edit):
    tyres = ("007", "008", "009", "010", "N1")
    runs = dict.fromkeys(tyres, "P1-1") | {"N1": "P1-2"}
    rows = [f"2026-05-16T08:00:{i:02d},{t},{runs[t]},3.9,4.0,3.9\n" for i, t in enumerate(tyres)]
    rows += [f"2026-05-16T10:00:{i:02d},{t},,4.4,4.5,4.4\n" for i, t in enumerate(tyres)]
    head = "taken_at,tyre_id,after_run,inner_mm,centre_mm,outer_mm\n"
    edit("book/tread.csv", whole=head + "".join(rows))
    assert "tread unit" not in doubts(folder)


def test_a_log_of_another_circuit_is_not_the_lines_fault(folder, track):
    log = track.practice_run(4).log()
    log["latitude_deg"] += 1.0
    (folder / "logs/P1-1.csv").write_text(track.logger_text(log))
    doubt = doubts(folder)["laps lost"]
    assert "is it of another circuit?" in doubt.evidence and doubt.where == "logs/P1-1.csv"
    assert "latitude_deg" not in doubt.next_step


def test_a_puncture_in_a_note_whose_tyres_are_still_planned(folder, edit):
    edit("book/runs.csv", "cold_fr_bar,log\n", "cold_fr_bar,log,note\n")
    edit("book/runs.csv", "1.75,P1-1.csv", "1.75,P1-1.csv,Front left punctured")
    doubt = only(folder, "tyre harmed")
    assert "007, 008, 009, 010 says 'Front left punctured'" in doubt.evidence
    assert doubt.where == "book/runs.csv row 2" and "scrapped" in doubt.next_step


@pytest.mark.parametrize(("scrapped", "names"), [("yes", []), ("no", ["tyre harmed"])])
def test_a_cut_tyre_that_is_scrapped_raises_no_doubt(folder, edit, scrapped, names):
    edit("book/tyres.csv", "side,note\n", "side,note,scrapped\n")
    edit("book/tyres.csv", "left,from the last event", f"left,cut in the shoulder,{scrapped}")
    assert list(doubts(folder)) == names


def test_a_lap_typed_too_short(folder, edit):
    for name in ("P1-1.csv", "P1-2.csv.gz"):
        (folder / "logs" / name).unlink()
    edit("book/runs.csv", "P1-1.csv", "")
    edit("book/runs.csv", "P1-2.csv.gz", "")
    times = (80, 66.2, 66.4, 46.6, 66.3, 66.1)  # 64.6 with its digits exchanged
    rows = [f"P1-1,{lap},{s}\n" for lap, s in enumerate(times, 1)] + ["P1-2,1,80\n", "P1-2,2,66\n"]
    edit("book/laps.csv", whole="run_id,lap,lap_time_s\n" + "".join(rows))
    doubt = doubts(folder)["lap typed too short"]
    assert "run P1-1: lap 4 is typed 46.6 s, 0.70 of the session's usual lap" in doubt.evidence
    assert doubt.where == "book/laps.csv row 5"
