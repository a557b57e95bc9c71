"""Reactions in the log: how often, after which regime, in whose hands, and what cannot be said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from forecast._checks import check_level, nearest
from forecast._notes import Note, Sentence, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result, fields_of, plain
from forecast.causal.rates import Funnel, exact_interval
from forecast.errors import DataError, RequestError
from forecast.log import OutcomeLog
from forecast.reactions.regime_odds import ReactionFit, RegimeOdds, fit_regime
from forecast.reactions.rows import (
    OUTCOMES,
    operator_codes,
    rate_table,
    rate_text,
    session_rows,
    under_recording,
)

FEWEST_SESSIONS = 20  # of an operator who is compared


@dataclass(frozen=True, slots=True, eq=False)
class OperatorFunnel:
    """How far operators differ, and which lie outside what chance allows.

    Attributes
    ----------
    table : DataFrame
        One row per operator code: ``sessions, events, rate, exact_low, exact_high``; ``expected``
        events from what the operator met; ``adjusted_rate`` with ``limit_low, limit_high``, all
        comparisons allowed for; ``outside`` ("above", "below" or empty); the shrunken
        ``odds_ratio`` against the average operator with ``odds_low, odds_high``.
    target : float
        Rate per session over the operators that are not outside.
    dispersion : float
        Variance between operators over what chance gives, 1 when not beyond chance.
    spread, spread_interval : float or None, tuple
        Standard deviation between operators in log odds.
    shares : dict of float
        Of the variance of the log odds, by operator, regime and case mix, summing to 1.
    level : float
        Of the intervals, and the chance that no operator is outside when all are alike.
    names : dict of str
        The log's own name by code: for the owner's eyes, not in ``to_dict`` or any figure.
    notes : tuple of Note
        Doubts.

    Examples
    --------
    >>> found = forecast.fit_reactions(log).operators
    >>> found.outside, round(found.target, 3)  # reactions per session; nobody stands out
    ({}, 0.039)
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

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; operators by code only."""
        found = plain(self)
        del found["names"]
        return {"operators": found.pop("table"), **found, **notes_as_json(self.notes)}


def compare_operators(
    rows: pd.DataFrame, fit: ReactionFit, codes: Mapping[str, str], *, outcome: str, level: float
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
    odds = np.full((len(table), 3), np.nan)
    if fit.model is not None:
        at = [fit.model.groups.index(name) for name in table.index]
        effect, error = fit.model.effects[at], fit.model.effect_errors[at]
        reach = NormalDist().inv_cdf(0.5 + level / 2) * error
        odds = np.exp(np.column_stack([effect, effect - reach, effect + reach]))
    result = pd.DataFrame(
        {
            "operator": [codes[name] for name in table.index],
            "sessions": table["sessions"].to_numpy(),
            "events": table["events"].to_numpy(),
            "rate": (table["events"] / table["sessions"]).to_numpy(),
            "expected": found.expected,
            **dict(zip(("exact_low", "exact_high"), exact.T, strict=True)),
            "adjusted_rate": found.share,
            "limit_low": found.low,
            "limit_high": found.high,
            "outside": list(found.outside),
            **dict(zip(("odds_ratio", "odds_low", "odds_high"), odds.T, strict=True)),
        }
    )
    return result.sort_values("operator", ignore_index=True)


def _shares(fit: ReactionFit) -> dict[str, float]:
    if fit.model is None:
        return {}
    variance = {"operator": fit.model.spread**2}
    if fit.regime.estimate is not None:
        variance["regime"] = float(np.var(fit.log_odds["regime"]))
    variance["case_mix"] = float(np.var(fit.log_odds["case_mix"]))
    total = sum(variance.values())
    return {name: value / total for name, value in variance.items()} if total > 0 else {}


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ReactionReport(Result):
    """What the log says about reactions.

    Attributes
    ----------
    outcome : str
        "any", "lasting", "transient" or one kind of reaction.
    n_courses, n_clients, n_sessions, n_events : int
        What it rests on; ``n_events`` sessions were followed by the outcome.
    regime : RegimeOdds
        Odds after ps against ns, adjusted, with a verdict.
    difference : tuple of float, or None
        Interval of the rate per session, ps minus ns, unadjusted (Newcombe 1998, Stat Med 17:873,
        method 10).
    operators : OperatorFunnel or None
        Set against each other; None with fewer than two.
    rates : DataFrame
        ``unit, by, group, outcome, events, n, rate`` with Wilson's and exact limits, per session
        and per course, operators by code.
    warnings, notes : tuple of Note
        Signs of under-recording, and doubts.
    level : float
        What intervals are to cover.

    Examples
    --------
    >>> found = forecast.fit_reactions(log)
    >>> print(found.rate("any"), "-", found.regime.verdict)
    49 of 1,268: 3.9 % (2.9 to 5.1 %) - cannot say
    """

    outcome: str
    n_courses: int
    n_clients: int
    n_sessions: int
    n_events: int
    regime: RegimeOdds
    difference: tuple[float, float] | None
    operators: OperatorFunnel | None
    rates: pd.DataFrame
    warnings: tuple[Note, ...]
    level: float
    notes: tuple[Note, ...]

    def rate(
        self, outcome: str, *, unit: str = "session", by: str = "all", group: str = "all"
    ) -> str:
        """Return one rate in words, for example ``"0 of 140: at most 2.6 %"``.

        Raises RequestError if the report holds no such rate.
        """
        table = self.rates
        wanted = {"unit": unit, "by": by, "group": group, "outcome": outcome}
        for column, value in wanted.items():
            known = table[column].unique()
            if value not in known:
                raise RequestError(
                    f"There is no {column} {value!r} in the rates.",
                    f"Give one of {', '.join(map(str, known))}.{nearest(value, known)}",
                )
            table = table[table[column] == value]
        return rate_text(int(table["events"].iloc[0]), int(table["n"].iloc[0]), level=self.level)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; operators by code only."""
        said = notes_as_json(self.warnings, "warning") | notes_as_json(self.notes)
        return {**plain(self), **said}

    def lines(self, language: str) -> list[str]:
        """Return the report in words."""
        code = {"fewer": "fewer", "more": "more"}.get(self.regime.verdict, "unclear")
        lines: list[str] = [
            sentence(f"reactions.{code}", {"reasons": self.regime.reasons}),
            sentence("reactions.operators", {"said": self._who_stands_out()}),
        ]
        for outcome in ("any", "lasting", "transient"):
            per = {unit: self.rate(outcome, unit=unit) for unit in ("session", "course")}
            lines.append(sentence("reactions.rates", {"outcome": outcome, **per}))
        counts = sentence("reactions.counts", fields_of(self))
        lines += ["", sentence("reactions.head_regime")]
        lines += [*self._regime_lines(), "", sentence("reactions.head_operators")]
        lines += self._operator_lines()
        if self.warnings:
            lines += ["", sentence("reactions.head_warnings"), *map(Sentence, self.warnings)]
        return [*lines, "", *bullets((counts, *self.notes))]

    def _regime_lines(self) -> list[Sentence]:
        lines = [self._rate_of(*one) for one in self.regime.counts.items()]
        if self.difference is not None:
            low, high = (100 * end for end in self.difference)
            lines.append(sentence("reactions.difference", {"low": low, "high": high}))
        adjusted = (self.regime.estimate, *self.regime.interval)
        found = {"odds": adjusted, "odds_calendar": self.regime.with_calendar or (None,)}
        return lines + [
            sentence(f"reactions.{code}", dict(zip(("n", "low", "high"), ends, strict=True)))
            for code, ends in found.items()
            if ends[0] is not None
        ]

    def _rate_of(self, who: str, counts: tuple[int, int]) -> Sentence:
        rate = rate_text(*counts, level=self.level)
        return sentence("reactions.rate_of", {"who": who, "rate": rate})

    def _operator_lines(self) -> list[Sentence]:
        found = self.operators
        if found is None:
            return [sentence("reactions.fewer_than_two")]
        lines = []
        for row in found.table.to_dict("records"):
            rate = self._rate_of(row["operator"], (row["events"], row["sessions"]))
            values = {"rate": rate, "expected": row["expected"]}
            lines.append(sentence(f"reactions.expected_{row['outside'] or 'within'}", values))
        lines.append(sentence("reactions.who_is_a"))
        if found.spread is None:
            return [*lines, sentence("reactions.spread_unknown")]
        ends = (found.spread, *(end or 0.0 for end in found.spread_interval))
        # between two operators at random (Larsen & Merlo 2005, Am J Epidemiol 161:81)
        between = (float(np.exp(2**0.5 * end * NormalDist().inv_cdf(0.75))) for end in ends)
        factors = dict(zip(("n", "low", "high"), between, strict=True))
        lines.append(sentence("reactions.spread", factors))
        parts = [
            sentence("reactions.share", {"what": name, "share": share})
            for name, share in found.shares.items()
        ]
        lines += [sentence("reactions.shares", {"parts": parts})] * bool(parts)
        lines += [sentence("reactions.regime_unknown")] * (self.regime.estimate is None)
        return [*lines, *map(Sentence, found.notes)]

    def _who_stands_out(self) -> Note:
        found = self.operators
        if found is None:
            return Note("reactions.fewer_than_two")
        if found.outside:
            said = [
                Note(f"reactions.outside_{side}", values={"who": who})
                for who, side in found.outside.items()
            ]
            return Note("reactions.outside", values={"said": said})
        widened = any(note.code == "reactions.widened" for note in found.notes)
        return Note("reactions.all_vary" if widened else "reactions.none_outside")


