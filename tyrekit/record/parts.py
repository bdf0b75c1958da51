"""The parts of event.toml as typed records, each checking its own keys."""

from __future__ import annotations

import codecs
from datetime import UTC, datetime
from itertools import pairwise
from typing import Annotated, Any, Literal, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    Strict,
    ValidationInfo,
    field_validator,
    model_validator,
)  # fmt: skip

from tyrekit.record.channels import own_name
from tyrekit.record.limit import Above, Record, Whole

FIRST_YEAR, LAST_YEAR = 1970, 2200
NO_TEXT = ("idna", "punycode", "undefined", "unicode_escape", "raw_unicode_escape", "utf-7")
LEAST_SD = 1e-9
MOST_LAPS, MOST_MINUTES = 2_000, 3_000.0  # more than any race of 24 hours


def _is_spread(sd: float) -> float:
    if sd < LEAST_SD:
        raise ValueError(f"it must be at least {LEAST_SD:g}: nothing is that certain")
    return sd


Finite = Annotated[float, Strict(), Field(ge=-1e6, le=1e6)]
NotNegative = Annotated[float, Strict(), Field(ge=0, le=1e6)]
Spread = Annotated[float, Strict(), Field(gt=0, le=1e6), AfterValidator(_is_spread)]
Laps = Annotated[int, Strict(), Field(ge=1, le=MOST_LAPS)]
LapsOrNone = Annotated[int, Strict(), Field(ge=0, le=MOST_LAPS)]
Share = Annotated[float, Strict(), Field(ge=0, le=100)]
Bar = Annotated[float, Strict(), Field(ge=0.3, le=6.0)]  # psi and kPa fall outside
Id = Annotated[str, Strict(), Field(min_length=1)]


class Belief(NamedTuple):
    """What is believed before the weekend: a normal distribution's mean and spread."""

    mean: Finite
    sd: Spread


class Meeting(Record):
    """The event itself; `cars` is how many run on track together."""

    name: Id
    timezone: str
    cars: Annotated[int, Strict(), Field(ge=1, le=200)] = 20

    @field_validator("timezone")
    @classmethod
    def _is_known(cls, name: str) -> str:
        if name not in available_timezones():
            raise ValueError("it must be a name of the time zone database, as Europe/London")
        return name

    @property
    def zone(self) -> ZoneInfo:
        """The time zone in which clock times without an offset are read."""
        return ZoneInfo(self.timezone)


class StartFinish(Record):
    """The start/finish line: a point on it, the direction of travel over it, its width."""

    latitude_deg: Annotated[float, Strict(), Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Strict(), Field(ge=-180, le=180)]
    heading_deg: Annotated[float, Strict(), Field(ge=-360, le=360)]
    width_m: Annotated[float, Strict(), Field(gt=0, le=200)] = 30.0


class Split(Record):
    """A split line: on the ground as the start/finish line is, by distance from it, or both."""

    name: str = ""
    latitude_deg: Annotated[float, Strict(), Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Strict(), Field(ge=-180, le=180)] | None = None
    heading_deg: Annotated[float, Strict(), Field(ge=-360, le=360)] | None = None
    width_m: Annotated[float, Strict(), Field(gt=0, le=200)] = 30.0
    distance_m: Above | None = None

    @model_validator(mode="after")
    def _has_a_place(self) -> Split:
        given = (self.latitude_deg, self.longitude_deg, self.heading_deg)
        if any(x is None for x in given) and any(x is not None for x in given):
            raise ValueError("a line needs latitude_deg, longitude_deg and heading_deg")
        if self.line is None and self.distance_m is None:
            raise ValueError("a split needs distance_m, or a line, or both")
        return self

    @property
    def line(self) -> StartFinish | None:
        """The line on the ground, where it is given."""
        if self.latitude_deg is None or self.longitude_deg is None or self.heading_deg is None:
            return None
        return StartFinish(
            latitude_deg=self.latitude_deg, longitude_deg=self.longitude_deg,
            heading_deg=self.heading_deg, width_m=self.width_m,
        )  # fmt: skip


