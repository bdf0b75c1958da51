"""The pressure fit: recovery, thin data, pit readings. Expected values: simulated truth."""

import math

import numpy as np
import pandas as pd
import pytest
from study_fuel_use import make_event
from study_pressure import Slow, after_cool_down, bar_errors, draw_truth, fit, race, simulate

from tyrekit.errors import FitError
from tyrekit.fit.pressure import PressureModel, PressureResults
from tyrekit.fit.pressure_readings import cool_laps, hot_readings, sensor_readings
from tyrekit.fit.pressure_rows import pressure_rows, usable
from tyrekit.fit.prior import beliefs
from tyrekit.terms import CORNER_NAMES

EVENT = make_event()
BELIEFS = beliefs(EVENT).pressure


@pytest.fixture(scope="module")
def truth():
    return draw_truth(np.random.default_rng(31), scatter=True)


@pytest.fixture(scope="module")
def readings(truth):
    return simulate(np.random.default_rng(32), truth)


@pytest.fixture(scope="module")
def found(readings):
    return fit(readings, EVENT)


def fitted(table):
    return PressureModel(table, EVENT, BELIEFS).fit()


def whole(result):
    """No value that is not a number, no interval of zero width."""
    assert np.isfinite(result.params).all() and np.isfinite(result.cov.to_numpy()).all()
    interval = result.conf_int(0.9)
    assert (interval["upper"] > interval["lower"]).all()
    for corner in CORNER_NAMES:
        mean, lower, upper = result.cold_bar(corner, 2.1, 6, 20.0, 30.0)
        assert 0 < lower < mean < upper < 2.1
    return result


def test_truth_is_inside_the_intervals(truth, found):
    whole(found)
    interval = found.conf_int(0.99)
    lower, upper = interval.loc["rise_laps"]
    assert lower < truth.rise_laps < upper
    lower, upper = interval.loc["rise_c"]
    assert lower < truth.rise_c.mean() < upper
    assert found.rests_on.loc["rise_laps", "data_share"] > 0.9


@pytest.mark.parametrize(("scatter", "most_kpa"), [(False, 1.5), (True, 3.5)])
def test_lap_six_over_many_weekends(scatter, most_kpa):
    # goals 1.5 kPa when the model is exact and 3.5 with scatter of the plateau
    figures = bar_errors(25, seed=7, scatter=scatter)
    assert figures["rmse_kpa"] < most_kpa and figures["cover_pct"] > 80


def test_pit_readings_are_not_taken_at_face_value():
    figures = bar_errors(25, seed=8, scatter=False, source="pit")
    assert abs(figures["bias_kpa"]) < 3.0 and figures["cover_pct"] > 85


def test_cold_inverts_hot(found):
    for laps in (1, 3, 12):
        cold, lower, upper = found.cold_bar("FR", 2.1, laps, 18.0, 31.0)
        assert found.hot_bar("FR", cold, laps, 18.0, 31.0)[0] == pytest.approx(2.1, abs=1e-9)
        assert found.hot_bar("FR", lower, laps, 18.0, 31.0)[2] == pytest.approx(2.1, abs=1e-9)
        assert found.hot_bar("FR", upper, laps, 18.0, 31.0)[1] == pytest.approx(2.1, abs=1e-9)


def test_hotter_later_and_longer_mean_less_cold_pressure(found):
    by_laps = [found.cold_bar("FL", 2.1, n, 20.0, 30.0)[0] for n in (1, 2, 4, 8, 16)]
    assert np.all(np.diff(by_laps) < 0)
    by_track = [found.cold_bar("FL", 2.1, 6, 20.0, t)[0] for t in (20.0, 30.0, 40.0)]
    assert np.all(np.diff(by_track) < 0)
    warm_when_set = found.cold_bar("FL", 2.1, 6, 20.0, 30.0, cold_c=40.0)[0]
    assert warm_when_set > found.cold_bar("FL", 2.1, 6, 20.0, 30.0)[0]


