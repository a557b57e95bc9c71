"""Reactions in the log: how often, after which regime, in whose hands, and signs of silence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from forecast._checks import check_level, nearest
from forecast._notes import Note, Sentence, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result, fields_of, plain
from forecast.causal.rates import VERDICT, Funnel, exact_interval
from forecast.errors import DataError, RequestError
from forecast.log import OutcomeLog, column
from forecast.reactions.regime_odds import ReactionFit, RegimeOdds, fit_regime

KINDS = column("reactions", "reaction").levels
OUTCOMES = ("any", "lasting", "transient", *KINDS)
SMALLEST_GROUP = 5  # sessions or courses, for a rate of their own
_HOW = ["treated_on", "regime", "laser_id", "fluence_j_cm2", "operator_id"]
_WHO = ["client_id", "skin_type", "inks", "ink_density", "started_on"]
_BY = ["all", "regime", "skin_type", "operator", "laser"]
FEWEST_SESSIONS = 20  # of an operator who is compared


def session_rows(log: OutcomeLog) -> pd.DataFrame:
    """Return one row per session: who, how, and one yes/no column per outcome.

    ``lasting`` and ``transient`` are sessions followed by a reaction recorded as lasting "yes"
    or "no"; a reaction without that entry counts only under ``any`` and its kind. Without a
    sessions table the rows follow ``sessions_given``, and how each was done is not known.
    """
    if len(log.sessions):
        rows = log.each_session[["course_id", "session_no", *_HOW]]
    else:
        given = log.courses["sessions_given"].to_numpy()
        rows = log.courses[["course_id"]].loc[log.courses.index.repeat(given)]
        rows = rows.assign(session_no=rows.groupby("course_id").cumcount() + 1)
        rows = rows.assign(**dict.fromkeys(_HOW))
    rows = rows.merge(log.courses[["course_id", *_WHO]], on="course_id", how="inner")
    kind, lasting = log.reactions["reaction"], log.reactions["lasting"]
    seen = log.reactions[["course_id", "after_session"]].assign(
        any=1,
        lasting=(lasting == "yes").astype(int),
        transient=(lasting == "no").astype(int),
        **{name: (kind == name).astype(int) for name in KINDS},
    )
    keys = ["course_id", "session_no"]
    seen = seen.rename(columns={"after_session": "session_no"})
    most = seen.groupby(keys, as_index=False)[list(OUTCOMES)].max()
    rows = rows.merge(most, on=keys, how="left").reset_index(drop=True)
    rows[list(OUTCOMES)] = rows[list(OUTCOMES)].fillna(0).astype(int)
    return rows


def operator_codes(rows: pd.DataFrame) -> dict[str, str]:
    """Return a code for each operator, "A" the one with most sessions: names stay here."""
    counts = rows["operator_id"].value_counts()
    order = sorted(counts.index, key=lambda name: (-counts[name], name))
    return {name: _letters(at) for at, name in enumerate(order)}


def _letters(at: int) -> str:
    first, last = divmod(at, 26)
    return (_letters(first - 1) if first else "") + chr(65 + last)


def rate_table(rows: pd.DataFrame, codes: Mapping[str, str], *, level: float) -> pd.DataFrame:
    """Return rates per session and per course, overall and by regime, skin type, operator, laser.

    A course belongs to a regime, operator or laser when all its sessions do, else to "several".
    Groups of fewer than five have no rate, and none has one where no reaction is recorded.
    """
    from statsmodels.stats.proportion import proportion_confint

    sessions = rows.assign(
        all="all",
        regime=rows["regime"].fillna("not recorded"),
        operator=rows["operator_id"].map(codes).fillna("not recorded"),
        laser=rows["laser_id"].fillna("not recorded"),
    )
    numbers = sessions[_BY].apply(lambda names: names.factorize()[0])  # texts take far longer
    each = numbers.groupby(sessions["course_id"])
    one, by_course = each.min() == each.max(), sessions.groupby("course_id")
    courses = by_course[_BY].first().where(one, "several").join(by_course[list(OUTCOMES)].max())
    lines = [
        (unit, by, group, outcome, int(events), len(part))
        for unit, frame in (("session", sessions), ("course", courses))
        for by in _BY
        for group, part in frame.groupby(by)
        for outcome, events in part[list(OUTCOMES)].sum().items()
    ]
    table = pd.DataFrame(lines, columns=["unit", "by", "group", "outcome", "events", "n"])
    events, n = table["events"].to_numpy(), table["n"].to_numpy()
    found = {"rate": events / n}
    for name, method in (("wilson", "wilson"), ("exact", "beta")):
        low, high = proportion_confint(events, n, alpha=1 - level, method=method)
        # without rounding at the ends
        found[f"{name}_low"] = np.where(events > 0, low, 0.0)
        found[f"{name}_high"] = np.where(events < n, high, 1.0)
    unsaid = (n < SMALLEST_GROUP) | (not rows["any"].any())
    return table.assign(**{k: np.where(unsaid, np.nan, v) for k, v in found.items()})


def rate_text(events: int, n: int, *, level: float = 0.95) -> Sentence:
    """Return a rate in words, with its exact limits."""
    shares = (events / n, *exact_interval(events, n, level=level))
    percents = (float(f"{100 * one:.2g}") for one in shares)
    values = dict(zip(("percent", "low", "high"), percents, strict=True))
    code = "reactions.rate" if events else "reactions.rate_none"
    return sentence(code, {"events": events, "n": n, **values})


# AU15: blisters in 32 % of patients treated with a picosecond laser; REILLY23: lasting or
# pigment-related complications in 5.57 % of 2,118 tattoos. A log whose upper limit stays below a
# tenth of the one or half of the other is more likely silent than safe.
LEAST_SHARE = {"blister": 0.032, "any": 0.028}
FEWEST_COURSES = 50
FEWEST_LASTING = 5
SILENT_AT = 0.001  # chance of a silence below which it is surprising
QUIET_MONTHS = 12


def under_recording(log: OutcomeLog) -> tuple[Note, ...]:
    """Return warnings that the log's reactions look under-recorded, empty when they do not.

    Nothing here shows that reactions were missed; each warning says what would be surprising if
    all were written down. Exact binomial limits throughout.

    Examples
    --------
    >>> silent = forecast.OutcomeLog.from_frames(log.courses)
    >>> print(under_recording(silent)[0])
    No reaction is recorded in 1,268 sessions: the log says nothing about safety.
    """
    rows = session_rows(log)
    if not rows["any"].any():
        return (Note("reactions.none_recorded", "serious", {"sessions": len(rows)}),)
    signs = [*_too_few(rows)]
    lasting, transient = (int((log.reactions["lasting"] == one).sum()) for one in ("yes", "no"))
    if lasting >= FEWEST_LASTING and lasting > transient:
        found = {"lasting": lasting, "transient": transient}
        signs.append(Note("reactions.lasting_only", "serious", found))
    return (*signs, *_silent_operators(rows), *_gone_quiet(rows))


def _too_few(rows: pd.DataFrame) -> Iterator[Note]:
    n_courses = int(rows["course_id"].nunique())
    if n_courses < FEWEST_COURSES:
        return
    for outcome, least in LEAST_SHARE.items():
        having = int(rows.groupby("course_id")[outcome].max().sum())
        most = exact_interval(having, n_courses, level=0.9)[1]  # 95 % one-sided
        if most < least:
            found = {"having": having, "courses": n_courses, "sessions": len(rows)}
            yield Note(f"reactions.few_{outcome}", "serious", found | {"percent": 100 * most})


def _silent_operators(rows: pd.DataFrame) -> Iterator[Note]:
    by_operator = rows.groupby("operator_id")["any"].agg(["sum", "size"])
    silent = by_operator[by_operator["sum"] == 0]
    others = by_operator["sum"].sum() / max(by_operator["size"].sum() - silent["size"].sum(), 1)
    chance = (1 - others) ** silent["size"]
    surprising = silent[chance < SILENT_AT / max(len(by_operator), 1)]
    if len(surprising):
        found = {"operators": len(surprising), "sessions": int(surprising["size"].sum())}
        percent = {"percent": float(100 * others)}
        yield Note("reactions.silent_operators", "serious", found | percent)


def _gone_quiet(rows: pd.DataFrame) -> Iterator[Note]:
    dated = rows[rows["treated_on"].notna()]
    if dated.empty:
        return
    late = dated["treated_on"] > dated["treated_on"].max() - pd.DateOffset(months=QUIET_MONTHS)
    n_late, seen_late = int(late.sum()), int(dated.loc[late, "any"].sum())
    if n_late == len(dated) or seen_late > 0:
        return
    rate = float(dated.loc[~late, "any"].mean())
    if (1 - rate) ** n_late < SILENT_AT:
        found = {"months": QUIET_MONTHS, "sessions": n_late, "percent": 100 * rate}
        yield Note("reactions.gone_quiet", "serious", found)


@dataclass(frozen=True, slots=True, eq=False)
class OperatorFunnel:
    """How far operators differ, and which lie outside what chance allows.

    Attributes
    ----------
    table : DataFrame
        One row per operator code: ``sessions, events, rate, exact_low, exact_high``; ``expected``
        events from what the operator met; ``adjusted_rate`` with ``limit_low, limit_high``, at
        95 %, all comparisons allowed for; ``outside`` ("above", "below" or empty); the shrunken
        ``odds_ratio`` against the average operator with ``odds_low, odds_high``.
    target : float
        Rate per session over the operators that are not outside.
    dispersion : float
        Variance between operators over what chance gives, 1 when not beyond chance.
    spread, spread_interval : float or None, tuple
        Standard deviation between operators in log odds.
    vary : bool
        Whether that is beyond chance, by its 95 % interval.
    shares : dict of float
        Of the variance of the log odds, by operator, regime and case mix, summing to 1.
    level : float
        Of the intervals.
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
    vary: bool
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
    """Return operators against what is expected of them, or None without two operators."""
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
    found = Funnel.of(table["events"], table["expected"], table["sessions"], level=VERDICT)
    if found.dispersion > 1:
        notes.append(Note("reactions.widened", "info", {"times": float(found.dispersion)}))
    model = fit.model
    spread = (
        {} if model is None else {at: model.spread_interval(level=at) for at in {level, VERDICT}}
    )
    return OperatorFunnel(
        table=_table(table, found, fit, codes, level),
        target=found.target,
        dispersion=found.dispersion,
        spread=None if model is None else model.spread,
        spread_interval=spread.get(level, (None, None)),
        vary=model is not None and spread[VERDICT][0] > 0,
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
            "outside": "" if fit.model is None else list(found.outside),
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
        for name, value in wanted.items():
            known = table[name].unique()
            if value not in known:
                said = {"name": name, "given": value, "known": [*map(str, known)]}
                said |= {"hint": nearest(value, known)}
                raise RequestError(*problem_and_remedy("refused.no_rate", said))
            table = table[table[name] == value]
        if self._silent:
            return sentence("reactions.no_rate")
        return rate_text(int(table["events"].iloc[0]), int(table["n"].iloc[0]), level=self.level)

    @property
    def _silent(self) -> bool:
        return any(one.code == "reactions.none_recorded" for one in self.warnings)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; operators by code only."""
        said = notes_as_json(self.warnings, "warning") | notes_as_json(self.notes)
        return {**plain(self), **said}

    def lines(self, language: str) -> list[str]:
        """Return the report in words, what makes its numbers doubtful first."""
        first = [sentence("text.care", {"caution": one}) for one in self.warnings]
        rests_on = bullets((sentence("reactions.counts", fields_of(self)), *self.notes))
        if self._silent:
            return [*first, "", *rests_on]
        code = {"cannot say": "unclear"}.get(self.regime.verdict, self.regime.verdict)
        lines: list[str] = [
            *first,
            sentence(f"reactions.{code}", {"reasons": self.regime.reasons}),
            sentence("reactions.operators", {"said": self._who_stands_out()}),
        ]
        for outcome in ("any", "lasting", "transient"):
            per = {unit: self.rate(outcome, unit=unit) for unit in ("session", "course")}
            lines.append(sentence("reactions.rates", {"outcome": outcome, **per}))
        lines += ["", sentence("reactions.head_regime")]
        lines += [self._rate_of(*one) for one in self.regime.counts.items()]
        if self.difference is not None:
            low, high = (100 * end for end in self.difference)
            lines.append(sentence("reactions.difference", {"low": low, "high": high}))
        adjusted = (self.regime.estimate, *self.regime.interval)
        found = {"odds": adjusted, "odds_calendar": self.regime.with_calendar or (None,)}
        for name, ends in found.items():
            if ends[0] is not None:
                values = dict(zip(("n", "low", "high"), ends, strict=True))
                lines.append(sentence(f"reactions.{name}", values))
        lines += ["", sentence("reactions.head_operators"), *self._operator_lines()]
        return [*lines, "", *rests_on]

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
        if found.spread is None:
            return Note("reactions.spread_unknown")
        if found.outside:
            said = [
                Note(f"reactions.outside_{side}", values={"who": who})
                for who, side in found.outside.items()
            ]
            return Note("reactions.outside", values={"said": said})
        return Note("reactions.all_vary" if found.vary else "reactions.none_outside")


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
    apart = rows[rows["regime"] != "mixed"]  # a session with both speaks for neither
    fit = fit_regime(apart, outcome=outcome, level=level)
    counts, difference = fit.regime.counts, None
    if set(counts) == {"ns", "ps"} and rows["any"].any():
        both, how = (*counts["ps"], *counts["ns"]), {"method": "newcomb", "alpha": 1 - level}
        low, high = map(float, confint_proportions_2indep(*both, **how))
        difference = low, high
    notes = [Note("reactions.no_sessions_table", "caution")] * log.sessions.empty
    if mixed := len(rows) - len(apart):
        notes.append(Note("reactions.mixed", "info", {"sessions": mixed}))
    known = set(zip(rows["course_id"], rows["session_no"], strict=True))
    after = zip(log.reactions["course_id"], log.reactions["after_session"], strict=True)
    if lost := sum(session not in known for session in after):
        notes.append(Note("reactions.unmatched", "caution", {"reactions": lost}))
    if unsure := int((~log.reactions["lasting"].isin(["yes", "no"])).sum()):
        told = {"unsure": unsure, "reactions": len(log.reactions)}
        notes.append(Note("reactions.lasting_unknown", "caution", told))
    return ReactionReport(
        outcome=outcome,
        n_courses=int(rows["course_id"].nunique()),
        n_clients=int(rows["client_id"].nunique()),
        n_sessions=len(rows),
        n_events=int(rows[outcome].sum()),
        regime=fit.regime,
        difference=difference,
        operators=compare_operators(apart, fit, codes, outcome=outcome, level=level),
        rates=rate_table(rows, codes, level=level),
        warnings=under_recording(log),
        level=level,
        notes=(*notes, Note("reactions.only_what_was_recorded"), *fit.notes),
    )
