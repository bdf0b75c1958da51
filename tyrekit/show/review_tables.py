"""The review's tables as rows of HTML, used alike on the page and in the panel."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from tyrekit.fit.driving import MEASURES
from tyrekit.fit.result import NORMAL_90
from tyrekit.fit.style import StyleResults
from tyrekit.show.review import Review
from tyrekit.show.review_driving import LAP_WORK
from tyrekit.show.review_findings import in_words, more_or_less, plain
from tyrekit.show.review_tyres import WORN, places, shortest_race_laps
from tyrekit.show.tables import tread_limit_mm
from tyrekit.show.words import clock, html, known, number, percent, signed, sizes, span

NO_BREAK = "\u00a0"
FRAME = ' style="outline: 2px solid currentColor; outline-offset: -2px"'
WIDER = (
    "The ranges hold for the largest of several tyres, sessions or ways of driving at once: wider"
    " than each one's own below."
)
NEXT = "next by plan: laps (of at least)"
LEFT = (
    "Laps left: at pace, until the first place across the tread is at the limit. It is not the"
    " tread left divided by the wear a lap, which is the mean over the width and over all laps:"
    " slow ones wear less, the first of a new tyre more."
)
Rows = tuple[Sequence[str], list[str]]
UNITS = {**{one.name: one.unit for one in MEASURES}, LAP_WORK: "MJ"}
WORDS = {
    **{one.name: one.words for one in MEASURES},
    LAP_WORK: "Sliding work of the four tyres over the lap.",
}
DIGITS = {
    "steering_work_deg": 0,
    "throttle_rate_pct_per_s": 0,
    "steering_reversals": 0,
    LAP_WORK: 2,
}


def findings_html(review: Review) -> str:
    """Return the claims, each with what it rests on, then what cannot be told."""
    claims = "".join(
        f'<li><b>{html(row["finding"])}</b> <span class="muted tk-muted">Rests on'
        f" {html(row['rests_on'])}.</span></li>"
        for row in review.findings.to_dict("records")
    )
    unsure = "".join(
        f"<li>{html(row['question'])}. <i>{html(row['settle'])}</i></li>"
        for row in review.open.to_dict("records")
    )
    told = f"<ol>{claims}</ol>" if claims else "<p>Nothing can be claimed yet.</p>"
    head = f"<h3>Cannot be told, and what would settle it</h3><p class='muted tk-muted'>{WIDER}</p>"
    return told + (f"{head}<ul>{unsure}</ul>" if unsure else "")


def tyre_rows(review: Review) -> Rows:
    """Return a row per tyre, fewest laps left first: what it has left, has to do, wore and did.

    Those with few laps left come first, are framed and say so.
    """
    limit = number(tread_limit_mm(review.weekend.event))
    planned = len(review.tyres) and (review.tyres["next_session"] != "").any()
    head = ("tyre", "laps left at the corner it last ran", *([NEXT] if planned else []),
            f"thinnest, mm (limit {limit})", "wear, mm a lap", "wear against usual", "at", "ran",
            "laps this weekend", "work, MJ", "wear, mm")  # fmt: skip
    rows = []
    order = review.tyres.sort_values("laps_left", kind="stable")
    order = order.sort_values("few_left", ascending=False, kind="stable")
    for row in order.to_dict("records"):
        some = row["work_known_pct"] < 99.5
        work = number(row["work_mj"]) + (
            f" ({percent(row['work_known_pct'] / 100)})" if some else ""
        )
        left = f"{number(row['laps_left'], 0)} ({_ends(row, 'lower_laps', 'upper_laps')})"
        ends = f"{signed(row['wear_lower_pct'], 0)} to {signed(row['wear_upper_pct'], 0)}"
        usual = "–"
        if known(row["wear_pct"]):
            usual = f"{_whole(more_or_less(row['wear_pct']))} {_whole(f'({ends})')}"
        said = "AT LIMIT" if row["state"] == WORN else "FEW LEFT" if row["few_left"] else ""
        said = "SCRAPPED" if row["scrapped"] else said
        left = f"{_whole(left)} {_whole(said)}".strip()
        cells = (
            left if known(row["laps_left"]) else said or "–", *([_next(row)] if planned else []),
            number(row["tread_min_mm"], 2),
            number(row["wear_mm_per_lap"], 3), usual,
            _whole(row["corners"]), _whole(row["sessions"]), number(row["laps"], 0),
            work if known(row["work_mj"]) else "–", number(row["wear_mm"], 2),
        )  # fmt: skip
        rows.append(_row(row["tyre_id"], cells, framed=row["few_left"]))
    return head, rows


def tyre_words(review: Review) -> str:
    """Return what the tyres' lives say, how laps left are counted, and what the frame means."""
    said = [review.life]
    if review.tyres["laps_left"].notna().any():
        said.append(LEFT)
    few = review.tyres[review.tyres["few_left"].astype(bool)]
    by_plan = few["next_session"] != ""
    if by_plan.any():
        names = ", ".join(few.loc[by_plan, "tyre_id"])
        said.append(f"Framed: {names} may not last the next session planned for it.")
    if not by_plan.all():
        names = ", ".join(few.loc[~by_plan, "tyre_id"])
        laps = shortest_race_laps(review.weekend, review.fits)
        said.append(f"Framed: {names}, with no session planned, may not last {laps} laps, the"
                    " event's shortest race.")  # fmt: skip
    return " ".join(said)


