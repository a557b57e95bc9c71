"""Whether the log can carry the comparison: followers, weights, balance, overlap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import SHOWN_AT
from forecast._types import FloatArray, IntArray
from forecast.causal import effective_number, standardised_differences, summarise_weights
from forecast.regimes.trial import Settings, Strategy, Trial
from forecast.regimes.verdict import LEAST_AT_RISK, LEAST_FOLLOWERS, Contrast, Supported, verdict_of
from forecast.regimes.weighted_curves import TRUNCATE, Engine, Result
from forecast.tattoo import INK_GROUPS, ink_group

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

LEAST_BY_OPERATOR = 3  # sessions with each regime before an operator counts as using both


@dataclass(frozen=True, slots=True, eq=False)
class Diagnostics:
    """What the comparison rests on.

    Attributes
    ----------
    followers : dict of str to int
        Courses that kept to each strategy until they cleared or reached the horizon; under a
        strategy with a change only those still at risk when it came: who was cleared or lost
        before says nothing of it.
    clients : dict of str to int
        Whose courses began each strategy, or were there at its change.
    cleared : dict of str to int
        Courses cleared under each strategy before the horizon's last session: with none, the
        means cannot differ yet.
    supported_to : dict of str to int
        Last session at which each strategy has enough courses.
    effective : dict of str to float
        Kish's effective number of courses of each strategy, from its change on.
    at_risk : DataFrame
        Index session; one column per strategy: courses that still follow it, uncleared.
    weights : DataFrame
        Index strategy: how the weights are spread, and how many were truncated.
    balance : DataFrame
        ``strategy, session, covariate, before, after``: standardised differences between the
        courses that go on following a strategy at a session and all that could have.
    overlap : DataFrame
        ``ink_group, year, ns, ps``: courses by the regime of their first session.
    counts : dict of str to int
        Eligible courses, clients, cleared, stopped, ongoing.
    left_out : dict of str to int
        Courses not eligible, by reason.
    operators_apart : bool
        Whether no operator used both regimes, so that regime and hands cannot be told apart.
    """

    followers: dict[str, int]
    clients: dict[str, int]
    cleared: dict[str, int]
    supported_to: dict[str, int]
    effective: dict[str, float]
    at_risk: pd.DataFrame
    weights: pd.DataFrame
    balance: pd.DataFrame
    overlap: pd.DataFrame
    counts: dict[str, int]
    left_out: dict[str, int]
    operators_apart: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the short figures for JSON."""
        after = self.balance["after"].abs()
        return {
            "followers": self.followers,
            "clients": self.clients,
            "cleared": self.cleared,
            "supported_to": self.supported_to,
            "effective": {name: round(value, 1) for name, value in self.effective.items()},
            "counts": self.counts,
            "left_out": self.left_out,
            "largest_imbalance_after": float(after.max()) if len(after) else None,
        }


def followers_by(at_risk: IntArray, cleared: IntArray, begins: int = 1) -> IntArray:
    """Return the courses that followed a strategy up to each session, at risk at its change.

    Before the session ``begins`` the strategy is another one, and everybody counts.
    """
    counted = cleared.copy()
    counted[: begins - 1] = 0
    earlier = np.where(np.arange(len(cleared)) < begins - 1, cleared.cumsum() - cleared, 0)
    followers: IntArray = at_risk + counted.cumsum() - counted + earlier
    return followers


def supported_to(at_risk: IntArray, cleared: IntArray, begins: int = 1) -> int:
    """Return the last session with enough courses at risk and enough followers.

    Parameters
    ----------
    at_risk, cleared : ndarray of shape (horizon,), int
        Courses that follow the strategy at each session, and those that clear there.
    begins : int
        Session of the strategy's change, 1 if it has none.
    """
    followers = followers_by(at_risk, cleared, begins)
    thin = np.flatnonzero((at_risk < LEAST_AT_RISK) | (followers < LEAST_FOLLOWERS))
    return int(thin[0]) if thin.size else len(at_risk)


