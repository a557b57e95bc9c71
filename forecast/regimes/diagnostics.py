"""Whether the log can carry the comparison: followers, weights, balance, overlap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast.causal import effective_number, standardised_differences, summarise_weights
from forecast.regimes.strategies import Strategy
from forecast.regimes.trial import Trial
from forecast.regimes.verdict import LEAST_FOLLOWERS, lacking_for
from forecast.regimes.weighted_curves import TRUNCATE, Engine, followers_by, supported_to
from forecast.tattoo import INK_GROUPS, ink_group

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

LEAST_BY_OPERATOR = 3  # sessions with each regime before an operator counts as using both
BALANCE_COLUMNS = ("strategy", "session", "covariate", "before", "after")
COUNTED = ("courses", "clients", "cleared", "stopped", "ongoing")


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

    def lacking(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return the codes of what a verdict on these strategies falls short of."""
        return lacking_for(
            [self.cleared[name] for name in names],
            [self.clients[name] for name in names],
            [self.effective[name] for name in names],
            apart=self.operators_apart,
        )

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


def diagnose(
    log: OutcomeLog, trial: Trial, engine: Engine, strategies: Sequence[Strategy]
) -> Diagnostics:
    """Return the diagnostics of a comparison."""
    import pandas as pd

    panel, names = engine.panel, [strategy.name for strategy in strategies]
    followers, clients, cleared_by, support, effective = {}, {}, {}, {}, {}
    at_risk, spread = {}, []
    for place, (name, begins) in enumerate((plan.name, plan.begins) for plan in strategies):
        risk, cleared = engine.counts(place)
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
        overlap=_overlap(log),
        counts={
            "courses": panel.n_subjects,
            "clients": int(panel.cluster.max()) + 1,
            **{end: int((trial.courses["outcome"] == end).sum()) for end in COUNTED[2:]},
        },
        left_out=trial.left_out,
        operators_apart=_operators_apart(trial),
    )


# Whether at least two operators are recorded and none used both regimes.
def _operators_apart(trial: Trial) -> bool:
    known = np.array([isinstance(name, str) for name in trial.operator], dtype=bool)
    group = trial.panel.group[known]
    names, code = np.unique(trial.operator[known].astype(str), return_inverse=True)
    used = [np.bincount(code[group == regime], minlength=len(names)) for regime in (0, 1)]
    return len(names) > 1 and not bool((np.minimum(*used) >= LEAST_BY_OPERATOR).any())


# Those who follow at a session against all who followed until then: the weights of the session
# before define the population, and with the session's own weights its followers should look like
# it (Jackson 2016, Epidemiology 27:859).
def _balance(engine: Engine, names: Sequence[str]) -> pd.DataFrame:
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
            apart = [
                standardised_differences(values, weight, earlier[here])
                for weight in (before, after)
            ]
            columns = (name, session, panel.names, *apart)
            tables.append(pd.DataFrame(dict(zip(BALANCE_COLUMNS, columns, strict=True))))
    empty = pd.DataFrame(columns=list(BALANCE_COLUMNS))
    return pd.concat(tables, ignore_index=True) if tables else empty


def _overlap(log: OutcomeLog) -> pd.DataFrame:
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
    none = dict.fromkeys(names, 0)
    return Diagnostics(
        followers=none,
        clients=none,
        cleared=none,
        supported_to=none,
        effective=dict.fromkeys(names, 0.0),
        at_risk=pd.DataFrame(0, index=sessions, columns=names),
        weights=pd.DataFrame(index=pd.Index([], name="strategy")),
        balance=pd.DataFrame(columns=list(BALANCE_COLUMNS)),
        overlap=_overlap(log),
        counts=dict.fromkeys(COUNTED, 0),
        left_out={},
    )
