"""What can hurt someone is said where it is read, and no advice breaks a stated limit.

Kind of the expected values: the cautions are common practice, no source; the limits are the
event's own, read here from event.toml as written and held against what the kit prints.
"""

import re
from html import unescape
from pathlib import Path

import numpy as np
import plain_weekends
import pytest
import written_weekends

from tyrekit.commands import main
from tyrekit.record.earlier import as_it_stood
from tyrekit.record.event import LongestLife, MinimumTread
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import answer
from tyrekit.show.sheet import write_sheets
from tyrekit.show.sheet_plans import sheet_plans

ROOT = Path(__file__).parents[2]
FIRST = ("regulations", "tyre supplier", "qualified people come first")
PETROL = ("vapour explodes", "engine off", "no spark", "extinguisher", "earthed", "gloves", "eye")
TYRES = ("cuts, bulges, cords", "doubtful tyre stays off")
PRESSURES = ("supplier's lowest", "above its highest", "checked gauge")
JACKS = ("jack alone", "stands in place", "Torque the wheels")
TRACK = ("endangers the driver, marshals and others", "If in doubt, bring it in")
LANE = ("Nobody steps into the pit lane", "Fire cover")
WORN = (*TYRES, *PRESSURES, *JACKS)
ON_PAGE = {
    "tyre_sheet": WORN,
    "fuel_card": (*PETROL, *TRACK, *LANE),
    "run_plan": (*WORN, *PETROL, *TRACK, *LANE),
    "race_card": (*WORN, *PETROL, *TRACK, *LANE),
    "sheet": (*WORN, *PETROL, *TRACK, *LANE),
    "review": WORN,
}


def words(page: str) -> str:
    """Return a page's text in one line."""
    bare = re.sub(r"<style>.*?</style>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", bare)).split())


def cautions_of(page: str) -> list[str]:
    """Return every item of every caution section, tags taken away."""
    parts = re.findall(r'<section class="cautions">(.*?)</section>', page, flags=re.DOTALL)
    return [words(item) for part in parts for item in re.findall(r"<li>(.*?)</li>", part)]


@pytest.fixture(scope="module")
def printed(answers, tmp_path_factory):
    """Every page of a weekend before a practice, and before qualifying, and the review's."""
    folder = tmp_path_factory.mktemp("printed")
    whole = answers("fenmoor-after-p3").weekend
    practice = answer(as_it_stood(whole, "P2", folder / "p2"))
    pages = []
    for name, found in (("q", answers("fenmoor-after-p3")), ("p", practice)):
        paths = write_sheets(found, folder / name, plans=sheet_plans(found))
        pages += [(path.stem, path.read_text(encoding="utf-8")) for path in paths]
    finished = answers("fenmoor-complete").weekend.folder
    assert main(["review", str(finished)]) == 0
    pages.append(("review", (finished / "out" / "review.html").read_text(encoding="utf-8")))
    return pages


def test_every_printed_page_has_its_cautions(printed):
    assert {re.sub(r"_R\d$", "", name) for name, _ in printed} == set(ON_PAGE)
    for name, page in printed:
        said = " ".join(cautions_of(page))
        for part in ON_PAGE[re.sub(r"_R\d$", "", name)]:
            assert part in said, (name, part)
        for part in FIRST:
            assert part in words(page), (name, part)


def test_cautions_are_whole_sentences(printed):
    for name, page in printed:
        for item in cautions_of(page):
            for sentence in re.split(r"(?<=[.])\s+", item):
                assert re.match(r"[A-Z].*\.$", sentence) and ":" not in sentence, (name, sentence)
                assert len(sentence.split()) >= 4, (name, sentence)


def test_the_report_and_the_review_end_on_their_cautions(answers, capsys):
    for name, command in (("fenmoor-after-p3", "report"), ("fenmoor-complete", "review")):
        assert main([command, str(answers(name).weekend.folder)]) == 0
        said = " ".join(capsys.readouterr().out.split())
        assert "Advice is an aid: regulations, the tyre supplier's limits and qualified" in said
        assert "Look at and feel every tyre" in said
        if command == "report":
            assert "take care with petrol and jacks, bring a doubtful car in." in said


