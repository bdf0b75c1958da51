"""What the demo's weekend found, handed to the next one. Kind: simulated truth (truth.json)."""

import pytest
from demo_weekends import DATA

from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.handover import beliefs_table, handover_text
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import parse_event


def test_from_the_demo_to_the_next_weekend(answers):
    found = answers("fenmoor-complete")
    fits = {name: getattr(found, name) for name in ("lap_time", "fuel_use", "tread", "pressure")}
    text = handover_text(found.beliefs, fits, found.weekend.event)
    own = (DATA / "fenmoor-after-p3" / "event.toml").read_text(encoding="utf-8")
    event = parse_event(own + "\n" + text)
    after, before = beliefs(event), beliefs(parse_event(own))
    assert after.fuel_use["flow_scale"].mean == pytest.approx(1.039, abs=0.008)  # simulated truth
    assert after.lap_time["base_lap_s"] == before.lap_time["base_lap_s"]  # does not travel
    empty = found.weekend.laps[:0]
    fresh, plain = (
        FuelUseModel(empty, found.weekend.fuel[:0], found.weekend.runs[:0], event, b.fuel_use).fit()
        for b in (after, before)
    )
    need, wide = (result.need(15) for result in (fresh, plain))
    assert need.sd < 0.5 * wide.sd  # the next weekend starts surer
    table = beliefs_table(found.beliefs, fits)
    assert table["found"].notna().sum() >= 20
