"""What to do when a caution comes: the best reply on every lap, by stochastic dynamic programming.

A caution costs every plan the same time, so only what a decision changes is counted: stops,
warming up, tyre age on racing laps. Position and traffic are not in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from tyrekit.errors import InputError
from tyrekit.plan.caution_search import (
    Decisions,
    Flags,
    average,
    decide,
    drawn_cautions,
    run,
    two_states,
)  # fmt: skip
from tyrekit.plan.caution_table import GRID, PATH, planned_stops, reply_grid, reply_table
from tyrekit.plan.fitments import Fitments, fitments
from tyrekit.plan.stint_search import Floats
from tyrekit.plan.stints import StintRace, TyreSet


@dataclass(frozen=True, eq=False)
class CautionPolicy:
    """The best reply to cautions, and the best plan that never replies.

    Attributes
    ----------
    status : str
        ``optimal`` or ``impossible``.
    cost_s, fixed_cost_s, gain_s : float
        Expected seconds lost with replies, by the best fixed plan, and the difference.
    start_set : str
        Set to start on.
    fixed_stops : tuple of int
        Laps at whose end the best fixed plan stops.
    """

    status: str
    cost_s: float
    fixed_cost_s: float
    gain_s: float
    start_set: str
    fixed_stops: tuple[int, ...]
    notes: tuple[str, ...]
    race: StintRace
    fitted: Fitments
    replies: Decisions
    fixed: Decisions

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row per lap of the window as long as no caution has come: lap, set, age_laps, planned
        (a stop at its end), reply (stop or stay out when it is run under caution), next_set,
        stop_gain_s (the seconds a stop then is better than staying out, negative when worse, inf
        when one must be made, -inf when none can)."""
        if self.status != "optimal":
            return pd.DataFrame(columns=list(PATH))
        return reply_table(self.race, self.fitted, self.replies)

    @cached_property
    def grid(self) -> pd.DataFrame:
        """The same wherever the car may stand: lap, set, stops made, age_laps, reply, next_set,
        stop_gain_s; only where a stop can be made."""
        if self.status != "optimal":
            return pd.DataFrame(columns=list(GRID))
        return reply_grid(self.race, self.fitted, self.replies)

    def lost_s(self, cautions: Flags, *, fixed: bool = False) -> Floats:
        """Return the seconds lost in each race; `cautions` is (races, laps), true under caution."""
        track = two_states(self.race)
        return run(self.race, self.fitted, track, self.fixed if fixed else self.replies, cautions)


def caution_policy(race: StintRace, sets: Sequence[TyreSet]) -> CautionPolicy:
    """Return what to do on every lap of a race in which cautions may come.

    Parameters
    ----------
    race : StintRace
        With ``caution``; without one the reply never differs from the fixed plan.
        With refuelling the most stops are chosen too: the fewer, the more of the accepted risk is
        each stint's and the further a tank goes.
    sets : sequence of TyreSet
        Sets that may be used, one or more.

    Raises
    ------
    InputError
        No set is given.
    """
    if not sets:
        raise InputError(
            f"no tyre set is given for {race.session}",
            rule="a reply to cautions is worked out for one set or more",
            next_step="Look at the stint plan: it says why none is left.",
        )
    most = range(race.most_stops, race.least_stops - 1, -1) if race.refuel else [race.most_stops]
    ways = [(one, fitments(one, sets)) for one in (replace(race, most_stops=n) for n in most)]
    each = [decide(one, fitted, two_states(one)) for one, fitted in ways]
    best = int(np.argmin([found.cost_s for found in each]))
    (race, fitted), replies = ways[best], each[best]
    fixed = min((decide(one, own, average(one)) for one, own in ways), key=lambda f: f.cost_s)
    possible = bool(np.isfinite(fixed.cost_s))
    return CautionPolicy(
        status="optimal" if possible else "impossible",
        cost_s=replies.cost_s,
        fixed_cost_s=fixed.cost_s,
        gain_s=fixed.cost_s - replies.cost_s if possible else 0.0,
        start_set=fitted.names[fitted.on_car[replies.start]] if possible else "",
        fixed_stops=planned_stops(race, fitted, fixed) if possible else (),
        notes=(*race.notes, *_notes(race)),
        race=race,
        fitted=fitted,
        replies=replies,
        fixed=fixed,
    )


@dataclass(frozen=True)
class MeasuredGain:
    """Seconds gained by replying, measured on the same drawn races for both plans.

    ``se_s`` is its standard error, ``unpaired_se_s`` what it would be had each plan had races of
    its own.
    """

    gain_s: float
    se_s: float
    unpaired_se_s: float
    races: int


def measured_gain(policy: CautionPolicy, races: int, rng: np.random.Generator) -> MeasuredGain:
    """Return the gain over the best fixed plan in `races` drawn races, 2 or more."""
    flags = drawn_cautions(policy.race, races, rng)
    fixed, replied = policy.lost_s(flags, fixed=True), policy.lost_s(flags)
    paired = fixed - replied
    apart = np.sqrt((fixed.var(ddof=1) + replied.var(ddof=1)) / races)
    return MeasuredGain(
        float(paired.mean()), float(paired.std(ddof=1) / np.sqrt(races)), float(apart), races
    )


def _notes(race: StintRace) -> tuple[str, ...]:
    notes = ["position and traffic are not counted: a stop that loses places may not be worth it"]
    if race.caution is None:
        notes.append("no chance of a caution is given: the reply is the fixed plan")
    if race.refuel:
        notes.append("the time lost to carrying fuel is left out of the reply to cautions")
        notes.append(f"the reply to cautions counts on {race.most_stops} stop(s) at most")
    return tuple(notes)