def test_the_readme_warns_and_defers():
    said = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    for part in (
        "Advice from this kit is an aid; people decide", "event's regulations",
        "tyre supplier's limits", "qualified people come before", "Petrol", "vapour explodes",
        "extinguisher", "Look at every tyre", "no inspection", "supplier's lowest pressure",
        "jack alone", "A car on track", "bring the car in",
    ):  # fmt: skip
        assert part in said, part


# no advice breaks a stated limit


LOWEST_BAR = (1.2, 1.6, 1.725, 1.9049)


def made(kind: str, seed: int, folder: Path) -> Path:
    """Write a weekend with limits of its own, tight, usual or slack."""
    rng = np.random.default_rng([seed, 77])
    bar = LOWEST_BAR[seed % len(LOWEST_BAR)]
    mm, life = rng.choice([1.6, 2.0, 3.0]), int(rng.choice([25, 40, 80]))
    limits = [
        {"kind": "minimum_tread", "mm": float(mm), "confidence_pct": float(rng.choice([75, 90]))},
        {"kind": "longest_life", "laps": life, "heat_cycles": int(rng.choice([5, 9]))},
    ]
    car = {
        "mass_kg": float(rng.choice([1330.0, 1400.0])), "ballast_limit_kg": float(
            rng.choice([0.0, 20.0, 90.0])),
        "tank_l": float(rng.choice([6.0, 25.0, 70.0])),
    }  # fmt: skip
    if kind == "plain":
        one = plain_weekends.plain(seed, sets=3, use_l=float(rng.uniform(1.2, 2.6)))
        one.limits += limits
        one.event["car"] |= {k: car[k] for k in ("mass_kg", "ballast_limit_kg")}
        one.event["car"]["ballast_kg"] = 0.0
        one.event["fuel"]["tank_l"] = car["tank_l"]
        one.event["tyres"]["cold_minimum_bar"] = bar
        return one.write(folder)
    written = written_weekends.weekend(seed).write(folder)
    event = written / "event.toml"
    text = event.read_text(encoding="utf-8")
    cut = third_from_last(written)
    swaps = {
        "mass_kg = 1300.0": f"mass_kg = {car['mass_kg'] - 90}",
        "ballast_kg = 10.0": "ballast_kg = 0.0",
        "ballast_limit_kg = 80.0": f"ballast_limit_kg = {car['ballast_limit_kg']}",
        "tank_l = 75.0": f"tank_l = {car['tank_l']}",
        "cold_minimum_bar = 1.2": f"cold_minimum_bar = {bar}",
    }
    for old, new in swaps.items():
        assert old in text
        text = text.replace(old, new, 1)
    for limit in limits:
        rows = "\n".join(f"{k} = {v!r}".replace("'", '"') for k, v in limit.items())
        text = text.replace("[log]", f"[[limit]]\n{rows}\n[log]", 1)
    event.write_text(text, encoding="utf-8")
    return as_it_stood(Weekend.open(written), cut, folder / "earlier").folder


def third_from_last(folder: Path) -> str:
    """Return the session from which on the weekend is to be planned."""
    ids = re.findall(r'id = "(\w+)"', (folder / "event.toml").read_text(encoding="utf-8"))
    return ids[-3]


MANY = [("plain", seed) for seed in range(8)] + [("written", seed) for seed in range(40, 43)]


@pytest.fixture(scope="module")
def advice(tmp_path_factory):
    """The answer for each of the weekends, made once."""
    known = {}

    def get(kind, seed):
        if (kind, seed) not in known:
            folder = made(kind, seed, tmp_path_factory.mktemp("advised"))
            known[kind, seed] = answer(Weekend.open(folder))
        return known[kind, seed]

    return get


@pytest.fixture(params=MANY, ids=lambda p: f"{p[0]} {p[1]}")
def advised(request, advice):
    return advice(*request.param)


def limit_of(found, kind):
    return next(limit for limit in found.weekend.event.limits if isinstance(limit, kind))


