"""The practice panel on copies of the demo weekends, moved from Python as the browser would.

Expected values: the rules stated beside them; otherwise agreement between plan and screen.
"""

import shutil

import pytest
from demo_weekends import copy_of

from tyrekit.record.template import new_weekend
from tyrekit.show import charts_practice, lessons, practice
from tyrekit.show.answer import fit_weekend
from tyrekit.show.panel_practice import PracticePanel


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    made = PracticePanel(copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("w")))
    assert made.problem.value == ""
    return made


@pytest.fixture
def p2(panel):
    panel.which.value = "P2"
    panel.as_planned.click()
    assert panel.problem.value == ""
    return panel


def test_no_practice_left_is_said_and_the_last_run_shown(panel):
    panel.which.value = ""
    assert "No practice is left" in panel.said.value
    assert panel.plan.value == ""
    last = panel.state.weekend.runs.sort_values("start")["run_id"].iloc[-1]
    assert f"What {last} taught" in panel.taught.value
    assert len(panel.figures.children) == len(lessons.ABOUT)
    named = {name for names in lessons.ABOUT.values() for name in names}
    assert named == set(panel.lesson["quantity"])


def test_after_is_what_the_fits_say_now(panel):
    lesson = panel.lesson[panel.lesson["stage"] == "after"].set_index("quantity")
    fits = panel.state.fits
    drop_off = lesson.loc["loss per lap of tyre age"]
    assert drop_off["mean"] == fits.lap_time.params["drop_off_s_per_lap"]
    bounds = fits.lap_time.conf_int(0.9)
    assert drop_off["upper"] == bounds.loc["drop_off_s_per_lap", "upper"]
    assert lesson.loc["wear per lap, FL", "mean"] == fits.tread.wear_mm_per_lap("FL").mean


def test_before_knows_nothing_of_the_run(panel):
    weekend = panel.state.weekend
    run_id = panel.run.value
    before = lessons.before_run(weekend, run_id)
    assert run_id not in set(before.laps["run_id"]) | set(before.runs["run_id"])
    since = weekend.runs.loc[weekend.runs["run_id"] == run_id, "start"].iloc[0]
    for table in (before.tread, before.pressures, before.fuel):
        assert (table["taken_at"] < since).all()
    mean = fit_weekend(before).lap_time.params["base_lap_s"]
    lesson = panel.lesson.set_index(["quantity", "stage"])
    assert lesson.loc[("lap on new tyres", "before"), "mean"] == mean


def test_what_became_surer_is_said_and_drawn(panel):
    """A range 5 % shorter or longer is called so; the chart holds both against the one before."""
    found = lessons.narrowing(panel.lesson)
    for _, row in found.iterrows():
        width = {s: row[f"upper_{s}"] - row[f"lower_{s}"] for s in ("before", "after")}
        ratio = width["after"] / width["before"]
        word = "surer" if ratio <= 0.95 else "less sure" if ratio >= 1.05 else "no surer"
        assert row["surer"] == word
    surest = found.loc[found["narrower_pct"].idxmax(), "quantity"]
    assert f"<b>Surer now:</b> {surest}" in panel.taught.value
    scaled = charts_practice.narrowing_table(panel.lesson)
    half = (scaled["upper_scaled"] - scaled["lower_scaled"]) / 2
    assert half.to_numpy() == pytest.approx(1.0 - scaled["narrower_pct"].to_numpy() / 100.0)
    told = panel.plan.value + panel.taught.value + panel.more.value
    for word in ("narrow", "spread", "standard deviation", "belief", "event.toml"):
        assert word not in told


def test_the_first_run_is_set_against_the_beliefs(panel):
    """Before the first run the interval of fuel burnt is the belief's; a run narrows it."""
    first, last = panel.run.options[-1][1], panel.run.options[0][1]
    panel.run.value = first
    found = lessons.narrowing(panel.lesson).set_index("quantity")
    assert found.loc["fuel per lap", "narrower_pct"] > 30
    assert f"What {first} taught" in panel.taught.value
    panel.run.value = last


def test_the_programme_is_on_screen_with_what_it_narrows(p2):
    table = practice.runs_table(p2.practice)
    assert len(table) and "This session is over" in p2.said.value
    for _, row in table.iterrows():
        assert row["set_id"] in p2.plan.value and row["tells_apart"] in p2.plan.value
    session = p2.practice.weekend.event.session("P2")
    assert (table["end_min"] <= session.minutes + 1e-6).all()
    promised = lessons.narrowing(lessons.promised(p2.practice.plan, p2.practice.fits))
    assert (promised["narrower_pct"] >= 0).all()
    assert len(p2.promised.children) == 1


def test_litres_and_kilograms_agree(p2):
    """0.745 kg/l at 15 degC, thinner by about 0.1 % a degree [CEC2008, API54B]."""
    table = practice.runs_table(p2.practice)
    density = table["fuel_kg"] / table["fuel_l"]
    assert density.between(0.745 * 0.98, 0.745 * 1.02).all()


def test_more_minutes_never_leave_more_open_and_too_few_are_said(p2):
    short = p2.practice.plan
    p2.minutes.value = 60.0
    assert p2.practice.plan.after_sd_s <= short.after_sd_s + 1e-12
    assert "supposed" in p2.head.value
    p2.minutes.value = 3.0
    assert p2.practice.plan.status == "impossible"
    assert "No run fits P2" in p2.plan.value
    assert len(p2.promised.children) == 0
    p2.as_planned.click()
    assert p2.practice.plan.after_sd_s == short.after_sd_s


def test_before_any_running_there_is_a_programme_and_no_lesson(tmp_path):
    folder = copy_of("fenmoor-after-p3", tmp_path)
    shutil.rmtree(folder / "logs")
    for path in (folder / "book").glob("*.csv"):
        if path.stem != "tyres":
            path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n")
    panel = PracticePanel(folder)
    assert panel.problem.value == "" and panel.which.value == "P1"
    assert "Nothing has been run yet" in panel.taught.value
    assert "What to run in P1" in panel.plan.value


def test_a_new_weekend_without_tyres_says_so(tmp_path):
    new_weekend(tmp_path / "new")
    panel = PracticePanel(tmp_path / "new")
    assert panel.problem.value == ""
    assert "has no tyres" in panel.plan.value
