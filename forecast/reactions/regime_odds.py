"""Reactions by regime, adjusted: what the model is told, and when it must not answer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._types import FloatArray
from forecast.causal.rates import FittedMixedLogistic, MixedLogistic, cluster_inflation, fit_firth
from forecast.reactions.rows import case_mix, numbers

if TYPE_CHECKING:
    import pandas as pd

MODEL = MixedLogistic(nodes=9, shrink=1.0, spread_scale=1.0)
FEWEST_EVENTS = 5
YEAR_DAYS = 365.25
LEAST_OVERLAP = 0.1
MOST_IN_ONE_HAND = 0.9
ADJUSTED = "skin type, ink colour, ink density, fluence and operator"


@dataclass(frozen=True, slots=True)
class RegimeOdds:
    """Odds of a reaction after a ps session over those after an ns session.

    Attributes
    ----------
    estimate : float or None
        Adjusted odds ratio; None where the log cannot tell.
    interval : tuple
        Its profile interval, (None, None) where the log cannot tell.
    unadjusted, unadjusted_interval : float or None, tuple
        The same without any adjustment.
    verdict : str
        ``fewer``, ``more`` or ``cannot say``.
    reason : str
        Why, in words.
    counts : dict
        Per regime, reactions and sessions.
    overlap : float
        Share of the information on the regime that lies within operators, 0 to 1.
    level : float
        What the intervals are to cover.
    with_calendar : tuple
        Estimate, low and high with calendar time held as well: a regime that came with a newly
        bought laser came with everything else that changed. None where not worked out.
    """

    estimate: float | None
    interval: tuple[float | None, float | None]
    unadjusted: float | None
    unadjusted_interval: tuple[float | None, float | None]
    verdict: str
    reason: str
    counts: dict[str, tuple[int, int]]
    overlap: float
    level: float
    with_calendar: tuple[float, float, float] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "estimate": self.estimate,
            "interval": list(self.interval),
            "unadjusted": self.unadjusted,
            "unadjusted_interval": list(self.unadjusted_interval),
            "verdict": self.verdict,
            "reason": self.reason,
            "counts": {name: list(pair) for name, pair in self.counts.items()},
            "overlap": self.overlap,
            "level": self.level,
            "with_calendar": None if self.with_calendar is None else list(self.with_calendar),
        }


@dataclass(frozen=True, slots=True, eq=False)
class ReactionFit:
    """The regime's answer and the model behind it.

    Attributes
    ----------
    regime : RegimeOdds
        The answer.
    model : FittedMixedLogistic or None
        None where there are too few events or no operators to tell apart.
    expected : ndarray of shape (n_rows,)
        Chance of the outcome in an average operator's hands, given what the operator met.
    log_odds : dict of str to ndarray
        What regime and case mix add to each row's log odds.
    notes : tuple of str
        Doubts.
    """

    regime: RegimeOdds
    model: FittedMixedLogistic | None
    expected: FloatArray
    log_odds: dict[str, FloatArray]
    notes: tuple[str, ...]


def regime_overlap(rows: pd.DataFrame) -> tuple[float, float]:
    """Return how much of the information on the regime lies within operators, and within one.

    Sessions of two regimes tell ``n_ns n_ps / (n_ns + n_ps)``. The first number is the sum of
    this over operators, over the same for all sessions together: 0 when each operator fires one
    regime only. The second is the largest operator's part of that sum.
    """
    known = rows[rows["operator_id"].notna() & rows["regime"].notna()]
    pulse = (known["regime"] == "ps").to_numpy(dtype=float)
    if not 0 < pulse.sum() < len(pulse):
        return 0.0, 1.0
    by_operator = known.assign(ps=pulse, ns=1 - pulse).groupby("operator_id")[["ns", "ps"]].sum()
    ns, ps = by_operator["ns"].to_numpy(dtype=float), by_operator["ps"].to_numpy(dtype=float)
    within = ns * ps / (ns + ps)
    if within.sum() == 0:
        return 0.0, 1.0
    whole = ns.sum() * ps.sum() / (ns.sum() + ps.sum())
    return float(within.sum() / whole), float(within.max() / within.sum())


def fit_regime(rows: pd.DataFrame, *, outcome: str, level: float) -> ReactionFit:
    """Return the regime's adjusted odds ratio for one outcome, or why there is none.

    The regime is compared within operators: the share of ps sessions of each operator is a
    covariate of its own, so that who fires is not taken for what is fired (Neuhaus & Kalbfleisch
    1998, Biometrics 54:638). The operators are compared by a second fit without it.
    """
    pairs = ((str(name), part[outcome]) for name, part in rows.groupby("regime"))
    counts = {name: (int(part.sum()), len(part)) for name, part in pairs}
    events = int(rows[outcome].sum())
    overlap, one_hand = regime_overlap(rows)
    refusal = _refusal(rows, counts, events, overlap, one_hand)
    columns, notes = case_mix(rows)
    y = rows[outcome].to_numpy(dtype=float)
    if not refusal:
        columns = {"ps": numbers(rows["regime"] == "ps")} | columns
    names = ("intercept", *columns)
    X = np.column_stack([np.ones(len(rows)), *columns.values()])
    groups = rows["operator_id"].fillna("not recorded").to_numpy()
    several = events >= FEWEST_EVENTS and len(set(groups)) > 1
    crew = MODEL.fit(X, y, groups, names=names) if several else None
    odds = _unadjusted(counts, overlap, level, refusal)
    if not refusal:
        odds = _adjusted(odds, *_within(rows, X, y, names, several, level))
        odds = _hold_calendar(odds, rows, X, y, names, several)
    parts = _log_odds(crew, names, X)
    return ReactionFit(odds, crew, _expected(crew, parts, y), parts, notes)


def _refusal(
    rows: pd.DataFrame,
    counts: dict[str, tuple[int, int]],
    events: int,
    overlap: float,
    one_hand: float,
) -> str:
    if set(counts) != {"ns", "ps"}:
        return "The log does not hold sessions of both regimes."
    if events < FEWEST_EVENTS:
        return f"{events} session(s) had this reaction: too few to compare."
    operators = rows["operator_id"]
    if operators.isna().mean() > 0.5:
        return "Who fired is mostly not recorded, so regime and operator cannot be told apart."
    if len(set(operators.dropna())) < 2:
        return ""
    if overlap < LEAST_OVERLAP:
        return (
            "Regime and operator cannot be told apart: hardly any operator fires both regimes"
            f" ({100 * overlap:.0f} % of the comparison lies within operators)."
        )
    if one_hand > MOST_IN_ONE_HAND:
        return (
            "Regime and operator cannot be told apart: only one operator fires both regimes"
            f" ({100 * one_hand:.0f} % of the comparison lies within that operator)."
        )
    return ""


def _adjusted(crude: RegimeOdds, centre: float, low: float, high: float) -> RegimeOdds:
    verdict = "fewer" if high < 0 else "more" if low > 0 else "cannot say"
    ends = (float(np.exp(low)), float(np.exp(high)))
    return replace(
        crude,
        estimate=float(np.exp(centre)),
        interval=ends,
        verdict=verdict,
        reason=_reason(verdict, ends),
    )


def _hold_calendar(
    odds: RegimeOdds,
    rows: pd.DataFrame,
    X: FloatArray,
    y: FloatArray,
    names: tuple[str, ...],
    several: bool,
) -> RegimeOdds:
    """Return the odds with what they are when calendar time is held as well."""
    days = (rows["treated_on"] - rows["treated_on"].min()).dt.days
    years = numbers((days / YEAR_DAYS).fillna((days / YEAR_DAYS).mean()))
    if not np.isfinite(years).all() or np.ptp(years) < 1:
        return odds
    wider = np.column_stack([X, years - years.mean()])
    found = np.exp(_within(rows, wider, y, (*names, "years"), several, odds.level))
    centre, low, high = (float(value) for value in found)
    reason = odds.reason
    if odds.verdict != "cannot say" and low < 1 < high:
        reason += (
            f" With calendar time held as well they lie between {low:.2g} and {high:.2g} times:"
            " what else changed over the years may be part of it."
        )
    return replace(odds, with_calendar=(centre, low, high), reason=reason)


def _within(
    rows: pd.DataFrame,
    X: FloatArray,
    y: FloatArray,
    names: tuple[str, ...],
    several: bool,
    level: float,
) -> tuple[float, float, float]:
    """Return the log odds ratio of the regime within operators, and its interval."""
    at = names.index("ps")
    if not several:
        plain = fit_firth(X, y, names=names)
        return float(plain.coefficients[at]), *plain.interval("ps", level=level)
    groups = rows["operator_id"].fillna("not recorded")
    codes = np.unique(groups.to_numpy(dtype=str), return_inverse=True)[1]
    share = (np.bincount(codes, X[:, at]) / np.bincount(codes))[codes]
    wider = np.column_stack([X, share - share.mean()])
    named = (*names, "ps_share")
    model = MODEL.fit(wider, y, groups.to_numpy(), names=named)
    inflation = _inflation(rows, model, wider, y, named)
    low, high = model.interval("ps", level=level, inflation=inflation)
    return float(model.coefficients[at]), low, high


def _reason(verdict: str, ends: tuple[float, float]) -> str:
    span = f"between {ends[0]:.2g} and {ends[1]:.2g} times"
    if verdict == "cannot say":
        return f"The odds after ps lie {span} those after ns: the log does not settle it."
    return f"The odds after ps lie {span} those after ns, adjusted for {ADJUSTED}."


def _unadjusted(
    counts: dict[str, tuple[int, int]], overlap: float, level: float, refusal: str
) -> RegimeOdds:
    answer = RegimeOdds(
        None, (None, None), None, (None, None), "cannot say", refusal, counts, overlap, level
    )
    if set(counts) != {"ns", "ps"}:
        return answer
    happened = np.array([counts["ns"][0], counts["ps"][0]], dtype=float)
    trials = np.array([counts["ns"][1], counts["ps"][1]], dtype=float)
    design = np.array([[1.0, 0.0], [1.0, 1.0]])
    fit = fit_firth(design, happened, trials=trials, names=("intercept", "ps"))
    low, high = np.exp(fit.interval("ps", level=level))
    return replace(
        answer,
        unadjusted=float(np.exp(fit.coefficients[1])),
        unadjusted_interval=(float(low), float(high)),
    )


def _inflation(
    rows: pd.DataFrame,
    model: FittedMixedLogistic,
    X: FloatArray,
    y: FloatArray,
    names: tuple[str, ...],
) -> float:
    operators = rows["operator_id"].fillna("not recorded").to_numpy()
    indicators = np.column_stack([(operators == group) for group in model.groups]).astype(float)
    eta = X @ model.coefficients + indicators @ model.effects
    inside = [at for at, name in enumerate(names) if name not in ("intercept", "ps_share")]
    design = np.column_stack([X[:, inside], indicators])
    column = inside.index(names.index("ps"))
    share = 1 / (1 + np.exp(-eta))
    return cluster_inflation(design, y, share, rows["client_id"].to_numpy(dtype=object), column)


def _log_odds(
    model: FittedMixedLogistic | None, names: tuple[str, ...], X: FloatArray
) -> dict[str, FloatArray]:
    if model is None:
        return {}
    terms = X * model.coefficients
    of = {name: terms[:, at] for at, name in enumerate(names)}
    zero = np.zeros(len(X))
    others = [of[name] for name in names if name not in ("intercept", "ps")]
    return {
        "base": of["intercept"],
        "regime": of.get("ps", zero),
        "case mix": np.sum(others, axis=0) if others else zero,
    }


def _expected(
    model: FittedMixedLogistic | None, parts: dict[str, FloatArray], y: FloatArray
) -> FloatArray:
    if model is None:
        return np.full(len(y), float(y.mean()))
    eta: FloatArray = np.sum(list(parts.values()), axis=0)
    return np.asarray(1 / (1 + np.exp(-eta)), dtype=np.float64)
