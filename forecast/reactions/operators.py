"""In whose hands: operators against what is expected of them, by codes and never by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._notes import Note, notes_as_json
from forecast._plain import plain, plain_table
from forecast.causal.rates import Funnel, exact_interval, funnel_limits, normal_quantile

if TYPE_CHECKING:
    import pandas as pd

    from forecast.reactions.regime_odds import ReactionFit

FEWEST_SESSIONS = 20  # of an operator who is compared


@dataclass(frozen=True, slots=True, eq=False)
class OperatorFunnel:
    """How far operators differ, and which lie outside what chance allows.

    Attributes
    ----------
    table : DataFrame
        One row per operator code: ``sessions``, ``events``, ``expected`` (from what the operator
        met), ``adjusted_rate``, ``limit_low``, ``limit_high`` (for this operator, all
        comparisons allowed for), ``outside`` (above, below or empty), and the shrunken
        ``odds_ratio`` against the average operator with ``odds_low`` and ``odds_high``.
    target : float
        Rate per session over the operators that are not outside.
    dispersion : float
        Variance between operators over what chance gives; 1 when not beyond chance.
    spread, spread_interval : float or None, tuple
        Standard deviation between operators in log odds.
    shares : dict
        Variance of the log odds by source (operator, regime, case mix), summing to 1.
    level : float
        Of the intervals; also the chance that no operator is outside when all are alike.
    names : dict
        Code to the log's own operator. For the owner's eyes; not in ``to_dict`` or any figure.
    notes : tuple of Note
        Doubts.
    """

    table: pd.DataFrame
    target: float
    dispersion: float
    spread: float | None
    spread_interval: tuple[float | None, float | None]
    shares: dict[str, float]
    level: float
    names: dict[str, str]
    notes: tuple[Note, ...]

    @property
    def outside(self) -> dict[str, str]:
        """Codes of the operators outside, with "above" or "below"."""
        found = self.table[self.table["outside"] != ""]
        return dict(zip(found["operator"], found["outside"], strict=True))

    def limits(self, n_sessions: int, *, level: float) -> tuple[float, float]:
        """Return the exact limits of a rate over ``n_sessions``, drawn as the funnel."""
        return funnel_limits(n_sessions, self.target, level=level)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; operators by code only."""
        found = plain(self)
        del found["table"], found["names"]
        return {"operators": plain_table(self.table), **found, **notes_as_json(self.notes)}


def median_odds_ratio(spread: float) -> float:
    """Return the median odds ratio between two operators taken at random.

    Larsen & Merlo 2005 (Am J Epidemiol 161:81): ``exp(sqrt(2) spread 0.6745)``.

    Examples
    --------
    >>> round(median_odds_ratio(0.5), 2)
    1.61
    """
    return float(np.exp(np.sqrt(2) * spread * normal_quantile(0.75)))


def compare_operators(
    rows: pd.DataFrame,
    fit: ReactionFit,
    codes: Mapping[str, str],
    *,
    outcome: str,
    level: float,
) -> OperatorFunnel | None:
    """Return operators against what is expected of them, or None without two operators.

    Operators with fewer than 20 sessions are left out, and said so.
    """
    known = rows["operator_id"].notna()
    work = rows[known].assign(expected=fit.expected[known.to_numpy()])
    table = work.groupby("operator_id").agg(
        sessions=(outcome, "size"), events=(outcome, "sum"), expected=("expected", "sum")
    )
    few = table["sessions"] < FEWEST_SESSIONS
    table = table[~few]
    if len(table) < 2 or table["events"].sum() == 0:
        return None
    notes = []
    if few.any():
        left_out = {"operators": int(few.sum()), "least": FEWEST_SESSIONS}
        notes.append(Note("reactions.few_sessions", "info", left_out))
    if len(table) == 2:
        notes.append(Note("reactions.two_operators", "caution"))
    found = Funnel.of(table["events"], table["expected"], table["sessions"], level=level)
    if found.dispersion > 1:
        notes.append(Note("reactions.widened", "info", {"times": float(found.dispersion)}))
    model = fit.model
    return OperatorFunnel(
        table=_table(table, found, fit, codes, level),
        target=found.target,
        dispersion=found.dispersion,
        spread=None if model is None else model.spread,
        spread_interval=(None, None) if model is None else model.spread_interval(level=level),
        shares=_shares(fit),
        level=level,
        names={code: name for name, code in codes.items()},
        notes=tuple(notes),
    )


def _table(
    table: pd.DataFrame, found: Funnel, fit: ReactionFit, codes: Mapping[str, str], level: float
) -> pd.DataFrame:
    pairs = zip(table["events"], table["sessions"], strict=True)
    exact = np.array([exact_interval(int(events), int(n), level=level) for events, n in pairs])
    odds = _shrunken(fit, table.index, level)
    result = table.reset_index().assign(
        operator=[codes[name] for name in table.index],
        rate=(table["events"] / table["sessions"]).to_numpy(),
        exact_low=exact[:, 0],
        exact_high=exact[:, 1],
        expected=found.expected,
        adjusted_rate=found.share,
        limit_low=found.low,
        limit_high=found.high,
        outside=list(found.outside),
        odds_ratio=odds[:, 0],
        odds_low=odds[:, 1],
        odds_high=odds[:, 2],
    )
    front = ["operator", "sessions", "events", "rate"]
    rest = [name for name in result.columns if name not in (*front, "operator_id")]
    return result[front + rest].sort_values("operator", ignore_index=True)


def _shrunken(fit: ReactionFit, names: pd.Index[str], level: float) -> np.ndarray[Any, Any]:
    if fit.model is None:
        return np.full((len(names), 3), np.nan)
    at = [list(fit.model.groups).index(name) for name in names]
    effect, error = np.asarray(fit.model.effects)[at], np.asarray(fit.model.effect_errors)[at]
    reach = normal_quantile(0.5 + level / 2) * error
    return np.exp(np.column_stack([effect, effect - reach, effect + reach]))


def _shares(fit: ReactionFit) -> dict[str, float]:
    if fit.model is None:
        return {}
    variance = {"operator": fit.model.spread**2}
    if fit.regime.estimate is not None:
        variance["regime"] = float(np.var(fit.log_odds["regime"]))
    variance["case mix"] = float(np.var(fit.log_odds["case mix"]))
    total = sum(variance.values())
    return {name: value / total for name, value in variance.items()} if total > 0 else {}
