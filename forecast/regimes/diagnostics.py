"""Whether the log can carry the comparison, and how wrong its assumptions must be to change it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import BoolArray, FloatArray, shares, sums_by
from forecast._notes import Note, Sentence, sentence
from forecast._plain import plain
from forecast.causal import (
    WeightModel,
    e_value,
    life_sums,
    restricted_mean,
    standardised_differences,
    summarise_weights,
    tipping_survival,
)
from forecast.log import OutcomeLog
from forecast.regimes.trial import Trial, operators_apart
from forecast.regimes.verdict import (
    LEAST_FOLLOWERS,
    Contrast,
    NaiveReading,
    Settings,
    short_of,
    verdict_of,
)
from forecast.regimes.weighted_curves import RIDGE, TRUNCATE, Answers, Drawn, Engine, Followers
from forecast.tattoo import INK_GROUPS, ink_group

LEAST_FIRED = 20  # sessions of each regime whose wavelengths are known
BALANCE_COLUMNS = ("strategy", "session", "covariate", "before", "after")
COUNTED = ("courses", "clients", "cleared", "stopped", "ongoing")


@dataclass(frozen=True, slots=True, eq=False)
class Diagnostics:
    """What the comparison rests on; by strategy where not said otherwise."""

    # Courses that kept to each strategy until they cleared or reached the horizon; under a strategy
    # with a change only those still at risk when it came: who was cleared or lost before says
    # nothing of it.
    followers: dict[str, int]
    # Courses cleared before the last session compared to: with none, means cannot differ yet.
    cleared: dict[str, int]
    supported_to: dict[str, int]  # last session with enough courses
    # Index session; a column per strategy: courses that still follow it, uncleared.
    at_risk: pd.DataFrame
    weights: pd.DataFrame  # index strategy: how weights are spread, and how many were truncated
    # ``strategy, session, covariate, before, after``: standardised differences between the courses
    # that go on following a strategy at a session and all that could have.
    balance: pd.DataFrame
    overlap: pd.DataFrame  # ``ink_group, year, ns, ps``: courses by the regime they began with
    counts: dict[str, int]  # eligible courses, clients, cleared, stopped, ongoing
    left_out: dict[Sentence, int]  # courses not eligible, by reason
    # Whether most courses were begun by an operator who used one regime only, so that regime and
    # hands cannot be told apart.
    operators_apart: bool
    no_overlap: bool  # whether what is known before all but decides the regime begun with
    carried: dict[str, Followers]  # who followed each strategy from its change on
    cleared_at: pd.DataFrame  # as ``at_risk``: courses that cleared at each session from the change
    # ``ink_group, ns, ps, overlap``: what each regime most often fired in a session there, in nm,
    # and how far all that they fired so agrees, from 0 to 1 (weighted Jaccard index).
    wavelengths: pd.DataFrame

    def lacking(self, names: Sequence[str], horizon: int) -> tuple[str, ...]:
        """Return the codes of what a verdict on these strategies falls short of."""
        cleared = self.cleared_at[list(names)].iloc[: horizon - 1].sum()
        codes = [code for n in cleared for code in short_of({"too_few_cleared": n})]
        codes += [code for name in names for code in self.carried[name].lacking]
        apart = ("operators_apart", "no_overlap")
        return tuple(dict.fromkeys([*codes, *(code for code in apart if getattr(self, code))]))

    def to_dict(self) -> dict[str, Any]:
        """Return the short figures for JSON."""
        after = self.balance["after"].abs()
        return {
            "followers": self.followers,
            "clients": {name: one.clients for name, one in self.carried.items()},
            "cleared": self.cleared,
            "supported_to": self.supported_to,
            "effective": {name: round(one.effective, 1) for name, one in self.carried.items()},
            "counts": self.counts,
            "left_out": {of.note.code.split("out_")[1]: n for of, n in self.left_out.items()},
            "without_chance": {name: one.without_chance for name, one in self.carried.items()},
            "largest_imbalance_after": float(after.max()) if len(after) else None,
        }


def diagnose(log: OutcomeLog, trial: Trial, engine: Engine, settings: Settings) -> Diagnostics:
    """Return the diagnostics of a comparison."""
    panel = engine.panel
    followers, cleared_by, support, carried = {}, {}, {}, {}
    at_risk, cleared_at, spread = {}, {}, []
    for place, (name, begins) in enumerate((plan.name, plan.begins) for plan in settings.plans):
        risk, cleared = engine.counts(place)
        at_risk[name] = risk
        cleared_at[name] = np.where(np.arange(len(risk)) < begins - 1, 0, cleared)
        last = settings.reach_of(place)
        followers[name] = int(engine.followers(place)[last - 1])
        cleared_by[name] = int(cleared_at[name][: last - 1].sum())
        support[name] = engine.supported_to(place, auto=settings.auto)
        raw = np.where(engine.masks[place], engine.weights.stabilised, 0.0)
        used, limit = engine.used[place]
        carried[name] = engine.carried(place)
        spread.append({"strategy": name} | summarise_weights(raw, used, float(limit)))
    sessions = pd.RangeIndex(1, engine.horizon + 1, name="session")
    return Diagnostics(
        followers=followers,
        cleared=cleared_by,
        supported_to=support,
        at_risk=pd.DataFrame(at_risk, index=sessions),
        weights=pd.DataFrame(spread).set_index("strategy"),
        balance=_balance(engine, settings.names),
        overlap=_overlap(log),
        counts={
            "courses": panel.n_subjects,
            "clients": int(panel.cluster.max()) + 1,
            **{end: int((trial.courses["outcome"] == end).sum()) for end in COUNTED[2:]},
        },
        left_out=trial.left_out,
        operators_apart=operators_apart(trial),
        no_overlap=engine.no_overlap,
        carried=carried,
        cleared_at=pd.DataFrame(cleared_at, index=sessions),
        wavelengths=_wavelengths(log, trial),
    )


# What each regime fired in each ink group, where both fired often enough to be compared. What was
# fired together counts as one: where 755 nm joins 1064 nm under ps only, nothing tells them apart.
def _wavelengths(log: OutcomeLog, trial: Trial) -> pd.DataFrame:
    of_course = trial.courses.set_index("course_id")["ink_group"]
    keys = ["course_id", "session_no", "regime"]
    fired = log.sessions.dropna(subset=["wavelengths_nm"])
    parts: dict[Any, list[str]] = {}  # pandas joins texts group by group, a tenth of a second
    for *key, text in fired[[*keys, "wavelengths_nm"]].itertuples(index=False):
        parts.setdefault(tuple(key), []).append(text)
    joined = [(*key, ";".join(texts)) for key, texts in sorted(parts.items())]
    fired = pd.DataFrame(joined, columns=[*keys, "nm"])
    together = {text: ";".join(sorted({*text.split(";")}, key=float)) for text in fired["nm"]}
    fired = fired.assign(
        nm=fired["nm"].map(together), ink_group=fired["course_id"].map(of_course)
    ).dropna(subset=["ink_group"])
    rows = []
    for ink, part in fired.groupby("ink_group"):
        sets = {name: one["nm"] for name, one in part.groupby("regime")}
        if len(sets) == 2 and min(map(len, sets.values())) >= LEAST_FIRED:
            shares = pd.DataFrame({k: v.value_counts() / len(v) for k, v in sets.items()}).fillna(0)
            overlap = float(shares.min(axis=1).sum() / shares.max(axis=1).sum())
            most = [str(shares[name].idxmax()).split(";") for name in ("ns", "ps")]
            rows.append((ink, *most, overlap))
    return pd.DataFrame(rows, columns=["ink_group", "ns", "ps", "overlap"])


# Those who follow at a session against all who followed until then: the weights of the session
# before define the population, and with the session's own weights its followers should look like
# it (Jackson 2016, Epidemiology 27:859).
def _balance(engine: Engine, names: Sequence[str]) -> pd.DataFrame:
    panel, tables = engine.panel, []
    earlier = np.where(panel.first, 1.0, np.concatenate([[1.0], engine.weights.choice[:-1]]))
    for name, mask, (used, _) in zip(names, engine.masks, engine.used, strict=True):
        reached = np.where(panel.first, True, np.concatenate([[True], mask[:-1]]))
        cut = used / engine.weights.stabilised  # below 1 where a weight was cut off
        for session in range(1, engine.horizon + 1):
            here = reached & (panel.step == session)
            if (here & mask).sum() < LEAST_FOLLOWERS:
                break
            values, kept = panel.before[here], mask[here]
            before = np.where(kept, earlier[here], 0.0)
            after = np.where(kept, (engine.weights.choice * cut)[here], 0.0)
            apart = [
                standardised_differences(values, weight, earlier[here])
                for weight in (before, after)
            ]
            columns = (name, session, panel.names, *apart)
            tables.append(pd.DataFrame(dict(zip(BALANCE_COLUMNS, columns, strict=True))))
    empty = pd.DataFrame(columns=list(BALANCE_COLUMNS))
    return pd.concat(tables, ignore_index=True) if tables else empty


def _overlap(log: OutcomeLog) -> pd.DataFrame:
    first = log.each_session
    first = first[first["session_no"] == 1]
    joined = first.merge(log.courses[["course_id", "inks"]], on="course_id")
    inks = pd.Categorical(joined["inks"].map(ink_group), INK_GROUPS, ordered=True)
    year = joined["treated_on"].dt.year
    table = pd.crosstab([inks, year], joined["regime"], rownames=["ink_group", "year"])
    table = table.reindex(columns=["ns", "ps"], fill_value=0).rename_axis(columns=None)
    return table.reset_index().astype({"ink_group": object})


def no_rows(log: OutcomeLog, settings: Settings) -> Diagnostics:
    """Return the diagnostics of a comparison without a single eligible course."""
    sessions = pd.RangeIndex(1, settings.horizon + 1, name="session")
    none, nobody = dict.fromkeys(settings.names, 0), Followers(0, 0, 0.0, 0.0, 0.0)
    return Diagnostics(
        followers=none,
        cleared=none,
        supported_to=none,
        at_risk=pd.DataFrame(none, index=sessions),
        weights=pd.DataFrame(index=pd.Index([], name="strategy")),
        balance=pd.DataFrame(columns=list(BALANCE_COLUMNS)),
        overlap=_overlap(log),
        counts=dict.fromkeys(COUNTED, 0),
        left_out={},
        operators_apart=False,
        no_overlap=False,
        carried=dict.fromkeys(settings.names, nobody),
        cleared_at=pd.DataFrame(none, index=sessions),
        wavelengths=pd.DataFrame(columns=["ink_group", "ns", "ps", "overlap"]),
    )


PHI = (0.0, 0.5, 1.0, 2.0, 4.0, float("inf"))
Tipped = tuple[float, float, float, float | None, float | None, str]


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Sensitivity analyses, by pair of strategies."""

    tipping: pd.DataFrame  # ``comparison, phi_left, phi_right, estimate, low, high, verdict``
    # The nearest assumption about those who stopped at which the verdict is another, if any.
    tipping_point: Mapping[str, Note]
    # For the ratio of the shares cleared by the horizon: of the estimate, and of the end of its
    # interval nearer to 1 (1 if it holds 1). NaN where more than the interval forbids a verdict.
    e_value: Mapping[str, tuple[float, float]]
    weeks: Mapping[str, Contrast]  # in mean weeks until cleared, up to ``last_week``
    operator: Mapping[str, Contrast]  # the main one, weighted for operators, where they are known
    without_operator: Mapping[str, Contrast]  # the same, hands left out of account
    last_week: Mapping[str, int]

    @property
    def words(self) -> tuple[Note, ...]:
        """What each analysis says, in sentences."""
        said = []
        for key, point in self.tipping_point.items():
            times, limit = self.e_value[key]
            said.append(point)
            if np.isfinite(times):
                rest = Note(f"regimes.share_{'holds' if limit == 1 else 'would_hold'}_zero")
                rest = replace(rest, values={"limit": limit})
                unrecorded = {"key": key, "times": times, "rest": rest}
                said.append(Note("regimes.unrecorded", values=unrecorded))
            weeks, blind = self.weeks[key].spoken("weeks"), self.without_operator[key]
            values: dict[str, Any] = {"key": key, "said": weeks, "week": self.last_week[key]}
            said.append(Note("regimes.by_calendar", values=values))
            if blind.estimate is not None:
                values = {"key": key, "said": blind.spoken("sessions")}
                said.append(Note("regimes.without_operator", values=values))
        return tuple(said)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        tipping = {key: str(note) for key, note in self.tipping_point.items()}
        names = ("e_value", "weeks", "operator", "without_operator")
        own = {name: getattr(self, name) for name in names}
        return {"tipping_point": tipping, **plain(own)}


