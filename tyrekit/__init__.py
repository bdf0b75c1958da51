"""tyrekit: tyres and fuel over a race weekend in a control-tyre circuit series.

The public names; each is loaded when first used, so that ``import tyrekit`` is quick.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version

_HOMES = {
    "Answer": "tyrekit.show.answer",
    "BookError": "tyrekit.errors",
    "Event": "tyrekit.record.event",
    "EventError": "tyrekit.errors",
    "FitError": "tyrekit.errors",
    "FuelUseModel": "tyrekit.fit.fuel_use",
    "InputError": "tyrekit.errors",
    "LapTimeModel": "tyrekit.fit.lap_time",
    "LogError": "tyrekit.errors",
    "PressureModel": "tyrekit.fit.pressure",
    "TimingError": "tyrekit.errors",
    "TreadModel": "tyrekit.fit.tread",
    "TyrekitError": "tyrekit.errors",
    "Weekend": "tyrekit.record.weekend",
    "allocate": "tyrekit.plan.allocation",
    "answer": "tyrekit.show.answer",
    "beliefs": "tyrekit.fit.prior",
    "cold_pressures": "tyrekit.plan.cold_pressure",
    "fuel_load": "tyrekit.plan.fuel_load",
    "load_event": "tyrekit.record.event",
    "new_weekend": "tyrekit.record.template",
    "next_practice": "tyrekit.plan.next_practice",
    "race_plan": "tyrekit.plan.race_plan",
    "rank_next": "tyrekit.plan.next_session",
    "write_sheet": "tyrekit.show.sheet",
}

__version__ = version("tyrekit")
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> object:
    """Load a public name from the room it lives in."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'tyrekit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