class Circuit(Record):
    """The circuit; `pit_loss_s` is lane instead of track, without the stationary time.

    Its splits stand in the order in which a lap crosses them.
    """

    length_m: Annotated[float, Strict(), Field(ge=200, le=100_000)]
    pit_loss_s: NotNegative
    start_finish: StartFinish | None = None
    lap_time_s: Belief | None = None
    splits: tuple[Split, ...] = Field(default=(), alias="split")

    @field_validator("lap_time_s")
    @classmethod
    def _is_a_laps_time(cls, belief: Belief | None) -> Belief | None:
        if belief is not None and not 5 <= belief.mean <= 3600:
            raise ValueError("a lap takes 5 to 3600 s")
        return belief

    @model_validator(mode="after")
    def _splits_follow_each_other(self) -> Circuit:
        places = [s.distance_m for s in self.splits if s.distance_m is not None]
        if any(b <= a for a, b in pairwise([0.0, *places, self.length_m])):
            raise ValueError("distance_m of [[circuit.split]] must rise, and end before length_m")
        return self


class Car(Record):
    """The car as weighed, and the geometry that shares out its load.

    Optional, for the work of each tyre: the driven axle, the front's share of the braking force,
    and each axle's lift coefficient x area, downwards positive.
    """

    number: Id
    mass_kg: Annotated[float, Strict(), Field(ge=100, le=10_000)]
    ballast_kg: NotNegative
    ballast_limit_kg: NotNegative
    minimum_mass_kg: NotNegative
    wheelbase_m: Annotated[float, Strict(), Field(gt=0.5, le=10)]
    track_front_m: Annotated[float, Strict(), Field(gt=0.3, le=5)]
    track_rear_m: Annotated[float, Strict(), Field(gt=0.3, le=5)]
    centre_of_gravity_height_m: Annotated[float, Strict(), Field(gt=0, le=2)]
    front_mass_pct: Share
    roll_stiffness_front_pct: Share
    driven: Literal["front", "rear", "all"] | None = None
    brake_front_pct: Share | None = None
    downforce_front_m2: Annotated[float, Strict(), Field(ge=-2, le=5)] | None = None
    downforce_rear_m2: Annotated[float, Strict(), Field(ge=-2, le=5)] | None = None


class Driver(Record):
    """A driver with the mass as raced, in kit."""

    name: Id
    mass_kg: Annotated[float, Strict(), Field(ge=20, le=250)]


class Fuel(Record):
    """The tank, the petrol and what is believed of both; density is at 15 degC."""

    tank_l: Annotated[float, Strict(), Field(gt=0, le=1000)]
    unusable_l: NotNegative
    # at 15 degC; outside it no table of petrol's volume by temperature holds (API54B)
    density_kg_per_l: Annotated[float, Strict(), Field(ge=0.653, le=0.8385)]
    sample_l: NotNegative
    shortfall_risk: Annotated[float, Strict(), Field(gt=0, lt=0.5)]
    effect_s_per_kg: Belief | None = None
    flow_scale: Belief | None = None
    use_l_per_lap: Belief | None = None


class HotTarget(Record):
    """Hot gauge pressure wanted on each axle."""

    front: Bar
    rear: Bar


class Tyres(Record):
    """What the series and the supplier ask of the tyres."""

    minimum_tread_mm: Annotated[float, Strict(), Field(ge=0, le=15)]
    hot_target_bar: HotTarget
    cold_minimum_bar: Bar


class Stops(Record):
    """Pit stops a race asks for, and the most it allows where that is limited."""

    minimum: Whole
    maximum: Whole | None = None
    first_lap: Laps
    last_lap: Laps
    stationary_s: NotNegative
    tyres: bool
    refuel: bool


class Caution(Record):
    """How likely and how slow a caution is."""

    chance_per_lap: Annotated[float, Strict(), Field(ge=0, lt=1)]
    mean_laps: Annotated[float, Strict(), Field(ge=1, le=MOST_LAPS)]
    lap_time_pct: Annotated[float, Strict(), Field(ge=100, le=1000)]
    fuel_pct: Annotated[float, Strict(), Field(gt=0, le=200)]
    pit_loss_s: NotNegative