def examine(
    trial: Trial, engine: Engine, drawn: Drawn, found: Answers, settings: Settings
) -> Sensitivity:
    """Return the sensitivity analyses; pairs that could not be estimated stay empty.

    Where a verdict is held back for other reasons than its interval, no assumption gives one.
    """
    difference = found.difference
    rows, points, e_values = [], {}, {}
    weeks = {key: Contrast.missing(settings.level) for key in settings.pairs}
    last = {key: settings.horizon_of(key) for key in settings.pairs}
    last_week = {key: engine.last_week(one) for key, one in last.items()}
    for key, (left, right) in settings.pairs.items():
        one = difference[key]
        if one.estimate is None or one.error is None or one.without_width:
            continue
        held = [code for code in found.reasons[key] if code != "interval_covers_margin"]
        # the difference for every pair of multiples, its error kept as it was
        ours, other = (
            {phi: float(_after_stopping(engine, place, phi)[: last[key]].sum()) for phi in PHI}
            for place in (left, right)
        )
        table: list[Tipped] = []
        for phi_left, phi_right in product(PHI, PHI):
            shifted = one.estimate + (ours[phi_left] - other[phi_right]) - (ours[1.0] - other[1.0])
            tipped = Contrast.normal(shifted, one.error, one.level, one.again)
            said = verdict_of(tipped, settings.margin, held)
            table.append((phi_left, phi_right, shifted, *tipped.at_level(0.95), said))
        rows += [(key, *row) for row in table]
        points[key] = _nearest_change(key, table, found.verdict[key])
        # of too few courses it is a number without its doubt
        unknown = float("nan"), float("nan")
        e_values[key] = unknown if held else _e_values(drawn, [left, right], last[key])
        mean = drawn.weeks[:, :, last_week[key] - 1]
        weeks[key] = settings.drawn(mean[:, left] - mean[:, right], session=engine.spacing)
    names = ["comparison", "phi_left", "phi_right", "estimate", "low", "high", "verdict"]
    without = _without_operator(trial, engine, difference, settings)
    return Sensitivity(
        tipping=pd.DataFrame(rows, columns=names),
        tipping_point=points,
        e_value=e_values,
        weeks=weeks,
        operator={k: one if one.estimate is None else difference[k] for k, one in without.items()},
        without_operator=without,
        last_week=last_week,
    )


