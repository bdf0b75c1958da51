"""The charts of the next session's panel that say why."""

from __future__ import annotations

from functools import partial

import pandas as pd

from tyrekit.show import charts, tables
from tyrekit.show.answer import Answer
from tyrekit.show.panels import Figure

WIDTH = 560


def figures(answer: Answer) -> list[Figure]:
    """Return the charts that say why."""
    limit_mm = tables.tread_limit_mm(answer.weekend.event)
    choices = tables.choices_table(answer)
    choices = choices if len(choices) > 1 else choices.iloc[:0]
    found = [
        Figure("choices", choices, partial(charts.choices_chart, width=WIDTH)),
        Figure(
            "drop-off", tables.drop_off_table(answer), partial(charts.drop_off_chart, width=WIDTH)
        ),
        Figure(
            "tread", tables.tread_table(answer),
            partial(charts.tread_chart, limit_mm=limit_mm, width=WIDTH),
        ),
    ]  # fmt: skip
    for session in _fuel_asked(answer)[:1]:
        risk = answer.fuel_loads[session].accepted_risk
        draw = partial(charts.fuel_chart, accepted_risk=risk, session=session, width=WIDTH)
        table = tables.fuel_risk_table(answer, session)
        found.append(Figure(f"fuel {session} {risk}", table, draw))
    laps = tables.lap_times_table(answer)
    return [*found, Figure("laps", laps, partial(charts.lap_times_chart, width=WIDTH))]


def _fuel_asked(answer: Answer) -> list[str]:
    """Return the sessions whose fuel may be asked about: the next with a risk first, then races."""
    coming, loads = answer.weekend.next_session, answer.fuel_loads
    races = [s for s in loads if answer.weekend.event.session(s).kind == "race"]
    own = [coming.id] if coming is not None and coming.id in loads else []
    at_risk = [s for s in own if _drawable(tables.fuel_risk_table(answer, s))]
    return list(dict.fromkeys([*at_risk, *races]))


def _drawable(table: pd.DataFrame) -> bool:
    """Return whether a session's chance of running short falls with its load as the chart shows."""
    return int(table["shortfall_risk"].between(*charts.RISKS_SHOWN).sum()) > 1
