"""The tyre plan and the next session."""

from __future__ import annotations

from tyrekit.terms.term import Term

TYRE_PLAN: dict[str, Term] = {
    "age_loss_s": Term("s", "seconds lost per lap at each whole age, against a new tyre"),
    "age_loss_draws_s": Term("s", "draws of the loss at each age, a row a draw"),
    "heat_cycle_draws_s": Term("s", "draws of the loss per earlier heat cycle"),
    "summed_s": Term("s", "loss of a stint from each age on, summed over its laps"),
    "bound_s": Term("s", "no plan within the limits costs less than this, weighted"),
    "gap_s": Term("s", "cost above the bound; 0 when the plan is proved best"),
    "stint_laps": Term("laps", "laps of each stint of a session"),
    "run_in_mm": Term("mm", "tread worn off a run-in tyre over a number of laps"),
    "early_mm": Term("mm", "tread worn besides off a tyre that is not run in yet"),
    "tread_low_mm": Term("mm", "tread at the stated confidence, thinnest place"),
    "stint": Term("", "stint within the session, from 1; a race that must stop has several"),
    "read_laps": Term("laps", "age of the oldest tyre read, as a tyre plan knows it"),
    "age_end_laps": Term("laps", "laps on the tyre at the end of the stint; of a set, the oldest"),
    "tread_start_mm": Term("mm", "expected mean tread at the start"),
    "tread_end_mm": Term("mm", "expected mean tread at the end; of a set, the thinnest tyre's"),
    "tread_end_low_mm": Term("mm", "tread of the thinnest place at the end, at the confidence"),
    "expected_loss_s": Term("s", "seconds lost in the stint to this tyre's age, not weighted"),
    "expected_s": Term("s", "seconds over the next session against the first choice"),
    "lower_s": Term("s", "lower end of the 90 % interval of that difference"),
    "upper_s": Term("s", "upper end of that interval"),
    "chance_best": Term("", "chance, over the fits' draws, of costing least"),
    "later_cost_s": Term("s", "what a choice costs the sessions after, weighted"),
    "weekend_cost_s": Term("s", "what a choice costs over the weekend, weighted"),
    "step_s": Term("s", "weighted seconds saved by easing a limit by one step"),
    "dropped_s": Term("s", "weighted seconds saved without a limit"),
    "within_s": Term("s", "what the dearest of the plans looked at costs over the best"),
    "most_apart_laps": Term("laps", "how far left and right of an axle may be apart in age"),
    "worth_s": Term("s", "weighted seconds a change of limits or tyres would save"),
    "dry_cost_s": Term("s", "what a choice costs if the sessions asked about stay dry, weighted"),
    "wet_cost_s": Term("s", "what a choice costs if they turn wet, weighted"),
    "before_s": Term("s", "a plan's cost before the last change, weighted"),
    "delay_s": Term("s", "how long work is put off"),
    "wear_pct": Term("%", "tread wear supposed from now on, of what the fit found"),
    "drop_off_pct": Term("%", "time lost to tyre age supposed, of what the fit found"),
    "hot_front_bar": Term("bar", "hot target of the front axle, gauge"),
    "hot_rear_bar": Term("bar", "hot target of the rear axle, gauge"),
}
