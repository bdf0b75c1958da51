"""What may be supposed, and that only what depends on it is worked out again."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import pytest

from tyrekit.record.event import Lock
from tyrekit.show import what_if
from tyrekit.show.what_if import State, WhatIf, changed_event, update


@dataclass(frozen=True)
class Spy:
    """Stands for an answer and says which parts were made again."""

    made: tuple[str, ...] = ()


@pytest.fixture
def state(monkeypatch, hand_answer):
    def again(name):
        return lambda found, *_: replace(found, made=(*found.made, name))

    monkeypatch.setattr(what_if, "planned", lambda *_: Spy(("all",)))
    monkeypatch.setattr(what_if, "with_fuel", again("fuel"))
    monkeypatch.setattr(what_if, "with_pressures", again("pressures"))
    return State(hand_answer.weekend, SimpleNamespace(), WhatIf(), Spy())


@pytest.mark.parametrize(
    ("change", "made"),
    [
        ({"hot_front_bar": 2.2}, ("pressures",)),
        ({"track_c": 40.0}, ("pressures",)),
        ({"shortfall_risk": 0.01}, ("pressures", "fuel")),
        ({"laps": {"Q": 9}}, ("all",)),
        ({"value": {"R1": 2.0}}, ("all",)),
        ({"locks": (Lock(kind="lock", session="Q", tyres={"FL": "N1"}),)}, ("all",)),
        ({"hot_front_bar": None}, ()),
    ],
)
def test_only_what_depends_on_a_change_is_made_again(state, change, made):
    after = update(state, change)
    assert after.answer.made == made
    assert all(getattr(after.what_if, name) == value for name, value in change.items())
    assert state.answer.made == ()


def test_an_event_as_supposed_leaves_the_original(hand_event):
    supposed = WhatIf(
        laps={"Q": 4, "R1": 20}, value={"R1": 2.5}, shortfall_risk=0.02, hot_front_bar=2.25
    )
    event = changed_event(hand_event, supposed)
    assert event.session("Q").planned_laps == 4
    assert (event.session("R1").laps, event.session("R1").value) == (20, 2.5)
    assert event.fuel.shortfall_risk == 0.02
    target = event.tyres.hot_target_bar
    assert (target.front, target.rear) == (2.25, 2.0)
    assert hand_event.session("R1").laps == 15
    assert changed_event(hand_event, WhatIf()) == hand_event


def test_supposed_tells_whether_anything_differs():
    assert not WhatIf().supposed
    assert WhatIf(air_c=12.0).supposed