def test_a_pit_gauge_reads_less_than_the_track(found):
    on_track = found.hot_bar("FL", 1.6, 8, 20.0, 30.0)[0]
    in_pits = found.hot_bar("FL", 1.6, 8, 20.0, 30.0, source="pit")[0]
    assert 0.01 < on_track - in_pits < 0.12


def test_both_kinds_of_reading_sharpen_the_loss(truth):
    rng = np.random.default_rng(5)
    both = pd.concat([simulate(rng, truth), simulate(rng, truth, source="pit")])
    loss = fitted(both.reset_index(drop=True)).rests_on.loc["pit_loss_pct", "data_share"]
    alone = fitted(simulate(rng, truth, source="pit"))
    assert loss > 0.3 > alone.rests_on.loc["pit_loss_pct", "data_share"]
    assert any("read in the pits" in note for note in alone.notes)


def test_no_readings_give_the_beliefs(readings, found):
    result = whole(fitted(readings[:0]))
    assert result.df == math.inf and (result.rests_on["data_share"] == 0).all()
    assert "belief only" in result.notes[0]
    _, lower, upper = result.cold_bar("FL", 2.1, 6, 20.0, 30.0)
    _, low, high = found.cold_bar("FL", 2.1, 6, 20.0, 30.0)
    assert upper - lower > 2 * (high - low)


def test_a_table_without_columns_gives_the_beliefs():
    assert whole(fitted(pd.DataFrame())).n_rows == 0


def test_one_reading_and_one_corner(readings):
    result = whole(fitted(readings[3:4]))
    assert result.n_rows == 1
    words = " ".join(result.notes)
    assert "no hot pressure yet" in words and "mostly belief" in words


def test_one_temperature_and_one_length_say_so(readings):
    same = readings.assign(air_c=20.0, track_c=28.0)
    same = same[same["after_laps"] == 4]
    words = " ".join(whole(fitted(same)).notes)
    assert "its effect is mostly belief" in words and "how fast pressure rises is belief" in words


def test_missing_temperatures_are_filled_and_said(readings):
    gaps = readings.assign(track_c=np.nan)
    gaps.loc[gaps["session"] == "P2", "air_c"] = np.nan
    words = " ".join(whole(fitted(gaps)).notes)
    assert "without track temperature" in words and "without air temperature" in words


def test_source_and_air_pressure_not_written_down_are_said(readings):
    words = " ".join(fitted(readings.drop(columns=["source", "pressure_hpa"])).notes)
    assert "as read in the pits" in words and "sea level" in words


def test_unusable_readings_are_listed_with_reasons(readings):
    table = readings.copy()
    table.loc[0, "hot_bar"] = 29.0  # psi
    table.loc[1, "cold_bar"] = np.nan
    table.loc[2, "after_laps"] = np.nan
    table.loc[3, "corner"] = "XX"
    table.loc[4, "air_c"] = 290.0
    table.loc[5, "hot_bar"] = 3.9  # a slip that only the gas law shows
    result = whole(fitted(table))
    assert result.n_rows == len(table) - 6 and len(result.left_out) == 6
    reasons = " / ".join(result.left_out["reason"])
    for words in ("0.3 to 6 bar", "no cold_bar", "laps run", "corner", "air_c", "misread"):
        assert words in reasons


def test_a_misread_pressure_moves_little(readings, found):
    table = readings.copy()
    table.loc[10, "hot_bar"] += 0.25
    moved = fitted(table)
    assert moved.cold_bar("FL", 2.1, 6, 20.0, 30.0)[0] == pytest.approx(
        found.cold_bar("FL", 2.1, 6, 20.0, 30.0)[0], abs=0.012
    )


def test_altitude_enters_through_the_air_pressure(readings):
    high = fitted(readings.assign(pressure_hpa=880.0))
    assert high.ambient_bar == pytest.approx(0.88)
    assert any("880 hPa" in note for note in high.notes)