def fit_reactions(log: OutcomeLog, *, outcome: str = "any", level: float = 0.95) -> ReactionReport:
    """Return how often reactions happen, after which regime and in whose hands.

    Parameters
    ----------
    log : OutcomeLog
        A checked log with a reactions table.
    outcome : str
        "any", "lasting", "transient", or one kind of reaction.
    level : float
        What the intervals are to cover.

    Raises
    ------
    DataError
        If the log has no session.
    RequestError
        If the outcome is not known.

    Notes
    -----
    Rates with exact and Wilson intervals; the regime by a logistic model with operators as random
    effects and weak log-F priors (`mixed_logistic`), compared within operators; operators by a
    funnel with exact limits (`funnel`). Sessions are the exposure. Intervals of the regime are
    widened when sessions of one client go together.

    Examples
    --------
    >>> fit_reactions(log).n_courses
    150
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    check_level(level)
    if outcome not in OUTCOMES:
        values = {"given": outcome, "known": OUTCOMES, "hint": nearest(outcome, OUTCOMES)}
        raise RequestError(*problem_and_remedy("refused.no_outcome", values))
    rows = session_rows(log)
    if rows.empty:
        raise DataError(*problem_and_remedy("refused.none_treated"))
    codes = operator_codes(rows)
    fit = fit_regime(rows, outcome=outcome, level=level)
    counts, difference = fit.regime.counts, None
    if set(counts) == {"ns", "ps"}:
        both, how = (*counts["ps"], *counts["ns"]), {"method": "newcomb", "alpha": 1 - level}
        low, high = map(float, confint_proportions_2indep(*both, **how))
        difference = low, high
    return ReactionReport(
        outcome=outcome,
        n_courses=int(rows["course_id"].nunique()),
        n_clients=int(rows["client_id"].nunique()),
        n_sessions=len(rows),
        n_events=int(rows[outcome].sum()),
        regime=fit.regime,
        difference=difference,
        operators=compare_operators(rows, fit, codes, outcome=outcome, level=level),
        rates=rate_table(rows, codes, level=level),
        warnings=under_recording(log),
        level=level,
        notes=(*_notes(log, rows), *fit.notes),
    )


def _notes(log: OutcomeLog, rows: pd.DataFrame) -> list[Note]:
    notes = []
    if not len(log.sessions):
        notes.append(Note("reactions.no_sessions_table", "caution"))
    known = set(zip(rows["course_id"], rows["session_no"], strict=True))
    after = zip(log.reactions["course_id"], log.reactions["after_session"], strict=True)
    if lost := sum(session not in known for session in after):
        notes.append(Note("reactions.unmatched", "caution", {"reactions": lost}))
    if unsure := int((~log.reactions["lasting"].isin(["yes", "no"])).sum()):
        values = {"unsure": unsure, "reactions": len(log.reactions)}
        notes.append(Note("reactions.lasting_unknown", "caution", values))
    return [*notes, Note("reactions.only_what_was_recorded")]
