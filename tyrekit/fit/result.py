"""What every fit hands back: one record with the same names, savable as plain JSON."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, NamedTuple, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from tyrekit.errors import FitError

Floats = NDArray[np.float64]
NORMAL_90 = 1.645  # standard deviations either side of a normal's mean that hold 90 %


class Estimate(NamedTuple):
    """A number with its standard deviation, both in the unit its name ends in."""

    mean: float
    sd: float


@dataclass(frozen=True, eq=False)
class Record:
    """A frozen record that saves to plain JSON and comes back equal.

    Fields may be numbers, text, None, tuples, lists, dicts with text keys, named tuples that are
    registered here, float arrays, Series, DataFrames of numbers, text and booleans, and Records.
    """

    kinds: ClassVar[dict[str, Callable[..., Any]]] = {"Estimate": Estimate}

    def __init_subclass__(cls) -> None:
        """Register the subclass so that JSON can name it."""
        Record.kinds[cls.__name__] = cls

    def to_json(self) -> str:
        """Return the record as JSON text; infinities are written as text, NaN as null."""
        return json.dumps(_encode(self), allow_nan=False, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the record that `to_json` wrote.

        Raises
        ------
        FitError
            The text is not JSON, or holds another kind of record.
        """
        try:
            record = _decode(json.loads(text))
        except (ValueError, KeyError, TypeError) as error:
            raise FitError(f"saved result cannot be read: {error}. Fit again.") from error
        if not isinstance(record, cls):
            found = type(record).__name__
            raise FitError(f"saved result is a {found}, not a {cls.__name__}. Load the right one.")
        return record


def no_rows_left_out() -> pd.DataFrame:
    """Return an empty `left_out` table."""
    return pd.DataFrame({"run_id": [], "lap": [], "reason": []}).astype(
        {"run_id": str, "lap": float, "reason": str}
    )


@dataclass(frozen=True, eq=False)
class FitResult(Record):
    """The fields and methods that every fit's results share.

    Attributes
    ----------
    params : Series
        Estimates, one per parameter; the unit is in the parameter's name.
    cov : DataFrame, (p, p)
        Covariance of the estimates, beliefs included.
    df : float
        Degrees of freedom of the t intervals; infinite when only beliefs speak.
    rests_on : DataFrame, index parameter, column ``data_share`` in 0..1
        Share of the belief's variance that the data have removed; 0 is belief only.
    left_out : DataFrame
        Rows that were not used or were trimmed: run_id, lap, reason, and what the fit adds.
    notes : tuple of str
        What was inferred, assumed or found odd, in words.
    inputs : dict
        File name -> sha256 of what the fit rests on.
    n_rows : int
        Rows (laps, readings) used.
    """

    params: pd.Series
    cov: pd.DataFrame
    df: float
    rests_on: pd.DataFrame
    n_rows: int = 0
    left_out: pd.DataFrame = field(default_factory=no_rows_left_out)
    notes: tuple[str, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)

    @property
    def bse(self) -> pd.Series:
        """Standard deviations of the estimates, same index as `params`."""
        return pd.Series(np.sqrt(np.diag(self.cov.to_numpy())), index=self.params.index)

    def conf_int(self, level: float = 0.9) -> pd.DataFrame:
        """Return t intervals, columns ``lower`` and ``upper``; `level` between 0 and 1."""
        half = t_quantile(0.5 + check_level(level) / 2, self.df) * self.bse
        return pd.DataFrame({"lower": self.params - half, "upper": self.params + half})

    def draws(self, n: int, rng: np.random.Generator) -> pd.DataFrame:
        """Return `n` joint draws of the parameters (multivariate t), one row each."""
        spread = draw_t(self.cov.to_numpy(), self.df, n, rng)
        values = self.params.to_numpy(dtype=float) + spread
        return pd.DataFrame(values, columns=self.params.index)

    def members(self, kind: str) -> list[str]:
        """Return what the parameters of a kind are of: P1 and Q of ``session_c[P1]``, .. [Q]."""
        found = (str(name).partition("[") for name in self.params.index)
        return [inside.removesuffix("]") for head, _, inside in found if head == kind and inside]

    def estimate(self, name: str) -> Estimate:
        """Return one parameter as (mean, sd)."""
        at = list(self.params.index).index(name)
        variance = float(self.cov.to_numpy()[at, at])
        return Estimate(float(self.params.to_numpy()[at]), math.sqrt(variance))


def in_brackets(names: list[str]) -> str:
    """Return names as words to put behind a count: `` (P1, P2)``, or nothing."""
    return f" ({', '.join(names)})" if names else ""


def percent(share: float, digits: int = 0) -> str:
    """Return a share of 1 in per cent: ``72 %``."""
    return f"{100 * share:.{digits}f} %"


