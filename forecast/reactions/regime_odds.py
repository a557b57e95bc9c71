"""Reactions by regime, adjusted: what the model is given, and when it must not answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import FloatArray
from forecast._checks import YEAR
from forecast._notes import Note, notes_as_json
from forecast._plain import plain
from forecast.causal.rates import (
    VERDICT,
    FittedMixedLogistic,
    MixedLogistic,
    cluster_inflation,
    fit_firth,
)
from forecast.errors import FitError
from forecast.tattoo import ink_group

Ends = tuple[float, float]
MODEL = MixedLogistic(nodes=9, shrink=1.0, spread_scale=1.0)
DENSITY = {"light": -1.0, "medium": 0.0, "heavy": 1.0}
# When the regime's answer is withheld, or comes with a doubt.
FEWEST_EVENTS = 5  # sessions with a reaction, and without, and clients who had one
MOST_WITHOUT_OPERATOR = 0.5  # share of sessions
LEAST_OVERLAP = 0.1  # share of the comparison that lies within operators
MOST_IN_ONE_HAND = 0.9  # share of that which lies within one of them
MOST_WITHOUT_FLUENCE = 0.2  # share of sessions, before it is said


@dataclass(frozen=True, slots=True)
class RegimeOdds:
    """Odds of a reaction after a ps session over those after an ns session."""

    estimate: float | None  # adjusted odds ratio; None where the log cannot tell
    interval: tuple[float | None, float | None]  # its profile interval
    unadjusted: float | None  # the same without any adjustment
    unadjusted_interval: tuple[float | None, float | None]
    verdict: str  # ``fewer``, ``more`` or ``cannot say``
    reasons: tuple[Note, ...]  # why; ``reason`` has them in words
    counts: dict[str, tuple[int, int]]  # per regime, reactions and sessions
    overlap: float  # share of the information on the regime that lies within operators, 0 to 1
    level: float
    # Estimate, low and high with calendar time held as well: a regime that came with a newly bought
    # laser came with everything else that changed. None where not worked out.
    with_calendar: tuple[float, float, float] | None = None

    @property
    def reason(self) -> str:
        """Why the verdict is what it is, in words."""
        return " ".join(map(str, self.reasons))

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        found = plain(self) | notes_as_json(self.reasons, "reason")
        found["reasons"] = self.reason
        return {"reason" if name == "reasons" else name: value for name, value in found.items()}


@dataclass(frozen=True, slots=True, eq=False)
class ReactionFit:
    """The regime's answer and the model behind it."""

    regime: RegimeOdds
    model: FittedMixedLogistic | None  # None with too few events or no operators to tell apart
    expected: FloatArray  # (n_rows,), chance in an average operator's hands, given what was met
    log_odds: dict[str, FloatArray]  # what regime and case mix add to each row's log odds
    notes: tuple[Note, ...]