def sums_by_session(
    engine: Engine, place: int, ink: int | None = None
) -> tuple[IntArray, IntArray]:
    """Return the courses at risk and clearing at each session under one strategy."""
    mask = engine.masks[place] if ink is None else engine.masks[place] & (engine.ink == ink)
    step = engine.panel.step[mask] - 1
    at_risk = np.bincount(step, minlength=engine.horizon)
    cleared = np.bincount(step[engine.panel.event[mask]], minlength=engine.horizon)
    return at_risk.astype(np.int64), cleared.astype(np.int64)


def diagnose(
    log: OutcomeLog, trial: Trial, engine: Engine, strategies: Sequence[Strategy]
) -> Diagnostics:
    """Return the diagnostics of a comparison."""
    import pandas as pd

    panel, names = engine.panel, [strategy.name for strategy in strategies]
    followers, clients, cleared_by, support, effective = {}, {}, {}, {}, {}
    at_risk, spread = {}, []
    for place, (name, begins) in enumerate((plan.name, plan.begins) for plan in strategies):
        risk, cleared = sums_by_session(engine, place)
        at_risk[name] = risk
        followers[name] = int(followers_by(risk, cleared, begins)[-1])
        cleared_by[name] = int(cleared[:-1].sum())
        support[name] = supported_to(risk, cleared, begins)
        mask = engine.masks[place]
        raw = np.where(mask, engine.weights.stabilised, 0.0)
        used, limit = engine.weights.used(mask, quantile=TRUNCATE)
        since = mask & (panel.step >= begins)
        clients[name] = len(np.unique(panel.cluster[panel.subject[since]]))
        final = since & (panel.last | ~np.append(mask[1:], False))
        effective[name] = effective_number(used[final])
        summary = summarise_weights(raw, used, limit)
        spread.append({"strategy": name} | {f: getattr(summary, f) for f in summary.__slots__})
    sessions = pd.RangeIndex(1, engine.horizon + 1, name="session")
    return Diagnostics(
        followers=followers,
        clients=clients,
        cleared=cleared_by,
        supported_to=support,
        effective=effective,
        at_risk=pd.DataFrame(at_risk, index=sessions),
        weights=pd.DataFrame(spread).set_index("strategy"),
        balance=_balance(engine, names),
        overlap=overlap_table(log),
        counts=_counts(trial),
        left_out=trial.left_out,
        operators_apart=operators_apart(trial),
    )


def _counts(trial: Trial) -> dict[str, int]:
    outcome = trial.courses["outcome"]
    return {
        "courses": trial.panel.n_subjects,
        "clients": int(trial.panel.cluster.max()) + 1,
        "cleared": int((outcome == "cleared").sum()),
        "stopped": int((outcome == "stopped").sum()),
        "ongoing": int((outcome == "ongoing").sum()),
    }


def operators_apart(trial: Trial) -> bool:
    """Return whether at least two operators are recorded and none used both regimes."""
    known = np.array([isinstance(name, str) for name in trial.operator], dtype=bool)
    group = trial.panel.group[known]
    names, code = np.unique(trial.operator[known].astype(str), return_inverse=True)
    used = [np.bincount(code[group == regime], minlength=len(names)) for regime in (0, 1)]
    return len(names) > 1 and not bool((np.minimum(*used) >= LEAST_BY_OPERATOR).any())


def _balance(engine: Engine, names: Sequence[str]) -> pd.DataFrame:
    """Compare those who follow at a session with all who followed until then.

    The weights of the session before define the population; with the session's own weights its
    followers should look like it (Jackson 2016, Epidemiology 27:859).
    """
    import pandas as pd

    panel, tables = engine.panel, []
    earlier = np.where(panel.first, 1.0, np.concatenate([[1.0], engine.weights.choice[:-1]]))
    for name, mask in zip(names, engine.masks, strict=True):
        reached = np.where(panel.first, True, np.concatenate([[True], mask[:-1]]))
        for session in range(1, engine.horizon + 1):
            here = reached & (panel.step == session)
            if (here & mask).sum() < LEAST_FOLLOWERS:
                break
            values, kept = panel.before[here], mask[here]
            before = np.where(kept, earlier[here], 0.0)
            after = np.where(kept, engine.weights.choice[here], 0.0)
            columns = {
                "strategy": name,
                "session": session,
                "covariate": panel.names,
                "before": standardised_differences(values, before, earlier[here]),
                "after": standardised_differences(values, after, earlier[here]),
            }
            tables.append(pd.DataFrame(columns))
    empty = pd.DataFrame(columns=["strategy", "session", "covariate", "before", "after"])
    return pd.concat(tables, ignore_index=True) if tables else empty