def check_level(level: float) -> float:
    """Return `level` when it is a probability strictly between 0 and 1, else raise FitError."""
    if not 0.0 < level < 1.0:
        raise FitError(f"level must lie between 0 and 1, for instance 0.9. Got {level!r}.")
    return level


def t_quantile(probability: float, df: float) -> float:
    """Return the quantile of Student's t; the normal's when `df` is infinite."""
    if math.isinf(df):
        return float(stats.norm.ppf(probability))
    return float(stats.t.ppf(probability, df))


def draw_t(cov: Floats, df: float, n: int, rng: np.random.Generator) -> Floats:
    """Return `n` zero-mean draws, shape (n, p), of the multivariate t with scale matrix `cov`."""
    values, vectors = np.linalg.eigh(cov)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    normal: Floats = rng.standard_normal((n, len(cov))) @ root.T
    if math.isinf(df):
        return normal
    scale: Floats = np.sqrt(df / rng.chisquare(df, size=(n, 1)))
    return normal * scale


def data_share(prior_sd: Floats, sd: Floats) -> Floats:
    """Return the share of each belief's variance that data removed, 0 (belief only) to 1."""
    return np.clip(1.0 - (sd / prior_sd) ** 2, 0.0, 1.0)


def conflict_sd(prior_mean: float, prior_sd: float, mean: float, sd: float) -> float:
    """Return how many spreads data and belief lie apart (signed; 0 when data say nothing).

    Before the data the estimate itself is expected to move by sqrt(prior variance - variance).
    """
    moved = prior_sd**2 - sd**2
    if moved <= 1e-6 * prior_sd**2:
        return 0.0
    return (mean - prior_mean) / math.sqrt(moved)


def _encode(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        items = {f.name: _encode(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"record": type(value).__name__, "fields": items}
    if isinstance(value, pd.DataFrame):
        columns = [[str(name), _encode(value[name])] for name in value.columns]
        return {"frame": columns, "index": _encode(value.index)}
    if isinstance(value, pd.Series):
        return {"series": _encode(value.to_numpy()), "index": _encode(value.index)}
    if isinstance(value, pd.Index):
        return None if isinstance(value, pd.RangeIndex) else [_encode(v) for v in value.tolist()]
    if isinstance(value, np.ndarray):
        return _encode_array(value)
    return _encode_plain(value)


def _encode_array(value: NDArray[Any]) -> dict[str, Any]:
    kind = value.dtype.kind
    if kind not in "fiub":
        return {"array": [_encode(item) for item in value.tolist()], "kind": "O"}
    return {"array": _encode_plain(value.tolist()), "kind": kind}


def _encode_plain(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        number = float(value)
        infinite = {"float": str(number)} if math.isinf(number) else number
        return None if math.isnan(number) else infinite
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, tuple):
        items = [_encode(item) for item in value]
        names = getattr(value, "_fields", None)
        if names is None:
            return {"tuple": items}
        return {"record": type(value).__name__, "fields": dict(zip(names, items, strict=True))}
    if isinstance(value, list):
        return [_encode(item) for item in value]
    if isinstance(value, Mapping):
        return {"dict": {str(key): _encode(item) for key, item in value.items()}}
    if value is None or isinstance(value, str | int | bool):
        return value
    raise TypeError(f"a saved result cannot hold a {type(value).__name__}")


def _decode(value: Any) -> Any:
    if isinstance(value, list):
        return [_decode(item) for item in value]
    if not isinstance(value, dict):
        return value
    if "float" in value:
        return float(value["float"])
    if "record" in value:
        fields = {name: _decode(item) for name, item in value["fields"].items()}
        return Record.kinds[value["record"]](**fields)
    if "dict" in value:
        return {key: _decode(item) for key, item in value["dict"].items()}
    if "tuple" in value:
        return tuple(_decode(item) for item in value["tuple"])
    if "frame" in value:
        index = value["index"]
        columns = {name: _decode(column) for name, column in value["frame"]}
        return pd.DataFrame(columns, index=None if index is None else _decode(index))
    if "series" in value:
        index = value["index"]
        return pd.Series(_decode(value["series"]), index=None if index is None else _decode(index))
    return _decode_array(value)


def _decode_array(value: dict[str, Any]) -> NDArray[Any]:
    kind, items = value["kind"], _decode(value["array"])
    if kind == "f":
        items = _nan_for_null(items)
    return np.asarray(items, dtype={"f": float, "i": int, "u": int, "b": bool, "O": object}[kind])


def _nan_for_null(items: Any) -> Any:
    if isinstance(items, list):
        return [_nan_for_null(item) for item in items]
    return math.nan if items is None else items