def fit_regime(rows: pd.DataFrame, *, outcome: str, level: float) -> ReactionFit:
    """Return the regime's adjusted odds ratio for one outcome, or why there is none.

    The regime is compared within operators: the share of ps sessions of each operator is a
    covariate of its own, so that who fires is not taken for what is fired (Neuhaus & Kalbfleisch
    1998, Biometrics 54:638). The operators are compared by a second fit without it.
    """
    pairs = ((str(name), part[outcome]) for name, part in rows.groupby("regime"))
    counts = {name: (int(part.sum()), len(part)) for name, part in pairs}
    events = int(rows[outcome].sum())
    enough = FEWEST_EVENTS <= events <= len(rows) - FEWEST_EVENTS
    overlap, one_hand = _overlap(rows)
    having = rows.loc[rows[outcome] == 1, "client_id"].nunique()
    refusal = _refusal(rows, counts, (events, having), overlap, one_hand)
    columns, notes = _case_mix(rows)
    if refusal is None:
        columns = {"ps": _numbers(rows["regime"] == "ps")} | columns
    model = _Model(
        names=("intercept", *columns),
        X=np.column_stack([np.ones(len(rows)), *columns.values()]),
        y=rows[outcome].to_numpy(dtype=float),
        operators=rows["operator_id"].fillna("not recorded").to_numpy(),
        clients=rows["client_id"].to_numpy(dtype=object),
    )
    crew, odds = None, _unadjusted(counts, overlap, level)
    try:
        crew = model.fit() if enough and model.several else None
        if refusal is None:
            odds = _hold_calendar(_adjusted(odds, *model.within(level)), model, rows["treated_on"])
    except FitError:
        refusal = Note("reactions.not_settling", "serious")
    if refusal is not None:
        odds = replace(odds, reasons=(refusal,))
    parts, expected = {}, np.full(len(rows), float(model.y.mean()))
    if crew is not None:
        parts = model.parts(crew)
        expected = 1 / (1 + np.exp(-sum(parts.values(), start=np.zeros(len(rows)))))
    return ReactionFit(odds, crew, expected, parts, notes)


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """What the logistic model is told of each session."""

    names: tuple[str, ...]
    X: FloatArray
    y: FloatArray
    operators: npt.NDArray[np.object_]
    clients: npt.NDArray[np.object_]

    @property
    def several(self) -> bool:
        return len(set(self.operators)) > 1

    def plus(self, name: str, column: FloatArray) -> _Model:
        X = np.column_stack([self.X, column - column.mean()])
        return replace(self, names=(*self.names, name), X=X)

    def fit(self) -> FittedMixedLogistic:
        return MODEL.fit(self.X, self.y, self.operators, names=self.names)

    def within(self, level: float) -> tuple[float, Ends, Ends]:
        """Return the log odds ratio of the regime within operators, and its intervals.

        The first is at ``level``, the second at that of verdicts.
        """
        at = self.names.index("ps")
        if self.several:
            codes = np.unique(self.operators.astype(str), return_inverse=True)[1]
            share = (np.bincount(codes, self.X[:, at]) / np.bincount(codes))[codes]
            wider = self.plus("ps_share", share)
            fitted = wider.fit()
            centre, more = fitted.coefficients[at], {"inflation": wider.inflation(fitted)}
            interval: Callable[..., Ends] = partial(fitted.interval, "ps", **more)
        else:
            alone = fit_firth(self.X, self.y, names=self.names)
            chance = 1 / (1 + np.exp(-self.X @ alone.coefficients))
            more = {"inflation": cluster_inflation(self.X, self.y, chance, self.clients, at)}
            centre, interval = alone.coefficients[at], partial(alone.interval, "ps", **more)
        ends = {one: interval(level=one) for one in {level, VERDICT}}
        return float(centre), ends[level], ends[VERDICT]

    def inflation(self, fitted: FittedMixedLogistic) -> float:
        """Return how much wider the interval is as sessions of one client go together."""
        indicators = np.column_stack([self.operators == group for group in fitted.groups])
        eta = self.X @ fitted.coefficients + indicators @ fitted.effects
        inside = [n for n, name in enumerate(self.names) if name not in ("intercept", "ps_share")]
        design = np.column_stack([self.X[:, inside], indicators.astype(float)])
        column = inside.index(self.names.index("ps"))
        return cluster_inflation(design, self.y, 1 / (1 + np.exp(-eta)), self.clients, column)

    def parts(self, fitted: FittedMixedLogistic) -> dict[str, FloatArray]:
        """Return what the intercept, the regime and the case mix add to the log odds."""
        of = dict(zip(self.names, (self.X * fitted.coefficients).T, strict=True))
        base, zero = of.pop("intercept"), np.zeros(len(self.y))
        regime = of.pop("ps", zero)
        return {"base": base, "regime": regime, "case_mix": sum(of.values(), start=zero)}


# How much of the information on the regime lies within operators, and within one. Sessions of two
# regimes tell n_ns n_ps / (n_ns + n_ps). The first number is the sum of this over operators, over
# the same for all sessions together: 0 when each operator fires one regime only. The second is the
# largest operator's part of that sum.
def _overlap(rows: pd.DataFrame) -> tuple[float, float]:
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