def overlap_table(log: OutcomeLog) -> pd.DataFrame:
    """Return the courses by ink group, year of the first session and its regime."""
    import pandas as pd

    first = log.sessions[log.sessions["session_no"] == 1]
    joined = first.merge(log.courses[["course_id", "inks"]], on="course_id")
    table = pd.crosstab(
        [
            joined["inks"].map(ink_group).rename("ink_group"),
            joined["treated_on"].dt.year.rename("year"),
        ],
        joined["regime"],
    ).reindex(columns=["ns", "ps"], fill_value=0)
    order = {name: place for place, name in enumerate(INK_GROUPS)}
    flat = table.reset_index().rename_axis(columns=None)
    return flat.sort_values(
        ["ink_group", "year"], key=lambda c: c.map(order).fillna(c)
    ).reset_index(drop=True)


def no_rows(log: OutcomeLog, strategies: Sequence[Strategy], horizon: int) -> Diagnostics:
    """Return the diagnostics of a comparison without a single eligible course."""
    import pandas as pd

    names = [strategy.name for strategy in strategies]
    sessions = pd.RangeIndex(1, horizon + 1, name="session")
    columns = ["strategy", "session", "covariate", "before", "after"]
    return Diagnostics(
        followers=dict.fromkeys(names, 0),
        clients=dict.fromkeys(names, 0),
        cleared=dict.fromkeys(names, 0),
        supported_to=dict.fromkeys(names, 0),
        effective=dict.fromkeys(names, 0.0),
        at_risk=pd.DataFrame(0, index=sessions, columns=names),
        weights=pd.DataFrame(index=pd.Index([], name="strategy")),
        balance=pd.DataFrame(columns=columns),
        overlap=overlap_table(log),
        counts=dict.fromkeys(("courses", "clients", "cleared", "stopped", "ongoing"), 0),
        left_out={},
    )