def test_air_pressure_counts_reading_by_reading():
    # closed form: the same gas in both, the gauges differ by what the air outside does
    rows = []
    for hpa in (1013.25, 880.0):
        outside = hpa / 1000
        hot = (1.6 + outside) * (273.15 + 60) / (273.15 + 20) - outside
        rows += [
            ("P1", f"r{hpa}", corner, hot, 12, 1.6, 20.0, 28.0, hpa, "sensor")
            for corner in CORNER_NAMES
        ]
    columns = ["session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c",
               "track_c", "pressure_hpa", "source"]  # fmt: skip
    rise = pressure_rows(usable(pd.DataFrame(rows, columns=columns)).table).rise_c
    assert rise == pytest.approx(np.full(8, 40.0), abs=1e-9)


def test_a_gauge_read_later_reads_less(found):
    soon, late = (
        found.hot_bar("FL", 1.6, 8, 20.0, 30.0, source="pit", delay_min=wait)[0] for wait in (1, 8)
    )
    assert 0.02 < soon - late < 0.15
    with pytest.raises(FitError, match="0 to 60 min"):
        found.hot_bar("FL", 1.6, 8, 20.0, 30.0, source="pit", delay_min=90)


def test_a_cool_down_lap_cools_and_says_when_it_cannot_have_been(found):
    # closed form: each such lap keeps the same share of the rise, sensor or gauge
    loss = found.params["cool_down_loss_pct"] / 100
    for source in ("sensor", "pit"):
        gas = [
            found.gas_c("FL", 16, 20.0, 30.0, source=source, cool_laps=n).mean - 20.0
            for n in (0, 1, 2)
        ]
        assert gas[1] / gas[0] == pytest.approx(1 - loss)
        assert gas[2] / gas[0] == pytest.approx((1 - loss) ** 2)
    sure, unsure = (
        np.ptp(found.hot_bar("FL", 1.6, 16, 20.0, 30.0, source="pit", cool_laps=n)[1:])
        for n in (0, 1)
    )
    assert unsure > sure
    with pytest.raises(FitError, match="cool_laps"):
        found.hot_bar("FL", 1.6, 2, 20.0, 30.0, cool_laps=3)


def test_readings_after_cool_down_laps_tell_their_loss(truth):
    # simulated truth: at 0.75 of the speed the gas heads for 0.30 of the plateau for 1.33 laps
    slow, rng = Slow(0.75**4.2, 1 / 0.75), np.random.default_rng(7)
    parts = [simulate(rng, truth).assign(cool_laps=0.0)]
    parts += [race(rng, truth, f"R{i}", slow, 20.0, 28.0) for i in range(3)]
    result = fitted(pd.concat(parts, ignore_index=True))
    assert result.rests_on.loc["cool_down_loss_pct", "data_share"] > 0.3
    forecasts = after_cool_down(15, 3, races=1), after_cool_down(15, 3, races=1, told=False)
    assert forecasts[0]["rmse_kpa"] < 0.8 * forecasts[1]["rmse_kpa"]
    assert forecasts[0]["cover_pct"] > 80


def test_cool_down_and_caution_laps_just_before_a_reading_are_counted():
    kinds = ["out", "timed", "caution", "caution", "timed", "caution", "cool_down", "in"]
    laps = pd.DataFrame({"run_id": "a", "lap": range(1, 9), "kind": kinds})
    asked = pd.DataFrame({"run_id": ["a"] * 8 + ["b"], "after_laps": [*range(1, 9), 3]})
    assert cool_laps(asked, laps).tolist() == [0, 0, 1, 2, 0, 1, 2, 2, 0]
    assert cool_laps(asked, laps.drop(columns="kind")).tolist() == [0] * 9


def test_delays_tell_cooling_when_there_are_sensors_too(truth):
    rng = np.random.default_rng(5)
    both = pd.concat([simulate(rng, truth), simulate(rng, truth, source="pit")])
    result = whole(fitted(both.reset_index(drop=True)))
    lower, upper = result.conf_int(0.99).loc["cooling_min"]
    assert lower < truth.cooling_min < upper
    assert result.rests_on.loc["cooling_min", "data_share"] > 0.3


