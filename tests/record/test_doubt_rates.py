"""Fifty weekends of the study of doubts, in wide bands; `python tests/study_doubts.py` has all."""

from study_doubts import run, table

# Simulated truth: few of each fault, so these bands only catch a check that broke. At 3 of each
# a fault found in 97 % of weekends is found at least twice in 99.7 %.
FOUND_IN_MOST = (
    "missed_beacon", "extra_beacon", "counter_reset", "mph_as_kmh", "kmh_as_mph",
    "litres_as_gallons", "sensor_psi", "book_pressure_unit", "air_fahrenheit", "missing_fill",
    "tread_one_mm", "tread_comma", "same_bytes", "same_content", "laps_not_run", "dead_sensor",
)  # fmt: skip


def test_planted_faults_are_found_and_clean_weekends_left_alone(capsys):
    rates = run(3, 11, first=500)
    with capsys.disabled():
        print("\n" + table(rates))
    few = {k: rates.hits[k] for k in FOUND_IN_MOST if rates.hits[k] < rates.planted[k] - 1}
    assert not few
    assert sum(rates.hits.values()) > 0.75 * sum(rates.planted.values())
    assert sum(rates.alarms.values()) <= 4