# Survival when those who stopped go on with a multiple of the like courses' hazard.
def _after_stopping(engine: Engine, place: int, phi: float) -> FloatArray:
    panel, weights, mask = engine.panel, engine.weights, engine.masks[place]
    used = engine.used[place][0]
    # weights for stopping are taken out again: here the stopped stand for themselves
    choice = used / (weights.staying * weights.stabiliser)
    weighed = [used, used * panel.event, choice, choice * panel.event, choice * panel.lost]
    sums = sums_by(panel.step[mask] - 1, np.array(weighed)[:, mask], engine.horizon)
    risk, events, at_risk, happened, lost = sums
    return tipping_survival(at_risk, happened, lost, shares(events, risk), phi=phi)


# The least departure from "as like courses who went on" that changes the verdict.
def _nearest_change(key: str, table: Sequence[Tipped], verdict: str) -> Note:
    def distance(phi: float) -> float:
        return abs(float(np.log2(min(max(phi, 1 / 8), 8))))

    changed = [row for row in table if row[5] != verdict]
    left, right = key.split(" - ")
    if not changed:
        code = "tips_to_none" if verdict == "cannot say" else "tips_never"
        return Note(f"regimes.{code}", values={"key": key})
    row = min(changed, key=lambda r: distance(r[0]) + distance(r[1]))
    known = {0.0: "never", 1.0: "alike", np.inf: "at_once"}
    values: dict[str, Any] = {"key": key, "verdict": row[5], "left": left, "right": right}
    for name, phi in zip(("left_pace", "right_pace"), row[:2], strict=True):
        values[name] = Note(f"regimes.pace_{known.get(phi, 'times')}", values={"phi": phi})
    return Note("regimes.tips", values=values)