def test_no_pressure_is_advised_below_the_lowest_allowed(advised, tmp_path):
    least = advised.weekend.event.tyres.cold_minimum_bar
    plans = sheet_plans(advised)
    every = [advised.cold_pressures, *plans.pressures.values()]
    for found in filter(None, every):
        for name in ("cold_bar", "lower_bar", "upper_bar"):
            assert (found.table[name] >= least).all()
            # as printed, to hundredths
            assert all(float(f"{bar:.2f}") >= least - 1e-9 for bar in found.table[name])
        # bled to the reading told, it is not under the limit once cold again (it falls with it)
        told = [n for n in found.notes if n.startswith("Do not bleed")]
        readings = dict(re.findall(r"([FR][LR]) (\d\.\d\d)", told[0]))
        for row in found.table.itertuples():
            assert float(readings[row.corner]) >= row.hot_floor_bar - 1e-9
    page = write_sheets(advised, tmp_path, plans=plans)
    sheet = next(path for path in page if path.stem == "tyre_sheet").read_text(encoding="utf-8")
    for bar in re.findall(r'<div class="set">(\d\.\d\d) bar', sheet):
        assert float(bar) >= least - 1e-9


def test_no_fuel_is_advised_that_the_tank_cannot_hold_or_that_leaves_the_car_short(advised):
    event = advised.weekend.event
    for load in advised.fuel_loads.values():
        assert 0 < load.start_l <= event.fuel.tank_l + 1e-6
        aboard = load.start_kg + load.refuel_kg
        need = load.need_kg + load.unusable_kg + load.sample_kg
        blocked = load.status == "impossible"
        assert blocked == bool(load.blocked_by)
        if not blocked:
            assert load.shortfall_risk <= load.accepted_risk + 1e-9 and aboard > need
        elif load.shortfall_risk > load.accepted_risk + 1e-9:
            said = " ".join(load.blocked_by)
            assert f"{event.fuel.tank_l:g} L" in said or f"{event.fuel.tank_l:.1f} L" in said


def test_no_car_is_sent_under_the_minimum_mass_in_silence(advised):
    car = advised.weekend.event.car
    lightest = min(driver.mass_kg for driver in advised.weekend.event.drivers)
    for load in advised.fuel_loads.values():
        assert 0 <= load.ballast_kg <= car.ballast_limit_kg
        finish = car.mass_kg + lightest + load.finish_fuel_kg + load.ballast_kg
        assert load.finish_mass_kg == pytest.approx(finish)
        said = " ".join(load.blocked_by)
        if finish < car.minimum_mass_kg - 1e-6:
            assert load.status == "impossible" and "under the minimum mass" in said
        start = car.mass_kg + lightest + load.ballast_kg + load.start_kg
        assert start >= car.minimum_mass_kg - 1e-6 or "under the minimum mass" in said


def test_no_tyre_is_advised_past_its_tread_or_its_life(advised, tmp_path):
    plan, event = advised.allocation, advised.weekend.event
    tread, life = limit_of(advised, MinimumTread), limit_of(advised, LongestLife)
    if plan.status not in ("optimal", "feasible"):
        assert plan.blocked_by and not len(plan.table)
        sheet = write_sheets(advised, tmp_path)[0].read_text(encoding="utf-8")
        assert all(words(text) in words(sheet) for text in plan.blocked_by)
        return
    assert len(plan.table)
    expected = any("planned on expected wear" in note for note in plan.notes)
    if expected:
        sheet = write_sheets(advised, tmp_path)[0].read_text(encoding="utf-8")
        assert "planned on expected wear" in words(sheet)
    column = "tread_end_mm" if expected else "tread_end_low_mm"
    assert (plan.table[column] >= tread.mm - 1e-6).all(), plan.table
    assert tread.mm >= event.tyres.minimum_tread_mm
    assert (plan.table["age_end_laps"] <= life.laps + 1e-6).all()
    assert (plan.table["heat_cycles"] + 1 <= life.heat_cycles).all()


def test_the_weekends_try_the_limits(advice):
    """The checks above bite: among the weekends each kind of limit is in the way of some."""
    found = [advice(*one) for one in MANY]
    loads = [load for one in found for load in one.fuel_loads.values()]
    assert any(load.status == "impossible" for load in loads)
    assert any(load.status == "optimal" for load in loads)
    assert any("under the minimum mass" in " ".join(load.blocked_by) for load in loads)
    assert any(one.cold_pressures.table["limited"].any() for one in found)
    assert any(not one.cold_pressures.table["limited"].any() for one in found)
    states = {one.allocation.status in ("optimal", "feasible") for one in found}
    assert states == {True, False}
