"""The weekend driven from first session to last: what truly happened, run by run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from tyrekit.demo import petrol, programme, running
from tyrekit.demo.car import Air
from tyrekit.demo.petrol import Handling
from tyrekit.demo.programme import Plan
from tyrekit.demo.running import Conditions, Driver, Trace
from tyrekit.demo.tyre import Heat, Tyre, parked


@dataclass(frozen=True)
class RunDone:
    """One run as it truly was.

    Attributes
    ----------
    plan : Plan
    trace : Trace
    driver : Driver
        As he drove in this session.
    before, after : dict of Tyre
        The four tyres by id.
    fuel_start_kg : float
        Truly aboard at the first sample.
    fuel_said_kg : float
        What the crew writes down.
    air : Air
    grip : float
        Of the track and the day.
    """

    plan: Plan
    trace: Trace
    driver: Driver
    before: dict[str, Tyre]
    after: dict[str, Tyre]
    fuel_start_kg: float
    fuel_said_kg: float
    air: Air
    grip: float

    @property
    def leaves(self) -> datetime:
        """Clock time at which the car moves off, which is when the run starts."""
        return self.plan.start + timedelta(seconds=running.before_leaving_s(self.plan.kinds))

    @property
    def finish(self) -> datetime:
        """Clock time of the last sample."""
        return self.plan.start + timedelta(seconds=float(self.trace.elapsed_s[-1]))

    def gas_c(self, seconds_after: float) -> tuple[float, float, float, float]:
        """Return gas temperatures some time after the car has stopped."""
        heat = Heat(self.trace.end.heat.tread_c, self.trace.end.heat.gas_c)
        fl, fr, rl, rr = parked(heat, seconds_after, self.air).gas_c.tolist()
        return fl, fr, rl, rr


@dataclass(frozen=True)
class Done:
    """The whole weekend: runs in order, the tank's ledger, tyres as they arrived."""

    runs: tuple[RunDone, ...]
    handlings: tuple[Handling, ...]
    arrived: dict[str, Tyre]

    def until(self, session: str) -> Done:
        """Return the weekend as it stood after a session."""
        order = [m.session for m in programme.MEETS]
        kept = order[: order.index(session) + 1]
        runs = tuple(run for run in self.runs if run.plan.session in kept)
        names = {run.plan.run_id for run in runs}
        return Done(runs, tuple(h for h in self.handlings if h.run_id in names), self.arrived)

    def tyres(self) -> dict[str, Tyre]:
        """Return every tyre as it is at the end."""
        now = dict(self.arrived)
        for run in self.runs:
            now |= run.after
        return now


@dataclass
class _Tank:
    """True and believed contents, and the ledger."""

    true_kg: float = 0.0
    said_kg: float = 0.0

    def move(
        self, when: datetime, run_id: str, kind: str, litres: float, fuel_c: float,
        rng: np.random.Generator,
    ) -> Handling:  # fmt: skip
        """Fill, drain or sample so many true litres at a temperature."""
        kg = litres * petrol.density_kg_per_l(fuel_c)
        read_l = round(litres + float(rng.normal(0.0, petrol.READING_L)), 1)
        sign = 1 if kind == "fill" else -1
        self.true_kg += sign * kg
        self.said_kg += sign * read_l * petrol.density_kg_per_l(fuel_c)
        return Handling(when, run_id, kind, kg, read_l, fuel_c)

    def empty(
        self, when: datetime, run_id: str, fuel_c: float, rng: np.random.Generator
    ) -> Handling:
        """Drain what is left."""
        left_l = self.true_kg / petrol.density_kg_per_l(fuel_c)
        handling = self.move(when, run_id, "drain", left_l, fuel_c, rng)
        self.true_kg = self.said_kg = 0.0
        return handling


@lru_cache(maxsize=1)
def drive_weekend() -> Done:
    """Drive the whole weekend; the same every time."""
    arrived = programme.tyres()
    tyres, tank = dict(arrived), _Tank()
    runs: list[RunDone] = []
    ledger: list[Handling] = []
    for index, plan in enumerate(programme.PLANS):
        rng = np.random.default_rng([programme.SEED, index])
        air = programme.weather(plan.start)
        bowser_c = round(air.air_c - 1.5, 1)
        if plan.fill_l:
            when = plan.start - timedelta(minutes=3 if tank.true_kg else 25)
            ledger.append(tank.move(when, plan.run_id, "fill", plan.fill_l, bowser_c, rng))
        done = _run(plan, tyres, tank, air, rng)
        runs.append(done)
        tyres |= done.after
        following = programme.PLANS[index + 1 : index + 2]
        if not following or following[0].session != plan.session:
            ledger += _after_session(done, tank, rng)
    return Done(tuple(runs), tuple(ledger), arrived)


def _run(
    plan: Plan, tyres: dict[str, Tyre], tank: _Tank, air: Air, rng: np.random.Generator
) -> RunDone:
    kind = programme.meet(plan.session).kind
    driver = programme.DRIVERS[plan.driver]
    driver = replace(driver, pace=driver.pace * programme.PACE[kind])
    middle = plan.start + timedelta(minutes=5 if kind != "race" else 10)
    grip = programme.track_grip(middle) * programme.session_grip(plan.session)
    before = {tyre_id: tyres[tyre_id] for tyre_id in plan.tyres}
    fitted = tuple(before.values())
    aboard, said = tank.true_kg, tank.said_kg
    trace = running.run(
        driver, fitted, aboard, plan.kinds, programme.luck(plan), Conditions(air, grip), rng
    )
    after = {tyre.tyre_id: tyre.cooled() for tyre in trace.end.tyres}
    used = aboard - trace.end.fuel_kg
    tank.true_kg -= used
    tank.said_kg -= used / petrol.FLOW_TRUE_PER_LOGGED
    return RunDone(plan, trace, driver, before, after, aboard, round(said, 1), air, grip)


def _after_session(run: RunDone, tank: _Tank, rng: np.random.Generator) -> list[Handling]:
    """Sample after a race, then drain the tank; petrol comes out a little warm."""
    warm_c = round(run.air.air_c + 6.0, 1)
    when, run_id = run.finish, run.plan.run_id
    moved = []
    if programme.meet(run.plan.session).kind == "race":
        moved.append(
            tank.move(when + timedelta(minutes=20), run_id, "sample", petrol.SAMPLE_L, warm_c, rng)
        )
    moved.append(tank.empty(when + timedelta(minutes=35), run_id, warm_c, rng))
    return moved