def _refusal(
    rows: pd.DataFrame,
    counts: dict[str, tuple[int, int]],
    seen: tuple[int, int],
    overlap: float,
    one_hand: float,
) -> Note | None:
    events, having = seen  # sessions with a reaction, and clients who had one
    if set(counts) != {"ns", "ps"}:
        return Note("reactions.one_regime", "serious")
    few = (
        ("few_events", "sessions", events),
        ("few_without", "sessions", len(rows) - events),
        ("few_having", "clients", having),
    )
    for code, what, n in few:
        if n < FEWEST_EVENTS:
            return Note(f"reactions.{code}", "serious", {what: n, "least": FEWEST_EVENTS})
    operators = rows["operator_id"]
    if operators.isna().mean() > MOST_WITHOUT_OPERATOR:
        return Note("reactions.operators_not_recorded", "serious")
    if operators.nunique() < 2:
        return None
    if overlap < LEAST_OVERLAP:
        return Note("reactions.nobody_fires_both", "serious", {"percent": 100 * overlap})
    if one_hand > MOST_IN_ONE_HAND:
        return Note("reactions.one_operator_fires_both", "serious", {"percent": 100 * one_hand})
    return None


def _case_mix(rows: pd.DataFrame) -> tuple[dict[str, FloatArray], tuple[Note, ...]]:
    skin, inks = rows["skin_type"], rows["inks"]
    fluence, notes = _fluence(rows)
    columns: dict[str, FloatArray] = {
        "skin_iv": _numbers(skin == "IV"),
        "skin_v_vi": _numbers(skin.isin(["V", "VI"])),
        "colour": _numbers(inks.map(ink_group) != "black"),
        "density": _numbers(rows["ink_density"].map(DENSITY)),
        "fluence_doublings": fluence,
    }
    return {name: value for name, value in columns.items() if np.ptp(value) > 0}, notes


# Doublings of fluence over the regime's own median, 0 where not recorded: the two regimes work at
# different fluences by nature, so that fluence as such would take the place of the regime.
def _fluence(rows: pd.DataFrame) -> tuple[FloatArray, tuple[Note, ...]]:
    given = rows["fluence_j_cm2"].astype(float)
    given = given.where(given > 0)
    missing = float(given.isna().mean())
    if missing == 1:
        return np.zeros(len(rows)), (Note("reactions.no_fluence", "caution"),)
    usual = given.groupby(rows["regime"].fillna("")).transform("median")
    notes = [Note("reactions.fluence")]
    if missing > MOST_WITHOUT_FLUENCE:
        notes.append(Note("reactions.fluence_missing", "caution", {"percent": 100 * missing}))
    return np.nan_to_num(np.log2(_numbers(given / usual))), tuple(notes)


def _numbers(column: pd.Series) -> FloatArray:
    return np.asarray(column, dtype=np.float64)


def _unadjusted(counts: dict[str, tuple[int, int]], overlap: float, level: float) -> RegimeOdds:
    none = (None, None)
    answer = RegimeOdds(None, none, None, none, "cannot say", (), counts, overlap, level)
    if set(counts) != {"ns", "ps"}:
        return answer
    happened, trials = np.array([counts["ns"], counts["ps"]], dtype=float).T
    design = np.array([[1.0, 0.0], [1.0, 1.0]])
    fit = fit_firth(design, happened, trials=trials, names=("intercept", "ps"))
    centre, low, high = np.exp([fit.coefficients[1], *fit.interval("ps", level=level)]).tolist()
    return replace(answer, unadjusted=centre, unadjusted_interval=(low, high))


def _adjusted(crude: RegimeOdds, centre: float, shown: Ends, decides: Ends) -> RegimeOdds:
    low, high = decides
    verdict = "fewer" if high < 0 else "more" if low > 0 else "cannot say"
    code = "reactions.not_settled" if verdict == "cannot say" else "reactions.settled"
    reason = Note(code, "info", {"low": float(np.exp(low)), "high": float(np.exp(high))})
    estimate, *ends = np.exp([centre, *shown]).tolist()
    return replace(
        crude, estimate=estimate, interval=tuple(ends), verdict=verdict, reasons=(reason,)
    )


def _hold_calendar(odds: RegimeOdds, model: _Model, treated_on: pd.Series) -> RegimeOdds:
    days = (treated_on - treated_on.min()).dt.days
    years = _numbers((days / YEAR).fillna((days / YEAR).mean()))
    if not np.isfinite(years).all() or np.ptp(years) < 1:
        return odds
    centre, shown, decides = model.plus("years", years).within(odds.level)
    (low, high), reasons = np.exp(decides).tolist(), odds.reasons
    if odds.verdict != "cannot say" and low < 1 < high:
        reasons += (Note("reactions.calendar", "caution", {"low": low, "high": high}),)
    return replace(odds, with_calendar=tuple(np.exp([centre, *shown]).tolist()), reasons=reasons)
