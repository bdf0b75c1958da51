"""What the fuel fit hands back: use per lap, the channel's scale, and a race's need."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.errors import FitError
from tyrekit.fit.fuel_design import SESSION, SHARES, is_log, session_name
from tyrekit.fit.fuel_need import FuelNeed, race_laps
from tyrekit.fit.fuel_rows import KINDS, SCATTER
from tyrekit.fit.mixed import Mixed
from tyrekit.fit.result import (
    Estimate,
    FitResult,
    Floats,
    Record,
    check_level,
    data_share,
    in_brackets,
    t_quantile,
)
from tyrekit.record.event import Caution


class Spreads(NamedTuple):
    """Spread of a lap and of a session in % of the use per lap, and what they rest on."""

    lap_pct: float
    session_pct: float
    session_df: float
    sessions: int
    laps: int


Record.kinds["Spreads"] = Spreads
NO_SPREADS = Spreads(0.0, 0.0, 0.0, 0, 0)


def natural(
    names: tuple[str, ...], found: Mixed, belief_mean: Floats, belief_sd: Floats
) -> tuple[pd.Series, pd.DataFrame, pd.DataFrame]:
    """Return params, cov and rests_on in the units of the names (first order)."""
    log = np.array([is_log(name) for name in names])
    params = np.where(log, np.exp(np.where(log, found.params, 0.0)), 100 * found.params)
    slope = np.where(log, params, 100.0)
    index = list(names)
    share = data_share(belief_sd, np.sqrt(np.diag(found.cov)))
    believed = np.where(log, np.exp(np.where(log, belief_mean, 0.0)), 100 * belief_mean)
    rests_on = pd.DataFrame(
        {"data_share": share, "belief_mean": believed, "belief_sd": belief_sd * slope}, index=index
    )
    cov = pd.DataFrame(found.cov * np.outer(slope, slope), index=index, columns=index)
    return pd.Series(params, index=index), cov, rests_on


def normal_plus_t(variance: Floats, squared_scale: Floats, df: float) -> tuple[Floats, Floats]:
    """Return scale and degrees of freedom of the Student t nearest to a normal plus a t.

    Same variance and kurtosis (closed form); up to 4 degrees of freedom, where a t has no
    kurtosis, the t's own tail is kept, which is the careful side.

    Parameters
    ----------
    variance : array
        Of the normal part, 0 or more.
    squared_scale : array
        Of the t part, above 0.
    df : float
        Of the t part, above 0.
    """
    if df <= 4.0:
        total = variance + squared_scale
        return np.sqrt(total), np.full(total.shape, df)
    own = squared_scale * df / (df - 2.0)
    total = variance + own
    matched = 4.0 + (df - 4.0) * (total / own) ** 2
    return np.sqrt(total * (matched - 2.0) / matched), matched


@dataclass(frozen=True, eq=False)
class FuelUseResults(FitResult):
    """Fuel use with its uncertainty. Beside the common fields:

    Attributes
    ----------
    spreads : Spreads
        Spread from lap to lap and from session to session, in %.
    density_kg_per_l : float
        At 15 degC; the channel's litres are taken at that.
    balances : DataFrame
        One row per tank balance: sessions, used_kg, used_sd_kg, flow_l, scale, scale_sd, used,
        reason.
    races, wets : tuple of str
        Ids of race and of wet sessions.
    """

    spreads: Spreads = NO_SPREADS
    density_kg_per_l: float = 0.745
    balances: pd.DataFrame | None = None
    races: tuple[str, ...] = ()
    wets: tuple[str, ...] = ()

    @property
    def flow_scale(self) -> Estimate:
        """True kg per kg that the fuel channel says."""
        return self.estimate("flow_scale")

    @property
    def use_kg_per_lap(self) -> pd.DataFrame:
        """Use per lap of practice by kind: mean, lower, upper (90 %) and sd, in kg."""
        return self.use_by_kind()

    def use_by_kind(self, level: float = 0.9, *, race: bool = False) -> pd.DataFrame:
        """Return kg per lap by kind of lap, index kind, columns mean, lower, upper, sd."""
        rows = {}
        half = t_quantile(0.5 + check_level(level) / 2, self.df)
        for kind in KINDS:
            centre, gradient = self._log_use({kind: 1.0}, race=race, wet=False)
            sd = math.sqrt(gradient @ self._log_cov() @ gradient)
            ends = math.exp(centre - half * sd), math.exp(centre + half * sd)
            rows[kind] = (math.exp(centre), *ends, math.exp(centre) * sd)
        table = pd.DataFrame.from_dict(rows, orient="index")
        return table.set_axis(["mean", "lower", "upper", "sd"], axis="columns")

    def need(
        self,
        laps: int | None = None,
        *,
        minutes: float | None = None,
        lap_time: tuple[float, float] | None = None,
        formation_laps: int = 0,
        cool_down_laps: int = 0,
        out_laps: int = 0,
        in_laps: int = 0,
        caution: Caution | None = None,
        race: bool = True,
        wet: bool = False,
    ) -> FuelNeed:
        """Return the predictive distribution of the fuel a coming session burns.

        Parameters
        ----------
        laps : int, optional
            Laps at race pace, 1 or more; with `minutes` whichever ends first.
        minutes : float, optional
            Duration of a race to time; the lap under way is finished.
        lap_time : (mean, sd) in s, optional
            Mean racing lap and how well it is known; needed with `minutes`.
        formation_laps, cool_down_laps, out_laps, in_laps : int
            Laps of other kinds, 0 or more, on top.
        caution : Caution, optional
            Chance and length of cautions; without it none is counted on.
        race : bool
            Whether the belief about the shift from practice to race applies.
        wet : bool
            Whether the session is wet.

        Raises
        ------
        FitError
            No length given, or a count below 0.
        """
        extra = {
            "formation": formation_laps, "cool_down": cool_down_laps,
            "out": out_laps, "in": in_laps,
        }  # fmt: skip
        if min(extra.values()) < 0:
            raise FitError(f"laps of any kind are 0 or more. Got {extra}.")
        cases = race_laps(laps=laps, minutes=minutes, lap_time=lap_time, caution=caution)
        timed = (cases["laps"] - cases["caution_laps"]).to_numpy(dtype=np.float64)
        counts = {"timed": timed, "caution": cases["caution_laps"].to_numpy(dtype=np.float64)}
        counts |= {kind: np.full(len(cases), float(n)) for kind, n in extra.items()}
        log_kg, log_sd, df = self._components(counts, race=race, wet=wet)
        made = pd.DataFrame({"log_kg": log_kg, "log_sd": log_sd, "df": df})
        return FuelNeed(pd.concat([cases, made], axis=1), self._need_notes(race, caution))

    def corrected(self, laps: pd.DataFrame) -> pd.DataFrame:
        """Return `laps` with ``fuel_kg`` recomputed by the calibrated channel.

        Where the channel has no reading, the fitted use per lap stands in. Runs without
        ``fuel_start_kg`` keep the fuel they had. Never below 0.
        """
        if not {"fuel_start_kg", "run_id", "kind", "session", "lap"} <= set(laps.columns):
            return laps.copy()
        logged = pd.Series(math.nan, index=laps.index)
        if "fuel_used_before_l" in laps:
            logged = laps["fuel_used_before_l"].astype(float)
        burnt = logged * self.density_kg_per_l * self.flow_scale.mean
        burnt = burnt.fillna(self._burnt_by_count(laps))
        fuel_kg = (laps["fuel_start_kg"].astype(float) - burnt).clip(lower=0.0)
        if "fuel_kg" in laps:
            fuel_kg = fuel_kg.fillna(laps["fuel_kg"].astype(float))
        return laps.assign(fuel_kg=fuel_kg)

    def predict(self, rows: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
        """Return kg burnt on a lap of each row, a session still to come taken as unknown.

        Parameters
        ----------
        rows : DataFrame
            Columns session and kind.
        level : float
            Share of the interval; it covers a new lap, with the session's change.
        """
        found = []
        half = 0.5 + check_level(level) / 2
        for session, kind in zip(
            rows["session"].astype(str), rows["kind"].astype(str), strict=True
        ):
            centre, sd, df = self._component(
                {kind: 1.0}, race=session in self.races, wet=session in self.wets, session=session
            )
            spread = t_quantile(half, df) * sd
            found.append((math.exp(centre), math.exp(centre - spread), math.exp(centre + spread)))
        return pd.DataFrame(found, columns=["mean", "lower", "upper"], index=rows.index)

    def summary(self) -> str:
        """Return what was found, how sure, from what, and what would make it surer."""
        use, race = self.use_by_kind(), self.use_by_kind(race=True).loc["timed"]
        scale, share, spreads = self.flow_scale, self.rests_on["data_share"], self.spreads
        half = t_quantile(0.95, self.df)
        timed = use.loc["timed"]
        others = ", ".join(f"{kind} {float(use['mean'][kind]):.2f}" for kind in SHARES)
        lines = [
            "Fuel use: what the car burns per lap, weighed against fills and drains",
            f"  a timed lap of practice burns {timed['mean']:.3f} kg ({timed['lower']:.3f} to "
            f"{timed['upper']:.3f}), {100 * share['use_kg_per_lap']:.0f} % from data",
            f"  a timed lap of a race burns {race['mean']:.3f} kg ({race['lower']:.3f} to "
            f"{race['upper']:.3f}); how a race differs is {100 * share['race_shift_pct']:.0f} % "
            "from data",
            f"  other laps, kg: {others}",
            f"  the fuel channel must be multiplied by {scale.mean:.4f} ± {half * scale.sd:.4f}, "
            f"{100 * share['flow_scale']:.0f} % from data",
            f"  use differs by {spreads.lap_pct:.1f} % from lap to lap and by "
            f"{spreads.session_pct:.1f} % from session to session",
            f"  rests on {spreads.laps} logged laps of {spreads.sessions} sessions"
            f"{in_brackets(self.members(SESSION))} and {self._balances_used()} tank balances; "
            f"{len(self.left_out)} rows left out",
            f"  surer by: {self._surer()}",
            "  brackets and ± hold 90 %; a load comes from the whole distribution, not from these",
        ]
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])

    def _balances_used(self) -> int:
        return self.n_rows - self.spreads.laps  # with the channel and without one

    def _surer(self) -> str:
        if self._balances_used() < 3:
            return "weighing fuel in and out over whole sessions"
        if self.rests_on["data_share"]["race_shift_pct"] < 0.5:
            return "a race with logged fuel: practice cannot tell the race's shift"
        return "more sessions: how use changes between them now decides the margin"

    def _component(
        self, counts: dict[str, float], *, race: bool, wet: bool, session: str | None = None
    ) -> tuple[float, float, float]:
        """Return centre, spread and degrees of freedom of the log of kg burnt by `counts`."""
        each = {kind: np.array([float(n)]) for kind, n in counts.items()}
        found = self._components(each, race=race, wet=wet, session=session)
        centre, sd, df = (float(part[0]) for part in found)
        return centre, sd, df

    def _components(
        self, counts: dict[str, Floats], *, race: bool, wet: bool, session: str | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Return the same for many counts at once, an array each."""
        centre, gradient = self._log_uses(counts, race=race, wet=wet, session=session)
        known = np.einsum("ij,jk,ik->i", gradient, self._log_cov(), gradient)
        seen = session is not None and session_name(session) in self.params.index
        spreads = self.spreads
        fresh = 0.0 if seen else (spreads.session_pct / 100) ** 2
        kg = self._each_kg(counts)
        total = np.sum(list(kg.values()), axis=0)
        scatter = np.sum(
            [(kg[k] / total * SCATTER[k]) ** 2 / np.maximum(counts[k], 1.0) for k in kg], axis=0
        )
        variance = known + fresh + (spreads.lap_pct / 100) ** 2 * scatter
        unsure = fresh * (1 + 1 / max(spreads.sessions, 1)) if fresh else known
        heavy = np.minimum(unsure, variance)
        scale, df = normal_plus_t(variance - heavy, heavy, spreads.session_df)
        return centre, scale, df

    def _each_kg(self, counts: dict[str, Floats]) -> dict[str, Floats]:
        """Return laps of each kind, in timed laps' worth of fuel."""
        return {kind: n * math.exp(self._log_share(kind)) for kind, n in counts.items() if n.any()}

    def _log_use(
        self, counts: dict[str, float], *, race: bool, wet: bool, session: str | None = None
    ) -> tuple[float, Floats]:
        """Return the log of kg burnt by so many laps of each kind, and its gradient."""
        each = {kind: np.array([float(n)]) for kind, n in counts.items()}
        centre, gradient = self._log_uses(each, race=race, wet=wet, session=session)
        return float(centre[0]), gradient[0]

    def _log_uses(
        self, counts: dict[str, Floats], *, race: bool, wet: bool, session: str | None = None
    ) -> tuple[Floats, Floats]:
        """Return the same for many counts at once, (m,) and (m, p)."""
        index = self.params.index
        kg = self._each_kg(counts)
        total = np.sum(list(kg.values()), axis=0)
        gradient = np.zeros((len(total), len(index)))
        gradient[:, index.get_loc("use_kg_per_lap")] = 1.0
        for kind, amount in kg.items():
            if kind != "timed":
                gradient[:, index.get_loc(SHARES[kind])] = amount / total
        shifts = {"race_shift_pct": race, "wet_shift_pct": wet}
        if session is not None:
            shifts[session_name(session)] = True
        centre = math.log(float(self.params["use_kg_per_lap"])) + np.log(total)
        for name, applies in shifts.items():
            if applies and name in index:
                gradient[:, index.get_loc(name)] = 1.0
                centre = centre + float(self.params[name]) / 100
        return centre, gradient

    def _log_share(self, kind: str) -> float:
        return 0.0 if kind == "timed" else math.log(float(self.params[SHARES[kind]]))

    def _log_cov(self) -> Floats:
        names, params = self.params.index, self.params.to_numpy(dtype=np.float64)
        slope = np.where([is_log(name) for name in names], params, 100.0)
        cov: Floats = self.cov.to_numpy(dtype=np.float64) / np.outer(slope, slope)
        return cov

    def _burnt_by_count(self, laps: pd.DataFrame) -> pd.Series:
        """Return the kg burnt before each lap of its run by the fitted use per kind of lap."""
        pairs = laps[["session", "kind"]].astype(str)
        pairs["kind"] = pairs["kind"].where(pairs["kind"].isin(KINDS), "timed")
        each = {
            (session, kind): math.exp(
                self._log_use(
                    {kind: 1.0}, race=session in self.races, wet=session in self.wets,
                    session=session,
                )[0]
            )
            for session, kind in set(pairs.itertuples(index=False, name=None))
        }  # fmt: skip
        kg = pd.Series(
            [each[pair] for pair in pairs.itertuples(index=False, name=None)],
            index=laps.index, dtype=float,
        )  # fmt: skip
        ordered = kg[laps.sort_values(["run_id", "lap"]).index]
        run = laps["run_id"].loc[ordered.index]
        return (ordered.groupby(run).cumsum() - ordered).reindex(laps.index)

    def _need_notes(self, race: bool, caution: Caution | None) -> tuple[str, ...]:
        said = []
        if race and self.rests_on["data_share"]["race_shift_pct"] < 0.05:
            shift = self.estimate("race_shift_pct")
            said.append(f"race against practice: {shift.mean:+.1f} ± {shift.sd:.1f} %, belief only")
        if caution is None:
            said.append("no caution is counted on")
        return tuple(said)
