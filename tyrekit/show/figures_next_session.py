"""The charts of the next session's panel that say why."""

from __future__ import annotations

from functools import partial

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
    races = [s for s in answer.fuel_loads if answer.weekend.event.session(s).kind == "race"]
    for session in races[:1]:
        risk = answer.fuel_loads[session].accepted_risk
        draw = partial(charts.fuel_chart, accepted_risk=risk, session=session, width=WIDTH)
        table = tables.fuel_risk_table(answer, session)
        found.append(Figure(f"fuel {session} {risk}", table, draw))
    laps = tables.lap_times_table(answer)
    return [*found, Figure("laps", laps, partial(charts.lap_times_chart, width=WIDTH))]
