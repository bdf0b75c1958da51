"""What can be claimed after a weekend, what cannot be told, and what would settle it.

A claim needs an interval that excludes "no difference". Where the largest of several is looked
for (corners, tyres, sessions), its interval is made wide enough to hold all of them at once.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from typing import NamedTuple

import pandas as pd

from tyrekit.fit.result import NORMAL_90, in_brackets, t_quantile
from tyrekit.fit.style import StyleResults
from tyrekit.fit.tread_result import TreadResults
from tyrekit.fit.tread_rows import PLACES
from tyrekit.show.answer import Fits
from tyrekit.show.review_tyres import places
from tyrekit.show.words import number, sizes, span

CAUSE_COLUMNS = ("cause", "what", "mean_pct", "lower_pct", "upper_pct", "told", "rests_on",
                 "settle")  # fmt: skip
FINDING_COLUMNS = ("finding", "value", "lower", "upper", "unit", "rests_on")
OPEN_COLUMNS = ("question", "settle")
MOST = 3
FULL = {"FL": "left front", "FR": "right front", "RL": "left rear", "RR": "right rear"}
CORNERS = tuple(FULL)
OLD_LAPS = 15.0
ASKED = {
    "circuit and set-up": "one corner wears more than the others",
    "session": "track or weather of one session wore the tyres more",
    "tyre": "one tyre wears unlike the others",
    "driving": "the way it was driven wore the tyres more",
}
READ = (
    "Read every tyre, three places each, before and after each run, and log throttle, brake and"
    " steering."
)
LEAST_SHARE = 0.5  # of what is claimed must come from data, not belief


class Claim(NamedTuple):
    """A sentence with its number, interval, unit and the laps or readings it rests on."""

    finding: str
    value: float
    lower: float
    upper: float
    unit: str
    rests_on: str


def cause_table(
    tread: TreadResults, style: StyleResults, ran: Collection[str], level: float = 0.9
) -> pd.DataFrame:
    """Return what made tyres wear differently: corner, session, tyre, driving; `CAUSE_COLUMNS`.

    Parameters
    ----------
    tread : TreadResults
        Takes corner, session, tyre, slow laps and new tread apart.
    style : StyleResults
        Of the driving fit on wear.
    ran : collection of str
        The tyres that have run: some are read before they do.
    level : float
        Of the intervals.
    """
    rows = (
        []
        if tread.n_rows == 0
        else [_corner_cause(tread, ran, level), *_offset_causes(tread, level)]
    )
    rows += _driving_causes(style)
    return pd.DataFrame(rows, columns=list(CAUSE_COLUMNS)).astype({"told": bool})


def findings(
    fits: Fits, causes: pd.DataFrame, uses: pd.DataFrame, drivers: pd.DataFrame,
    drop_off: StyleResults, coverage: pd.DataFrame, level: float = 0.9,
) -> pd.DataFrame:  # fmt: skip
    """Return at most three claims, those on wear first: `FINDING_COLUMNS`."""
    made = [
        *_wear_claims(fits.tread, causes, uses), *_style_claims(drop_off), *_driver_claims(drivers),
        *_forecast_claims(coverage), *_age_claims(fits, level), *_place_claims(fits.tread, level),
    ]  # fmt: skip
    return pd.DataFrame(made[:MOST], columns=list(FINDING_COLUMNS))


def open_questions(
    causes: pd.DataFrame, drop_off: StyleResults, drivers: pd.DataFrame
) -> pd.DataFrame:
    """Return what cannot be told and what would settle it: `OPEN_COLUMNS`."""
    rows = [*_open_causes(causes), *_open_drop_off(drop_off), *_open_drivers(drivers)]
    return pd.DataFrame(rows, columns=list(OPEN_COLUMNS))


def _open_causes(causes: pd.DataFrame) -> Iterator[tuple[str, str]]:
    """Give the causes of which nothing is told, each with the largest of its kind."""
    if not len(causes):
        yield "What wore the tyres: too few readings of the tread", READ
        return
    for cause, asked in ASKED.items():
        own = causes[causes["cause"] == cause]
        if not len(own):
            with_log = " with a log of the driving between" if cause == "driving" else ""
            yield f"Whether {asked}: too few readings of the tread{with_log}", READ
        elif not own["told"].any():
            largest = own.iloc[int(own["mean_pct"].abs().argmax())]
            with_it = "with more of it " if cause == "driving" else ""
            words = f"the largest is {largest['what']}, {with_it}"
            words += f"{more_or_less(largest['mean_pct'], 1)} wear"
            ends = [more_or_less(largest[end], 1) for end in ("lower_pct", "upper_pct")]
            yield f"Whether {asked}: {words} ({' to '.join(ends)})", str(largest["settle"])


def _open_drop_off(drop_off: StyleResults) -> Iterator[tuple[str, str]]:
    asked = "Whether the driving made lap times fall off:"
    if drop_off.n_rows == 0:
        lack = "too few logged runs of four clean laps"
        yield f"{asked} {lack}", "Log long runs by both drivers, with throttle, brake and steering."
    elif not drop_off.found:
        largest = drop_off.effects.iloc[int(drop_off.effects["mean"].abs().argmax())]
        said = [more_or_less(largest[end], 1, "ms") for end in ("mean", "lower", "upper")]
        words = f"the largest is {plain(str(largest.name))}, with more of it {said[0]} loss a lap"
        yield f"{asked} {words} ({said[1]} to {said[2]})", in_words(largest["settle"])


def _open_drivers(drivers: pd.DataFrame) -> Iterator[tuple[str, str]]:
    for row in drivers.to_dict("records"):
        if row["lower_s"] <= 0 <= row["upper_s"]:
            yield (
                f"Which of {row['driver']} and {row['other']} is faster on equal tyres and fuel:"
                f" {row['driver']} by up to {number(-row['lower_s'], 2)} s or {row['other']} by up"
                f" to {number(row['upper_s'], 2)} s",
                "Both in one session, on tyres of like age.",
            )


def _corner_cause(tread: TreadResults, ran: Collection[str], level: float) -> tuple[object, ...]:
    """Return the corner that wears fastest against the mean of the four."""
    corner = max(CORNERS, key=lambda c: tread.wear_mm_per_lap(c).mean)
    pct, sd = tread.wear_against_mean_pct(corner)
    reach = sd * t_quantile(1 - (1 - level) / 2 / len(CORNERS), tread.df)
    told = pct - reach > 0
    run = sum(tyre_id in ran for tyre_id in tread.tyres)
    of_them = f", {run} of which have run" if run < len(tread.tyres) else ""
    return (
        "circuit and set-up", corner, pct, pct - reach, pct + reach, told,
        f"{tread.n_rows} tread readings of {len(tread.tyres)} tyres{of_them}"
        f"{in_brackets(sorted(tread.members('session_wear_pct')))}",
        "Read every tyre, three places each, before and after its next run.",
    )  # fmt: skip


def _offset_causes(tread: TreadResults, level: float) -> Iterator[tuple[object, ...]]:
    """Give the session and the tyre that stand out most from the others."""
    for cause, stem, settle in (
        ("session", "session_wear_pct", "The same tyres in another session like it."),
        ("tyre", "tyre_wear_pct", "The same tyre again, beside another at the same corner."),
    ):
        members = tread.members(stem)
        if not members:
            continue
        found = [(name, *tread.estimate(f"{stem}[{name}]")) for name in members]
        name, mean, sd = max(found, key=lambda f: abs(f[1]) / f[2])
        # the largest of several: its interval is wide enough to hold all of them at once
        reach = sd * t_quantile(1 - (1 - level) / 2 / len(found), tread.df)
        yield (
            cause, str(name), mean, mean - reach, mean + reach, abs(mean) > reach,
            f"{tread.n_rows} tread readings, largest of {len(found)}", settle,
        )  # fmt: skip


def _driving_causes(style: StyleResults) -> Iterator[tuple[object, ...]]:
    if style.n_rows == 0:
        return
    for name, row in style.effects.iterrows():
        yield (
            "driving", plain(str(name)), row["mean"], row["lower"], row["upper"],
            bool(row["found"]), f"{style.n_rows} driver-sessions", in_words(row["settle"]),
        )  # fmt: skip


def _wear_claims(tread: TreadResults, causes: pd.DataFrame, uses: pd.DataFrame) -> Iterator[Claim]:
    for row in causes[causes["told"]].to_dict("records"):
        numbers = (row["mean_pct"], row["lower_pct"], row["upper_pct"], "%", row["rests_on"])
        ends = sizes(row["lower_pct"], row["upper_pct"], 0)
        if row["cause"] == "circuit and set-up":
            rate = tread.wear_mm_per_lap(row["what"])
            yield Claim(
                f"The {FULL[row['what']]} wears most: {number(rate.mean, 3)} mm a lap,"
                f" {more_or_less(row['mean_pct'])} than the mean of the four ({ends} %)."
                f"{_where(row['what'], uses)}", *numbers,
            )  # fmt: skip
        elif row["cause"] == "driving":
            way = "more" if row["mean_pct"] > 0 else "less"
            yield Claim(
                f"Sessions with more {row['what']} wore the tyres {way}:"
                f" {more_or_less(row['mean_pct'], 1)} for a usual step up of it"
                f" ({sizes(row['lower_pct'], row['upper_pct'])} %).", *numbers,
            )  # fmt: skip
        else:
            yield Claim(
                f"{row['what']} wore {more_or_less(row['mean_pct'])} than the usual"
                f" {row['cause']} ({ends} %).", *numbers,
            )  # fmt: skip


def _where(corner: str, uses: pd.DataFrame) -> str:
    own = places(uses, corner)
    if not len(own):
        return ""
    said = [f"{r['place']} ({r['start_m']:.0f}–{r['end_m']:.0f} m)" for r in own.to_dict("records")]
    *first, last = said
    where = f"places {', '.join(first)} and {last}" if first else f"place {last}"
    return (
        f" {own['work_pct'].sum():.0f} % of its sliding work is done on"
        f" {own['lap_pct'].sum():.0f} % of the lap: {where}."
    )


def _style_claims(drop_off: StyleResults) -> Iterator[Claim]:
    found = drop_off.effects[drop_off.effects["found"]].reset_index()
    for row in found.to_dict("records"):
        name = str(row["measure"])
        way = "more" if row["mean"] > 0 else "less"
        yield Claim(
            f"Lap times fell off {way} with more {plain(name)}:"
            f" {more_or_less(row['mean'], 1, 'ms')} a lap for a usual step up of it"
            f" ({sizes(row['lower'], row['upper'])} ms).",
            row["mean"], row["lower"], row["upper"], "ms per lap",
            f"{drop_off.n_rows} driver-sessions",
        )  # fmt: skip


def _driver_claims(drivers: pd.DataFrame) -> Iterator[Claim]:
    for row in drivers.to_dict("records"):
        low, high = row["lower_s"], row["upper_s"]
        if low <= 0 <= high:
            continue
        fast, slow = (
            (row["driver"], row["other"]) if high < 0 else (row["other"], row["driver"])
        )  # fmt: skip
        ends = sizes(low, high, 2)
        low, high = sorted((abs(low), abs(high)))
        yield Claim(
            f"{fast} is {number(abs(row['mean_s']), 2)} s a lap faster than {slow} on equal tyres"
            f" and fuel ({ends} s).", abs(row["mean_s"]), low, high, "s",
            f"{row['laps']} clean laps of {row['driver']} ({row['runs']}) and"
            f" {row['other_laps']} of {row['other']} ({row['other_runs']})",
        )  # fmt: skip


def _forecast_claims(coverage: pd.DataFrame) -> Iterator[Claim]:
    for row in coverage[coverage["verdict"] == "too narrow"].to_dict("records"):
        share = row["inside_pct"] / 100
        half = 100 * NORMAL_90 * math.sqrt(max(share * (1 - share), 0.01) / row["sessions"])
        low, high = max(row["inside_pct"] - half, 0.0), min(row["inside_pct"] + half, 100.0)
        yield Claim(
            f"The kit's ranges for the {row['what']} were too narrow: {row['inside']} of"
            f" {row['forecasts']} came inside where 90 % should ({span(low, high, 0)} %).",
            row["inside_pct"], low, high, "%", f"{row['sessions']} sessions",
        )  # fmt: skip


def _age_claims(fits: Fits, level: float) -> Iterator[Claim]:
    """Give what a lap loses on old tyres, where laps and not belief say so."""
    result = fits.lap_time
    share = float(result.rests_on["data_share"]["drop_off_s_per_lap"])
    if result.n_rows == 0 or share < LEAST_SHARE:
        return
    age = min(OLD_LAPS, result.oldest_seen_laps)
    lost = result.stint_loss([age], level).iloc[0]
    if lost["lower"] <= 0 <= lost["upper"]:
        return
    yield Claim(
        f"A lap on tyres {age:.0f} laps old is {number(lost['mean'], 2)} s slower than on new ones"
        f" ({span(lost['lower'], lost['upper'], 2)} s).", float(lost["mean"]),
        float(lost["lower"]), float(lost["upper"]), "s",
        f"{result.n_rows} clean laps of {_runs(result.laps)}",
    )  # fmt: skip


def _runs(laps: pd.DataFrame) -> str:
    return ", ".join(dict.fromkeys(laps.loc[laps["kept"], "run_id"].astype(str)))


def _place_claims(tread: TreadResults, level: float) -> Iterator[Claim]:
    """Give the place across the tread that wears fastest against its tyre's width."""
    score = t_quantile(1 - (1 - level) / 2 / (len(PLACES) * len(CORNERS)), tread.df)
    found = [(c, p, *tread.estimate(f"wear_mm_per_lap[{c} {p}]")) for c in CORNERS for p in PLACES]
    corner, place, mean, sd = max(found, key=lambda f: f[2] / f[3])
    ends = 1000 * (mean - score * sd), 1000 * (mean + score * sd)
    if tread.n_rows and ends[0] > 0:
        yield Claim(
            f"The {FULL[corner]}'s {place} wears {number(1000 * mean)} thousandths of a mm a lap"
            f" more than its width ({span(*ends)}).",
            mean, mean - score * sd, mean + score * sd, "mm per lap",
            f"{tread.n_rows} tread readings",
        )  # fmt: skip


def more_or_less(change: float, digits: int = 0, unit: str = "%") -> str:
    """Return a change as people say it: ``3 % more``."""
    size = number(abs(change), digits)
    way = "" if float(size) == 0 else " less" if change < 0 else " more"
    return f"{size} {unit}{way}"


def plain(name: str) -> str:
    """Return a measure's name in words."""
    return WORDS.get(name, name)


def in_words(text: object) -> str:
    """Return a text with measures called by their names in words."""
    words = str(text)
    for name, said in WORDS.items():
        words = words.replace(name, said)
    return words[:1].upper() + words[1:] + "." if words else ""


WORDS = {
    "braking_work_kj_per_kg": "braking work", "braking_peak_mps2": "peak braking",
    "overlap_pct": "brake and throttle together", "coasting_pct": "coasting",
    "throttle_rate_pct_per_s": "throttle speed", "steering_work_deg": "steering work",
    "steering_reversals": "steering reversals", "combined_mps2": "acceleration in the bends",
    "trail_braking_pct": "braking into the bends", "lock_ups": "lock-ups",
    "wheelspins": "wheelspin", "lap_work_mj": "sliding work",
}  # fmt: skip
