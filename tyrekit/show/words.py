"""Numbers as people read them: lap times as m:ss.s, chances as 1 in N, a dash for the unknown."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

DASH = "–"


def number(value: float | None, digits: int = 1) -> str:
    """Return a number with a fixed count of decimals, a dash when unknown, never a minus zero."""
    if value is None or not math.isfinite(value):
        return DASH
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")


def signed(value: float | None, digits: int = 1) -> str:
    """Return a number with its sign, plus included."""
    text = number(value, digits)
    return text if text.startswith(("−", DASH)) or float(text) == 0 else f"+{text}"


def clock(lap_time_s: float | None, digits: int = 1) -> str:
    """Return seconds as m:ss.s."""
    if lap_time_s is None or not math.isfinite(lap_time_s):
        return DASH
    whole = round(abs(lap_time_s), digits)
    minutes, seconds = divmod(whole, 60)
    width = 3 + digits if digits else 2
    sign = "−" if lap_time_s < 0 else ""
    return f"{sign}{int(minutes)}:{seconds:0{width}.{digits}f}"


def span(lower: float, upper: float, digits: int = 1) -> str:
    """Return an interval in words: ``1.58 to 1.66``."""
    return f"{number(lower, digits)} to {number(upper, digits)}"


def one_in(chance: float) -> str:
    """Return a small chance as ``1 in 200``, rounded down to two figures so it never flatters."""
    if not math.isfinite(chance):
        return DASH
    if chance >= 0.5:
        return "more likely than not"
    if chance < 1e-6:
        return "under 1 in 1 000 000"
    times = 1 / chance * (1 + 1e-9)
    step = 10 ** max(0, math.floor(math.log10(times)) - 1)
    return f"1 in {math.floor(times / step) * step:,}".replace(",", " ")


def celsius(value: float) -> str:
    """Return a temperature to a tenth, as thermometers at the track are read; ``32.5``, ``19``."""
    return number(value, 1).removesuffix(".0")


def percent(share: float) -> str:
    """Return a share as whole per cent; never 0 or 100 %, which no count of draws can prove."""
    if not math.isfinite(share):
        return DASH
    if share < 0.01:
        return "under 1 %"
    if share > 0.99:
        return "over 99 %"
    return f"{share * 100:.0f} %"


def sureness(chance_best: float) -> str:
    """Return how firmly a choice stands, in one word that goes with its per cent."""
    if chance_best >= 0.9:
        return "clear"
    if chance_best >= 0.7:
        return "likely"
    return "close call"


def degrees(text: str) -> str:
    """Return the text with degC written as people read it."""
    return text.replace("degC", "°C")


def html(text: object) -> str:
    """Return any text escaped for HTML; everything a person typed passes here."""
    return escape(str(text), quote=True)


def known(value: Any) -> bool:
    """Return whether a table cell holds something: not None, NaN or empty."""
    if value is None or value == "":
        return False
    return not (isinstance(value, float) and math.isnan(value))


def adding_up(parts: Sequence[float], digits: int = 1) -> list[float]:
    """Return the parts rounded so that they add up to their rounded sum, each within one step.

    Those that lost most by rounding down are rounded up (largest remainder).
    """
    step = 10.0**-digits
    down = [math.floor(part / step + 1e-9) for part in parts]
    missing = round(sum(parts) / step) - sum(down)
    by_loss = sorted(range(len(parts)), key=lambda i: down[i] - parts[i] / step)
    for i in by_loss[: max(missing, 0)]:
        down[i] += 1
    return [round(count * step, digits) for count in down]


def ended(text: str) -> str:
    """Return a remark with a full stop, unless it ends with a mark of its own."""
    return f"{text}{'' if text.endswith(('.', '!', '?')) else '.'}"


def sentences(parts: Iterable[str]) -> str:
    """Return remarks as sentences: each with a capital and a full stop."""
    said = (part.strip() for part in parts)
    return " ".join(ended(f"{part[0].upper()}{part[1:]}") for part in said if part)


def each_once(parts: Iterable[Iterable[object]]) -> list[str]:
    """Return the notes of all parts in their order, each once."""
    return list(dict.fromkeys(degrees(str(note)) for part in parts for note in part))


def sizes(lower: float, upper: float, digits: int = 1) -> str:
    """Return an interval of one sign by its sizes, the way being told: ``4 to 20``."""
    least, most = sorted((abs(lower), abs(upper)))
    return span(least, most, digits)
