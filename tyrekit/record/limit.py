"""The limits of an event as typed records, one class per kind of ``[[limit]]``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator

Whole = Annotated[int, Strict(), Field(ge=0, le=100_000)]
Above = Annotated[float, Strict(), Field(gt=0, le=1e6)]
Corner = Literal["FL", "FR", "RL", "RR"]


class Record(BaseModel):
    """A frozen part of event.toml that knows its keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class NewTyres(Record):
    """At most so many tyres are first used at this event."""

    kind: Literal["new_tyres"]
    most: Whole


class Pool(Record):
    """At most so many different tyres run over these sessions."""

    kind: Literal["pool"]
    sessions: Annotated[tuple[str, ...], Field(min_length=1)]
    most: Whole
    marked_only: bool = False


class StartOn(Record):
    """A session starts on the very tyres used in an earlier one."""

    kind: Literal["start_on"]
    session: str
    same_as: str


class MinimumTread(Record):
    """Tread left at the end of every session, with the stated confidence."""

    kind: Literal["minimum_tread"]
    mm: Annotated[float, Strict(), Field(ge=0, le=15)]
    confidence_pct: Annotated[float, Strict(), Field(ge=50, lt=100)] = 90.0


class LongestLife(Record):
    """The most a tyre may run, in any of laps, heat cycles and kilometres."""

    kind: Literal["longest_life"]
    laps: Annotated[int, Strict(), Field(gt=0, le=100_000)] | None = None
    heat_cycles: Annotated[int, Strict(), Field(gt=0, le=100_000)] | None = None
    km: Above | None = None

    @model_validator(mode="after")
    def _names_a_measure(self) -> LongestLife:
        if self.laps is None and self.heat_cycles is None and self.km is None:
            raise ValueError("it needs at least one of laps, heat_cycles and km")
        return self


class SameSide(Record):
    """Tyres stay on the side they first ran on."""

    kind: Literal["same_side"]


class MatchedAxle(Record):
    """Left and right differ by at most this age."""

    kind: Literal["matched_axle"]
    laps: Whole


class ScrubbedBefore(Record):
    """A tyre has at least one heat cycle before these sessions."""

    kind: Literal["scrubbed_before"]
    sessions: Annotated[tuple[str, ...], Field(min_length=1)]


class KeepSpare(Record):
    """A usable tyre per axle or corner is left in hand for this session."""

    kind: Literal["keep_spare"]
    session: str
    per: Literal["axle", "corner"] = "axle"


class Lock(Record):
    """The engineer's own decision: these tyres on these corners."""

    kind: Literal["lock"]
    session: str
    tyres: Annotated[dict[Corner, str], Field(min_length=1)]

    @model_validator(mode="after")
    def _uses_a_tyre_once(self) -> Lock:
        if len(set(self.tyres.values())) < len(self.tyres):
            raise ValueError("a tyre may be on one corner only")
        return self


Limit = Annotated[
    NewTyres | Pool | StartOn | MinimumTread | LongestLife | SameSide | MatchedAxle
    | ScrubbedBefore | KeepSpare | Lock,
    Field(discriminator="kind"),
]  # fmt: skip


def sessions_named(limit: Limit) -> tuple[tuple[str, str], ...]:
    """Return every (key, session id) that a limit names."""
    named: list[tuple[str, str]] = []
    if isinstance(limit, Pool | ScrubbedBefore):
        named += [("sessions", name) for name in limit.sessions]
    if isinstance(limit, StartOn | KeepSpare | Lock):
        named.append(("session", limit.session))
    if isinstance(limit, StartOn):
        named.append(("same_as", limit.same_as))
    return tuple(named)
