"""The wear model's depth and slopes at a point, for mixed estimation on its linearisation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats
from tyrekit.fit.tread_rows import PLACES, TreadRows, first_laps_share, laps_at_pace
from tyrekit.terms import CORNER_NAMES

UNKNOWN_LEVEL_MM = 1.0  # a used tyre's depth at its first reading, before that reading
EARLY_RANGE_LAPS = (1.0, 10.0)  # a new tyre's first loss is over within a stint


@dataclass(frozen=True)
class TreadDesign:
    """Rows of the wear model and the point about which it is linearised."""

    rows: TreadRows
    names: tuple[str, ...]
    params: Floats

    @classmethod
    def start(cls, rows: TreadRows, beliefs: Mapping[str, Prior]) -> TreadDesign:
        """Return the design at the beliefs."""
        corners = _corners(rows)
        sessions = list(dict.fromkeys(session for session, _ in rows.slots))
        names = (
            "wear_mm_per_lap",
            *(f"wear_mm_per_lap[{c}]" for c in corners),
            *(f"wear_mm_per_lap[{c} {p}]" for c in corners for p in PLACES),
            "first_laps_mm",
            "first_laps_laps",
            "slow_lap_share",
            *(f"new_tread_mm[{p}]" for p in PLACES),
            *(f"tyre_wear_pct[{t}]" for t in rows.tyres),
            *(f"session_wear_pct[{s}]" for s in sessions),
            *(f"slot_wear_pct[{s} {c}]" for s, c in rows.slots),
            *(f"level_mm[{t} {p}]" for t in rows.tyres for p in PLACES),
        )
        design = cls(rows, names, np.zeros(len(names)))
        return design.at(design.belief_mean(beliefs))

    def at(self, params: Floats) -> TreadDesign:
        """Return the design linearised about `params`."""
        bounded = params.copy()
        early = self.names.index("first_laps_laps")
        bounded[early] = np.clip(params[early], *EARLY_RANGE_LAPS)
        slow = self.names.index("slow_lap_share")
        bounded[slow] = np.clip(params[slow], 0.0, 1.0)
        return replace(self, params=bounded)

    def reported(self) -> list[int]:
        """Return the positions of the parameters that the results keep."""
        hidden = ("slot_wear_pct", "level_mm")
        return [i for i, name in enumerate(self.names) if not name.startswith(hidden)]

    def belief_mean(self, beliefs: Mapping[str, Prior]) -> Floats:
        """Return the mean of each parameter before any reading."""
        mean = np.zeros(len(self.names))
        for name in ("wear_mm_per_lap", "first_laps_mm", "first_laps_laps", "slow_lap_share"):
            mean[self.names.index(name)] = beliefs[name].mean
        new = beliefs["new_tread_mm"].mean
        for i, name in enumerate(self.names):
            unread = name.startswith("level_mm") and not self._is_new(name)
            if unread or name.startswith("new_tread_mm"):
                mean[i] = new
        return mean

    def belief_sd(self, beliefs: Mapping[str, Prior], session_spread_pct: float) -> Floats:
        """Return the spread of each parameter; half the sessions' variance is each corner's own."""
        rate = beliefs["wear_mm_per_lap"].mean
        shared = session_spread_pct / np.sqrt(2.0)
        sd = np.zeros(len(self.names))
        for i, name in enumerate(self.names):
            kind, _, inside = name.partition("[")
            if kind == "wear_mm_per_lap" and inside:
                spread = "place_spread_pct" if " " in inside else "corner_spread_pct"
                sd[i] = rate * beliefs[spread].mean / 100
            elif kind == "tyre_wear_pct":
                sd[i] = beliefs["tyre_spread_pct"].mean
            elif kind in ("session_wear_pct", "slot_wear_pct"):
                sd[i] = shared
            elif kind == "level_mm":
                own = beliefs["new_spread_mm"].mean
                sd[i] = own if self._is_new(name) else UNKNOWN_LEVEL_MM
            else:
                sd[i] = beliefs[kind].sd
        return sd

    def depth(self) -> Floats:
        """Return the model's depth in mm, a value per row."""
        worn = (self._laps() * self._rate() * self._relative()).sum(axis=1)
        level = self._new_level() + self._take("level_mm")[self._level_index()]
        early = self.params[self.names.index("first_laps_mm")]
        gone: Floats = level - early * self._early()[0] - worn
        return gone

    def jacobian(self) -> Floats:
        """Return the depth's slopes, shape (rows, parameters)."""
        rows, exposed = self.rows, self._laps() * self._relative()
        worn = self._laps() * self._rate()
        made = np.zeros((len(rows.depth_mm), len(self.names)))
        share, slope = self._early()
        early = self.params[self.names.index("first_laps_mm")]
        every = np.arange(len(rows.depth_mm))
        at = {name: i for i, name in enumerate(self.names)}
        made[:, at["wear_mm_per_lap"]] = -exposed.sum(axis=1)
        for slot, (session, corner) in enumerate(rows.slots):
            made[:, at[f"wear_mm_per_lap[{corner}]"]] -= exposed[:, slot]
            for place, name in enumerate(PLACES):
                column = at[f"wear_mm_per_lap[{corner} {name}]"]
                made[:, column] -= exposed[:, slot] * (rows.place == place)
            made[:, at[f"session_wear_pct[{session}]"]] -= worn[:, slot] / 100
            made[:, at[f"slot_wear_pct[{session} {corner}]"]] -= worn[:, slot] / 100
        made[:, at["first_laps_mm"]] = -share
        made[:, at["first_laps_laps"]] = -early * slope
        slow = rows.slow_laps * self._rate() * self._relative()
        made[:, at["slow_lap_share"]] = -slow.sum(axis=1)
        known_new = rows.new[rows.tyre]
        made[every, self._columns("new_tread_mm")[rows.place]] = known_new
        made[every, self._columns("tyre_wear_pct")[rows.tyre]] = -worn.sum(axis=1) / 100
        made[every, self._columns("level_mm")[self._level_index()]] = 1.0
        return made

    def _laps(self) -> Floats:
        """Return laps at pace that wear as much, shape (rows, slots): slow ones count a share."""
        share = self.params[self.names.index("slow_lap_share")]
        return laps_at_pace(self.rows.laps, self.rows.slow_laps, float(share))

    def _columns(self, kind: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        found = [i for i, name in enumerate(self.names) if name.startswith(kind + "[")]
        return np.array(found, dtype=np.int64)

    def _take(self, kind: str) -> Floats:
        return self.params[self._columns(kind)]

    def _level_index(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        index: np.ndarray[tuple[int], np.dtype[np.int64]] = (
            self.rows.tyre * len(PLACES) + self.rows.place
        )
        return index

    def _new_level(self) -> Floats:
        """Return the depth when new per row; 0 for a tyre whose level is its own parameter."""
        level: Floats = self._take("new_tread_mm")[self.rows.place]
        return np.where(self.rows.new[self.rows.tyre], level, 0.0)

    def _is_new(self, level_name: str) -> bool:
        tyre = level_name.removeprefix("level_mm[").removesuffix("]").rpartition(" ")[0]
        return bool(self.rows.new[self.rows.tyres.index(tyre)])

    def _rate(self) -> Floats:
        """Return mm per lap, shape (rows, slots)."""
        corners = _corners(self.rows)
        base = self.params[0] + self.params[1 : 1 + len(corners)]
        place = self.params[1 + len(corners) : 1 + 4 * len(corners)].reshape(len(corners), 3)
        slot = np.array([corners.index(corner) for _, corner in self.rows.slots], dtype=np.int64)
        rate: Floats = base[slot][None, :] + place[slot][:, self.rows.place].T
        return rate

    def _relative(self) -> Floats:
        """Return the factor of the tyre, session and slot on the rate, shape (rows, slots)."""
        sessions = list(dict.fromkeys(session for session, _ in self.rows.slots))
        of_slot = [sessions.index(session) for session, _ in self.rows.slots]
        session = self._take("session_wear_pct")[of_slot] + self._take("slot_wear_pct")
        tyre = self._take("tyre_wear_pct")[self.rows.tyre]
        factor: Floats = 1 + (session[None, :] + tyre[:, None]) / 100
        return factor

    def _early(self) -> tuple[Floats, Floats]:
        """Return the share of a new tyre's first loss between first reading and now, and slope."""
        tau = self.params[self.names.index("first_laps_laps")]
        return first_laps_share(self.rows.first_age_laps, self.rows.age_laps, float(tau))


def _corners(rows: TreadRows) -> list[str]:
    extra = {corner for _, corner in rows.slots} - set(CORNER_NAMES)
    return [*CORNER_NAMES, *sorted(extra)]