CURVE_COLUMNS = ("strategy", "group", "session", "at_risk", "survival", "low", "high")


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Every contrast of a comparison, as in `RegimeComparison`, and what they leave out.

    ``uncleared`` is the weighted share not cleared after the horizon, by strategy, where the
    horizon has support.
    """

    difference: dict[str, Contrast]
    cleared_by: dict[int, dict[str, Contrast]]
    by_ink: dict[str, dict[str, Contrast]]
    unadjusted: dict[str, Contrast]
    second_route: dict[str, Contrast]
    supported: dict[str, Supported]
    uncleared: dict[str, float]


def answers(
    engine: Engine, point: Result, draws: Result, support: Sequence[int], settings: Settings
) -> Answers:
    """Return the contrasts that have support up to the horizon; the others are missing."""
    everyone = draws.survival[:, :, 0]
    return Answers(
        difference=means(point.survival[:, 0], everyone, support, settings),
        cleared_by=shares(point, draws, support, settings),
        by_ink=by_ink(engine, point, draws, settings),
        unadjusted=means(point.unadjusted, draws.unadjusted, support, settings),
        second_route=means(point.second, draws.second, support, settings),
        supported=supported(point.survival[:, 0], everyone, support, settings),
        uncleared={
            name: float(point.survival[place, 0, -1])
            for place, name in enumerate(settings.names)
            if support[place] >= settings.horizon
        },
    )


def means(
    point: FloatArray, draws: FloatArray, support: Sequence[int], settings: Settings
) -> dict[str, Contrast]:
    """Return differences in mean sessions; ``draws`` has the replicates first, NaN left out."""
    found = {}
    for key, (left, right) in settings.pairs.items():
        if min(support[left], support[right]) < settings.horizon:
            found[key] = Contrast.missing(settings.level)
            continue
        gap = point[left] - point[right]
        moved = (draws[:, left] - draws[:, right])[:, : settings.horizon].sum(axis=1)
        error = float(np.nanstd(moved, ddof=1))
        estimate = float(gap[: settings.horizon].sum())
        found[key] = Contrast.normal(estimate, error, settings.level)
    return found


def shares(
    point: Result, draws: Result, support: Sequence[int], settings: Settings
) -> dict[int, dict[str, Contrast]]:
    """Return differences in the share cleared by 5, 10 and 15 sessions."""
    table: dict[int, dict[str, Contrast]] = {}
    for n in SHOWN_AT:
        table[n] = {}
        for key, (left, right) in settings.pairs.items():
            if n > settings.horizon or min(support[left], support[right]) < n:
                table[n][key] = Contrast.missing(settings.level)
                continue
            gap = point.survival[right, 0, n] - point.survival[left, 0, n]
            moved = draws.survival[:, right, 0, n] - draws.survival[:, left, 0, n]
            table[n][key] = Contrast.normal(float(gap), float(moved.std(ddof=1)), settings.level)
    return table


def by_ink(
    engine: Engine, point: Result, draws: Result, settings: Settings
) -> dict[str, dict[str, Contrast]]:
    """Return the difference in mean sessions within each ink group that supports it."""
    table = {}
    for ink, name in enumerate(INK_GROUPS):
        support = [
            supported_to(*sums_by_session(engine, place, ink), plan.begins)
            for place, plan in enumerate(settings.plans)
        ]
        place = 1 + ink
        table[name] = means(
            point.survival[:, place], draws.survival[:, :, place], support, settings
        )
    return table


def supported(
    point: FloatArray, draws: FloatArray, support: Sequence[int], settings: Settings
) -> dict[str, Supported]:
    """Return the answer up to the last session that both reach, if from 2 and past any change."""
    found = {}
    for key, (left, right) in settings.pairs.items():
        last = min(support[left], support[right], settings.horizon)
        if last < settings.shortest(left, right):
            continue
        gap = float((point[left] - point[right])[:last].sum())
        moved = (draws[:, left] - draws[:, right])[:, :last].sum(axis=1)
        contrast = Contrast.normal(gap, float(moved.std(ddof=1)), settings.level)
        found[key] = Supported(last, contrast, verdict_of(contrast, settings.margin))
    return found


def curves(engine: Engine, point: Result, draws: Result, settings: Settings) -> pd.DataFrame:
    """Return each strategy's curve, for everyone and by ink group, as far as it has support.

    ``low`` and ``high`` hold the middle ``level`` of the resamples at each session.
    """
    import pandas as pd

    tables = []
    tails = [(1 - settings.level) / 2, (1 + settings.level) / 2]
    low, high = np.quantile(draws.survival, tails, axis=0)
    for place, plan in enumerate(settings.plans):
        for group, label in enumerate(("all", *INK_GROUPS)):
            ink = None if group == 0 else group - 1
            at_risk, cleared = sums_by_session(engine, place, ink)
            last = supported_to(at_risk, cleared, plan.begins)
            columns = {
                "strategy": plan.name,
                "group": label,
                "session": np.arange(1, last + 1),
                "at_risk": at_risk[:last],
                "survival": point.survival[place, group, 1 : last + 1],
                "low": low[place, group, 1 : last + 1],
                "high": high[place, group, 1 : last + 1],
            }
            tables.append(pd.DataFrame(columns))
    return pd.concat(tables, ignore_index=True)


def weighted_rows(engine: Engine, settings: Settings) -> pd.DataFrame:
    """Return the rows with new course and client numbers and each strategy's weights."""
    import pandas as pd

    panel = engine.panel
    frame = pd.DataFrame(
        {
            "course": panel.subject + 1,
            "client": panel.cluster[panel.subject] + 1,
            "session": panel.step,
            "regime": np.where(panel.group == 1, "ps", "ns"),
            "cleared": panel.event.astype(np.int64),
            "stopped_after": panel.lost.astype(np.int64),
        }
    )
    known = pd.DataFrame(panel.before, columns=list(panel.names))
    weights = {
        f"weight {name}": engine.weights.used(mask, quantile=TRUNCATE)[0]
        for name, mask in zip(settings.names, engine.masks, strict=True)
    }
    return pd.concat([frame, known, pd.DataFrame(weights)], axis=1)