class Session(Record):
    """One session of the timetable."""

    id: Id
    kind: Literal["practice", "qualifying", "race"]
    start: datetime
    minutes: Annotated[float, Strict(), Field(gt=0, le=MOST_MINUTES)] | None = None
    laps: Laps | None = None
    planned_laps: LapsOrNone | None = None
    formation_laps: LapsOrNone = 0
    cool_down_laps: LapsOrNone = 0
    value: NotNegative
    wet: bool = False
    stops: Stops | None = None
    caution: Caution | None = None

    @field_validator("start", mode="before")
    @classmethod
    def _in_the_event_zone(cls, value: object, info: ValidationInfo) -> datetime:
        try:
            start = datetime.fromisoformat(value) if isinstance(value, str) else value
        except ValueError:
            start = None
        if not isinstance(start, datetime):
            raise ValueError('it must be a date and time, as "2026-05-16T09:10:00"')
        return moment(start, (info.context or {}).get("zone"))

    @model_validator(mode="after")
    def _has_a_length(self) -> Session:
        if self.kind == "race" and self.minutes is None and self.laps is None:
            raise ValueError("a race needs laps, or minutes, or both")
        if self.kind != "race" and self.minutes is None:
            raise ValueError(f"a {self.kind} session needs minutes")
        return self


class LogChannel(Record):
    """Where one channel of ours is found in this logger's files."""

    column: Id
    unit: str | None = None


Short = Annotated[LogChannel, BeforeValidator(lambda v: {"column": v} if isinstance(v, str) else v)]


class Log(Record):
    """How the logger names things, by our own channel names; the reader finds out the rest."""

    files: str = "*.csv"
    encoding: str | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    channels: dict[str, Short] = Field(default_factory=dict)

    @field_validator("encoding")
    @classmethod
    def _is_of_text(cls, name: str | None) -> str | None:
        try:
            known = name is None or codecs.lookup(name).name not in NO_TEXT
        except (LookupError, ValueError):
            known = False
        if not known:
            raise ValueError("it must be a text encoding, as utf-8, cp1252 or utf-16")
        return name

    @model_validator(mode="before")
    @classmethod
    def _sort_keys(cls, raw: Any) -> Any:
        """Move what [log] says of a channel under `channels`, by our own name."""
        if not isinstance(raw, dict) or "channels" in raw:
            return raw
        kept = {k: v for k, v in raw.items() if own_name(k) is None}
        named = {own_name(k): v for k, v in raw.items() if own_name(k) is not None}
        return {**kept, "channels": named}


def moment(stamp: datetime, zone: ZoneInfo | None) -> datetime:
    """Return a clock time with its offset; one without is in the event's time zone.

    Raises
    ------
    ValueError
        The year is no weekend's, no zone is known, or the clocks skip this time.
    """
    if not FIRST_YEAR <= stamp.year <= LAST_YEAR:
        raise ValueError(f"its year must be {FIRST_YEAR} to {LAST_YEAR}")
    return stamp if stamp.tzinfo else localised(stamp, zone)


def localised(start: datetime, zone: ZoneInfo | None) -> datetime:
    """Return a clock time without an offset in the event's time zone.

    Raises
    ------
    ValueError
        No zone is known, or the clocks skip this time or show it twice.
    """
    if zone is None:
        raise ValueError("it has no offset, and [event] timezone is not known")
    aware = start.replace(tzinfo=zone)
    if aware.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != start:
        raise ValueError(f"the clocks go forward over this time in {zone.key}")
    again = aware.replace(fold=1)
    if aware.timestamp() != again.timestamp():
        raise ValueError(
            f"the clocks go back over this time in {zone.key}, so it comes twice: write it as"
            f" {aware.isoformat()} or as {again.isoformat()}"
        )
    return aware