def _e_values(drawn: Drawn, pair: list[int], last: int) -> tuple[float, float]:
    cleared = 1 - drawn.survival[:, pair, 0, last]
    some = np.min(cleared, axis=1) > 0
    if not some[0]:
        return float("nan"), float("nan")
    ratios = cleared[some, 0] / cleared[some, 1]
    ratio, error = float(ratios[0]), float(np.log(ratios[1:]).std(ddof=1))
    nearer = np.log(ratio) - np.sign(np.log(ratio)) * 1.959964 * error
    holds_one = np.sign(nearer) != np.sign(np.log(ratio))
    return e_value(ratio), 1.0 if holds_one else e_value(float(np.exp(nearer)))


# The difference when the weights take no account of who treated. The error is that of the primary
# estimate.
def _without_operator(
    trial: Trial, engine: Engine, difference: Mapping[str, Contrast], settings: Settings
) -> dict[str, Contrast]:
    panel, found = trial.panel, {key: Contrast.missing(settings.level) for key in settings.pairs}
    if panel.agent is None or len(np.unique(panel.agent[panel.agent >= 0])) < 2:
        return found
    weights = WeightModel(replace(panel, agent=None), ridge=RIDGE).fit()
    used = [weights.used(mask, quantile=TRUNCATE)[0] for mask in engine.masks]
    curves = [engine.curves(*one)[0] for one in zip(used, engine.masks, strict=True)]
    for key, (left, right) in settings.pairs.items():
        error = difference[key].error
        if error is not None:
            gap = (curves[left] - curves[right])[: settings.horizon_of(key)].sum()
            found[key] = settings.contrast(float(gap), error)
    return found


