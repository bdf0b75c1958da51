"""Charts: each draws, asks a question, shows its uncertainty, and has its words in the drawing."""

import re

import numpy as np
import pandas as pd
import pytest

from tyrekit.show import charts, tables
from tyrekit.show.figures_next_session import figures
from tyrekit.show.style import ACCENT, BAND, INK, MUTED, PAPER, RULE, css, svg


@pytest.fixture
def drawings(hand_answer):
    event = hand_answer.weekend.event
    return {
        "laps": charts.lap_times_chart(tables.lap_times_table(hand_answer)),
        "drop_off": charts.drop_off_chart(tables.drop_off_table(hand_answer)),
        "tread": charts.tread_chart(
            tables.tread_table(hand_answer), tables.tread_limit_mm(event)
        ),
        "fuel": charts.fuel_chart(tables.fuel_risk_table(hand_answer, "R1"), 0.005, "R1"),
        "choices": charts.choices_chart(tables.choices_table(hand_answer)),
        "use": charts.tyre_use_chart(tables.tyre_use_table(hand_answer), ["P1", "Q", "R1"]),
    }  # fmt: skip


def test_each_chart_asks_one_question(drawings):
    for name, chart in drawings.items():
        title = chart.to_dict()["title"]["text"]
        assert title.endswith("?"), name


def test_each_draws_without_network_and_with_its_words(drawings):
    texts = {name: svg(chart) for name, chart in drawings.items()}
    assert "1:35" in texts["laps"]
    assert "timed here to 7 laps" in texts["drop_off"]
    assert ">N6<" in texts["tread"] and "1.6 mm limit" in texts["tread"]
    assert ">38.6 L<" in texts["fuel"] and "1 in 200" in texts["fuel"]
    assert "81 % to be the best" in texts["choices"]
    assert ">RL<" in texts["use"]
    for text in texts.values():
        assert not re.findall(r"https?://(?!www\.w3\.org)", text)


def test_colours_are_the_few_the_theme_knows(drawings):
    """The dark theme maps these values; another colour would stay dark on dark."""
    known = {c.lower() for c in (INK, MUTED, RULE, BAND, ACCENT, PAPER)}
    sheet = css("panel").lower()
    for name, chart in drawings.items():
        used = {c.lower() for c in re.findall(r'(?:fill|stroke)="(#[0-9a-fA-F]{3,6})"', svg(chart))}
        assert used <= known, (name, used - known)
    for colour in known - {PAPER}:
        assert f'"{colour}"' in sheet


def test_the_litre_is_asked_about_for_the_next_session_unless_it_has_no_risk(hand_answer):
    def asked():
        (one,) = [f for f in figures(hand_answer) if f.name.startswith("fuel")]
        assert f"short in {one.name.split()[1]}?" in one.draw(one.table).to_dict()["title"]["text"]
        return one.name.split()[1]

    assert asked() == "Q"
    hand_answer.fuel_loads["Q"].table["shortfall_risk"] = 0.0
    assert asked() == "R1"


def test_tread_labels_stand_clear_of_lines_and_limit():
    """One line ends at the limit, one in the path of another; letters are about 12 by 8 pixels."""
    tyres = {"N1": ([0, 20], [5.0, 1.7]), "N2": ([0, 10], [4.0, 3.0]), "N3": ([5, 25], [3.5, 2.5])}
    rows = [
        (tyre, "FL", age, mm, None, None, False)
        for tyre, (ages, depths) in tyres.items()
        for age, mm in zip(ages, depths, strict=True)
    ]
    names = ["tyre_id", "corner", "age_laps", "tread_mm", "lower", "upper", "forecast"]
    chart = charts.tread_chart(pd.DataFrame(rows, columns=names), 1.6, 560).to_dict()
    layers = chart["spec"]["layer"]
    (data,) = (d for d in chart["datasets"].values() if "label_mm" in d[0])
    lap_px = chart["spec"]["width"] / max(
        at["encoding"]["x"]["scale"]["domain"][1]
        for at in layers
        if "scale" in at.get("encoding", {}).get("x", {})
    )
    mm_px = chart["spec"]["height"] / (5.0 + 0.4)
    for row in (row for row in data if row["label"]):
        left, middle = row["label_laps"] * lap_px, row["label_mm"] * mm_px
        assert abs(middle - 1.6 * mm_px) > 6
        for ages, depths in tyres.values():
            across = np.linspace(left, left + 16, 9) / lap_px
            under = np.interp(across, ages, depths, left=np.nan, right=np.nan) * mm_px
            assert not (abs(under - middle) < 6).any(), row["label"]


def luminance(colour):
    """Relative luminance, WCAG 2.2 (W3C recommendation), definition of that name."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one, other):
    """Contrast ratio, WCAG 2.2 (W3C recommendation), definition of that name."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("text", "ground"),
    [(INK, PAPER), (MUTED, PAPER), (ACCENT, PAPER), (PAPER, ACCENT), (INK, BAND),
     ("#e9eeee", "#111111"), ("#b3bfc3", "#111111"), ("#6fd0cd", "#111111"),
     ("#e9eeee", "#212121"), ("#b3bfc3", "#212121"), ("#6fd0cd", "#212121")],
)  # fmt: skip
def test_contrast_is_at_least_4_5(text, ground):
    """WCAG 2.2, success criterion 1.4.3 (AA). The dark grounds are JupyterLab's."""
    assert contrast(text, ground) >= 4.5


def test_contrast_formula_on_its_published_ends():
    """WCAG 2.2: black on white is 21 to 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_a_left_out_slow_lap_stays_on_the_chart(hand_answer):
    chart = charts.lap_times_chart(tables.lap_times_table(hand_answer)).to_dict()
    rows = next(data for data in chart["datasets"].values() if "left_out" in data[0])
    slow = [row for row in rows if row["left_out"]]
    assert len(slow) == 1
    assert slow[0]["lap_time_s"] == 98.7
    assert slow[0]["shown_s"] < 97


@pytest.mark.parametrize(("oldest", "side"), [(9, "start"), (30, "end")])
def test_the_words_at_the_oldest_age_stand_where_there_is_room(oldest, side):
    age = np.arange(43.0)
    table = pd.DataFrame({"age_laps": age, "mean": age, "lower": age, "upper": age})
    drawn = svg(charts.drop_off_chart(table.assign(seen=age <= oldest)))
    assert re.search(rf'text-anchor="{side}"[^>]*>timed here to {oldest} laps<', drawn)