def _next(row: Mapping[Any, Any]) -> str:
    """Return where a tyre runs next by plan, how far, and what it surely has left there."""
    if not row["next_session"]:
        return "–"
    said = _whole(f"{row['next_session']} {row['next_corner']}: {row['next_laps']:.0f}")
    least = row["next_lower_laps"]
    return said + (f" {_whole(f'(of {number(least, 0)})')}" if known(least) else "")


def driver_rows(review: Review) -> Rows:
    """Return a row per pair of drivers on equal tyres and fuel."""
    head = ("drivers", "on equal tyres and fuel, a lap", "90 %", "clean laps")
    rows = []
    for r in review.drivers.to_dict("records"):
        low, high = r["lower_s"], r["upper_s"]
        sure = low * high > 0
        ends = f"{sizes(low, high, 2)} s" if sure else f"{_faster(r, low)} to {_faster(r, high)}"
        laps = f"{r['laps']} of {r['driver']}, {r['other_laps']} of {r['other']}"
        said = _faster(r, r["mean_s"]) + ("" if sure else ", not sure")
        rows.append(_row(f"{r['driver']} – {r['other']}", (said, ends, laps)))
    return head, rows


def place_rows(uses: pd.DataFrame, corner: str) -> Rows:
    """Return a row per numbered place of a corner: where it is and what it works there."""
    head = ("place", "from the line, m", "of its work", "work, J per m", "of the lap")
    rows = [
        _row(r["place"], (
            f"{r['start_m']:.0f} to {r['end_m']:.0f}", f"{number(r['work_pct'], 0)} %",
            number(r["work_j_per_m"], 0), f"{number(r['lap_pct'], 0)} %",
        ))
        for r in places(uses, corner).to_dict("records")
    ]  # fmt: skip
    return head, rows


def stint_rows(review: Review) -> Rows:
    """Return a row per stint: clean lap and drop-off made comparable, and consistency."""
    head = ("stint", "driver", "tyres", "laps", "age", "clean lap, equal tyres and fuel", "90 %",
            "drop-off against usual, ms per lap", "laps scatter, s")  # fmt: skip
    rows = []
    for r in review.stints.to_dict("records"):
        se = NORMAL_90 * r["drop_off_ms_per_lap_se"]
        trend = r["drop_off_ms_per_lap"]
        fell = f"{signed(trend, 0)} ({span(trend - se, trend + se, 0)})" if known(trend) else "–"
        cells = (
            r["driver"], r["set_id"], str(r["laps"]),
            f"{number(r['age_first_laps'], 0)}–{number(r['age_last_laps'], 0)}",
            clock(r["level_s"], 2), f"{clock(r['lower_s'])} to {clock(r['upper_s'])}", fell,
            number(r["consistency_s"], 2),
        )  # fmt: skip
        rows.append(_row(r["run_id"], cells))
    return head, rows


def measure_rows(review: Review) -> Rows:
    """Return a row per measure, a column per driver and session: mean ± spread over laps."""
    table = review.measures
    names = [name for name in UNITS if name in table]
    head = ["measure", *(f"{r['session']} {r['driver']}" for r in table.to_dict("records"))]
    rows = []
    for name in names:
        spreads = table.get(f"{name}_sd", pd.Series(float("nan"), table.index))
        digits = DIGITS.get(name, 1)
        cells = [
            number(mean, digits) + (f" ± {number(sd, digits)}" if known(sd) else "")
            for mean, sd in zip(table[name], spreads, strict=True)
        ]
        unit = f", {UNITS[name]}" if UNITS[name] else ""
        rows.append(_row(plain(name) + unit, cells))
    if len(table):
        rows.append(_row("clean laps scatter, s", [number(v, 2) for v in table["consistency_s"]]))
        rows.append(_row("laps", [number(v, 0) for v in table["laps"]]))
    return tuple(head), rows