LEAST_IN_CLASS = 5  # courses, for a plain reading


def naive_readings(
    log: OutcomeLog, settings: Settings, unadjusted: Mapping[str, Contrast]
) -> tuple[NaiveReading, ...]:
    """Return what plain readings say, of courses by what happened in the end.

    That is never ps, ever ps, or changed.
    """
    sessions = log.each_session.sort_values(["course_id", "session_no"])
    mixed = sessions.loc[sessions["regime"] == "mixed", "course_id"]
    sessions = sessions[~sessions["course_id"].isin(mixed)]
    is_ps = (sessions["regime"] == "ps").groupby(sessions["course_id"])
    seen = pd.DataFrame({"any": is_ps.any(), "all": is_ps.all(), "first": is_ps.first()})
    courses = log.courses.set_index("course_id")
    courses = courses[(courses["goal"] == "clear") & courses.index.isin(seen.index)]
    table = seen.reindex(courses.index)
    ever, always, first = (table[name].to_numpy(dtype=bool) for name in ("any", "all", "first"))
    classes = [
        ever & ~always & (first == bool(plan[0])) if len(plan) > 1 else ever == bool(plan[0])
        for plan in (strategy.plan for strategy in settings.plans)
    ]
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    cleared = (courses["outcome"] == "cleared").to_numpy(dtype=bool)

    def up_to(inside: BoolArray, horizon: int) -> tuple[float, float] | None:
        start, each = np.zeros(inside.sum(), dtype=np.int64), np.ones(inside.sum())
        at_risk, events = life_sums(given[inside], cleared[inside], start, each, horizon)
        watched = at_risk[-1] > 0 or (shares(events, at_risk) == 1).any()
        if len(each) < LEAST_IN_CLASS or not watched:
            return None
        mean, variance = restricted_mean(at_risk, events)
        return float(mean), float(variance) ** 0.5

    def of_finished(inside: BoolArray, _: int) -> tuple[float, float] | None:
        some = given[inside & cleared]
        if len(some) < LEAST_IN_CLASS:
            return None
        return float(some.mean()), float(some.std(ddof=1) / len(some) ** 0.5)

    missing = {key: Contrast.missing(settings.level) for key in settings.pairs}
    readings = {"ever": {**missing}, "finished": {**missing}, "unadjusted": {**unadjusted}}
    for name, mean_of in (("ever", up_to), ("finished", of_finished)):
        for key, pair in settings.pairs.items():
            left, right = (mean_of(classes[at], settings.horizon_of(key)) for at in pair)
            if left is not None and right is not None:
                error = float(np.hypot(left[1], right[1]))
                readings[name][key] = Contrast.normal(left[0] - right[0], error, settings.level)
    return tuple(
        NaiveReading(sentence(f"naive.{name}"), found, sentence(f"naive.{name}_why"))
        for name, found in readings.items()
    )