def test_every_hot_reading_with_air_pressure_and_time_stood():
    start = pd.Timestamp("2026-05-16T09:00:00Z")
    laps = pd.DataFrame(
        {"run_id": "a", "session": "P1", "lap": [1, 2], "lap_time_s": [100.0, 110.0],
         "started_at": [start, start + pd.Timedelta(seconds=100)], "air_c": 20.0, "track_c": 28.0,
         "hot_fl_bar": [1.8, 1.9]}
    )  # fmt: skip
    pressures = pd.DataFrame(
        {"taken_at": [start + pd.Timedelta(seconds=330), pd.NaT], "run_id": "a", "session": "P1",
         "corner": ["FL", "FR"], "hot_bar": 1.85, "after_laps": 2.0, "cold_bar": 1.6, "air_c": 20.0,
         "track_c": 28.0}
    )  # fmt: skip
    runs = pd.DataFrame({"run_id": ["a"], "cold_fl_bar": [1.6]})
    weather = pd.DataFrame({"taken_at": [start], "pressure_hpa": [955.0]})
    table = hot_readings(pressures, laps, runs, weather)
    assert table["source"].tolist() == ["pit", "pit", "sensor", "sensor"]
    assert table["delay_min"].iloc[0] == pytest.approx(2.0)  # 330 - 210 s
    assert table["delay_min"].iloc[1:].isna().all() and (table["pressure_hpa"] == 955.0).all()
    result = whole(fitted(table))
    assert result.n_rows == 4 and result.ambient_bar == pytest.approx(0.955)
    assert any("1 pit reading(s) without a time" in note for note in result.notes)
    assert len(hot_readings(pressures[:0], laps[:0], runs, weather)) == 0


def test_predict_rows(found):
    rows = pd.DataFrame(
        {"corner": ["FL", "RR"], "cold_bar": [1.6, 1.55], "laps": [3, 8], "air_c": [20.0, 24.0],
         "track_c": [28.0, 40.0], "cold_c": [np.nan, 30.0]}
    )  # fmt: skip
    table = found.predict(rows)
    assert table.iloc[0].tolist() == list(found.hot_bar("FL", 1.6, 3, 20.0, 28.0))
    assert table.iloc[1].tolist() == list(found.hot_bar("RR", 1.55, 8, 24.0, 40.0, cold_c=30.0))


def test_sensor_readings_from_laps():
    laps = pd.DataFrame(
        {"run_id": ["a", "a"], "session": ["P1", "P1"], "lap": [1, 2], "air_c": [20.0, 20.0],
         "track_c": [28.0, 28.0], "hot_fl_bar": [1.8, np.nan], "hot_rr_bar": [1.7, 1.8]}
    )  # fmt: skip
    runs = pd.DataFrame({"run_id": ["a"], "cold_fl_bar": [1.6], "cold_rr_bar": [1.5]})
    table = sensor_readings(laps, runs)
    assert table[["corner", "after_laps", "hot_bar", "cold_bar"]].to_numpy().tolist() == [
        ["FL", 1, 1.8, 1.6], ["RR", 1, 1.7, 1.5], ["RR", 2, 1.8, 1.5],
    ]  # fmt: skip
    assert whole(fitted(table)).n_rows == 3
    assert len(sensor_readings(laps[["run_id", "session", "lap"]], runs)) == 0


def test_saved_and_loaded(found):
    again = PressureResults.from_json(found.to_json())
    assert again.cold_bar("FL", 2.1, 6, 20.0, 30.0) == found.cold_bar("FL", 2.1, 6, 20.0, 30.0)
    assert again.summary() == found.summary()


def test_summary_answers_the_engineer(found):
    text = found.summary()
    for words in ("above the air", "% from data", "session to session", "readings up to lap",
                  "surer by"):  # fmt: skip
        assert words in text


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"corner": "fl"}, "FL, FR, RL or RR"),
        ({"laps": 0}, "above 0"),
        ({"air_c": 300.0}, "-30 to 55"),
        ({"level": 1.0}, "level must lie"),
        ({"source": "guess"}, "sensor or pit"),
    ],
)
def test_bad_questions_are_refused(found, said, words):
    asked = {"corner": "FL", "hot_bar": 2.1, "laps": 6, "air_c": 20.0, "track_c": 30.0, **said}
    with pytest.raises(FitError, match=words):
        found.cold_bar(**asked)