def effect_rows(style: StyleResults) -> Rows:
    """Return a row per measure: its effect with interval, told or what would settle it."""
    head = ("measure", f"{style.unit} for a usual step up", "90 %", "usual step", "told?")
    rows = []
    for r in style.effects.reset_index().to_dict("records"):
        name = r["measure"]
        unit = UNITS.get(str(name), "")
        told = "yes" if r["found"] else f"no: {in_words(r['settle'])}"
        cells = (
            signed(r["mean"]), span(r["lower"], r["upper"]), f"{number(r['spread'], 2)} {unit}",
            told,
        )  # fmt: skip
        rows.append(_row(plain(str(name)), cells))
    return head, rows


def work_rows(review: Review) -> Rows:
    """Return a row per corner: what a MJ of sliding work wears, beside what a lap wears."""
    head = ("corner", "wear, mm per MJ", "90 %", "work of a lap, MJ", "wear, mm a lap", "90 %")
    rows = []
    for r in review.work.to_dict("records"):
        lap = review.fits.tread.wear_mm_per_lap(r["corner"])
        cells = (
            number(r["mean"], 3), span(*_reach(r["mean"], r["sd"]), 3), number(r["usual_mj"], 2),
            number(lap.mean, 3), span(*_reach(lap.mean, lap.sd), 3),
        )  # fmt: skip
        rows.append(_row(r["corner"], cells))
    return head, rows


def work_words(review: Review) -> str:
    """Return whether sliding work or laps tell wear better."""
    if not len(review.work):
        return ""
    chance = float(review.work["weight"].iloc[0])
    return (
        f"Sliding work tells wear better than laps do with a chance of {percent(chance)}; two"
        " events should agree before plans rest on it."
    )


def _reach(mean: float, sd: float) -> tuple[float, float]:
    return mean - NORMAL_90 * sd, mean + NORMAL_90 * sd


def coverage_rows(review: Review) -> Rows:
    """Return a row per thing forecast: how often it came inside."""
    head = ("what", "sessions", "forecasts", "inside the 90 %", "share", "ranges")
    rows = [
        _row(r["what"], (
            str(r["sessions"]), str(r["forecasts"]), str(r["inside"]),
            f"{number(r['inside_pct'], 0)} %", r["verdict"],
        ))
        for r in review.coverage.to_dict("records")
    ]  # fmt: skip
    return head, rows


def outcome_rows(outcome: pd.DataFrame) -> Rows:
    """Return a row per forecast."""
    head = ("session", "forecast", "of", "mean", "90 %", "came", "inside?")
    rows = []
    for r in outcome.to_dict("records"):
        say = clock if r["unit"] == "s" else number
        digits = 1 if r["unit"] == "s" else 2
        cells = (
            r["what"], r["where"] or r["run_id"], f"{say(r['mean'], digits)} {_unit(r['unit'])}",
            f"{say(r['lower'], digits)} to {say(r['upper'], digits)}", say(r["happened"], digits),
            "inside" if r["inside"] else "OUTSIDE",
        )  # fmt: skip
        rows.append(_row(r["session"], cells))
    return head, rows


def _unit(unit: str) -> str:
    return "" if unit == "s" else unit


def _ends(row: Mapping[Any, Any], lower: str, upper: str) -> str:
    return span(row[lower], row[upper], 0)


def _whole(text: str) -> str:
    """Return a text that is not broken at a line's end."""
    return text.replace(" ", NO_BREAK)


def _faster(row: Mapping[Any, Any], seconds: float) -> str:
    """Return who is faster by how much; `seconds` is the first driver's lap less the other's."""
    fast = row["driver"] if seconds < 0 else row["other"]
    return f"{fast} faster by {number(abs(seconds), 2)} s"


def _row(first: object, cells: Iterable[object], framed: bool = False) -> str:
    rest = "".join(f"<td>{html(cell)}</td>" for cell in cells)
    frame, room = (FRAME, ' style="padding-left: 6px"') if framed else ("", "")
    return f'<tr{frame}><th class="row" scope="row"{room}>{html(first)}</th>{rest}</tr>'
