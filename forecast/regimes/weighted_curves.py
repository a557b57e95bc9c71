"""The weighted curves of a comparison, every difference read off them, and models under a strategy.

Everything that does not change between resamples (rows, masks, designs) is held in the engine; a
resample is a count per client, and costs one refit of the weight models and a few sums.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from forecast._arrays import (
    BoolArray,
    FloatArray,
    IntArray,
    cluster_counts,
    effective_number,
    shares,
    sums_by,
)
from forecast._checks import COMPARED_TO, SHOWN_AT
from forecast._jobs import run_units
from forecast._plain import fields_of
from forecast.causal import HazardGFormula, WeightModel, followed, life_sums
from forecast.errors import DataError
from forecast.log import OutcomeLog
from forecast.regimes.trial import USUAL_WEEKS, Trial, one_curve, operators_apart, trial_rows
from forecast.regimes.verdict import (
    AUTO_AT_RISK,
    LEAST_ALIKE,
    LEAST_AT_RISK,
    LEAST_CARRYING,
    LEAST_CHANCE,
    LEAST_EFFECTIVE,
    LEAST_FOLLOWERS,
    MOST_WITHOUT_CHANCE,
    Contrast,
    Settings,
    Strategy,
    Supported,
    Verdict,
    read_strategies,
    reasons_for,
    short_of,
    verdict_of,
)
from forecast.survival import CountModel, Durations, FittedCountModel
from forecast.tattoo import INK_GROUPS

RIDGE = 0.5  # on standardised covariates: a prior of standard deviation 1.4 on each log odds
TRUNCATE = 0.995
CHUNK = 100  # resamples worked on together


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What one pass over the rows gives; of resamples, stacked along a first axis."""

    # (n_strategies, n_groups, horizon + 1), weighted share not cleared, by ``Engine.groups``
    survival: FloatArray
    unadjusted: FloatArray  # (n_strategies, horizon + 1), without weights
    weeks: FloatArray  # (n_strategies, n_weeks), mean weeks until cleared, up to each week
    second: FloatArray  # (n_strategies, horizon + 1), by the g-formula; NaN where not asked for


class Engine:
    """The comparison of some strategies on one trial.

    ``seed`` is of the g-formula's simulated histories; ``by`` has a further group for each course,
    or None.
    """

    def __init__(
        self,
        trial: Trial,
        strategies: Sequence[Strategy],
        *,
        horizon: int,
        seed: int = 0,
        by: Sequence[str | None] = (),
    ) -> None:
        panel = trial.panel
        self.trial, self.panel, self.horizon, self.seed = trial, panel, horizon, seed
        self.strategies = strategies
        self.masks = [followed(panel, strategy.plan) for strategy in strategies]
        names = trial.courses["ink_group"].to_numpy(dtype=object)
        levels = sorted({level for level in by if level is not None})
        self.groups = ("all", *INK_GROUPS, *levels)
        among = [names == ink for ink in INK_GROUPS]
        among += [np.array(by, dtype=object) == level for level in levels]
        self.inside = [np.ones(len(panel.step), dtype=bool), *(one[panel.subject] for one in among)]
        self.model = WeightModel(panel, ridge=RIDGE)
        self.weights = self.model.fit()
        # of each strategy, truncated, and the limit; 0 where it is not followed
        self.used = [self.weights.used(mask, quantile=TRUNCATE) for mask in self.masks]
        # the rows on a grid of weeks: each ends in the week of its session
        stop = np.floor(trial.week).astype(np.int64) + 1
        entry = np.where(panel.first, 0, np.concatenate([[0], stop[:-1]]))
        self.week_entry, self.week_stop = entry, np.maximum(stop, entry + 1)
        gaps = np.diff(trial.week)[~panel.first[1:]]
        self.spacing = (float(np.median(gaps)) if gaps.size else 0.0) or USUAL_WEEKS

    @cached_property
    def second_model(self) -> HazardGFormula:
        """The second route."""
        agents = self.panel.agent
        assert agents is not None  # a trial has one for every row
        agent = agents[self.panel.first]
        often = np.flatnonzero(np.bincount(agent + 1)[1:] >= LEAST_FOLLOWERS)
        hands = agent[:, None] == often
        return HazardGFormula(
            self.panel,
            baseline=np.column_stack([self.trial.baseline, hands]),
            state=self.trial.ink_left,
            state_after=self.trial.ink_left_after,
            fresh=self.trial.graded,
            horizon=self.horizon,
            seed=self.seed,
        )

    def last_week(self, horizon: int) -> int:
        """Return the week that stands for a horizon in sessions."""
        return max(1, round(self.spacing * (horizon - 1)))

    def run(self, clusters: FloatArray | None = None, *, second: int = 1) -> Drawn:
        """Return the result when each client counts so many times, (n_clients,) or (k, n_clients).

        The second route is worked out for the first ``second`` of them.
        """
        panel = self.panel
        subjects = np.ones(panel.n_subjects) if clusters is None else clusters[..., panel.cluster]
        rows, weights = subjects[..., panel.subject], self.weights
        if clusters is not None:
            weights = self.model.fit(rows, start=weights.coefficients, tolerance=1e-5)
        survival, unadjusted, weeks = [], [], []
        for mask in self.masks:
            used, _ = weights.used(mask, quantile=TRUNCATE, rows=rows)
            survival.append(self.curves(used * rows, mask))
            unadjusted.append(self.curves(rows, mask, groups=1)[..., 0, :])
            here = self.week_stop[mask], panel.event[mask], self.week_entry[mask]
            last = self.last_week(self.horizon)
            risk, events = life_sums(*here, (used * rows)[..., mask], last)
            hazard = shares(events, risk, above=1e-9)
            still = np.cumprod(1 - hazard, axis=-1)[..., :-1].cumsum(axis=-1)
            weeks.append(np.concatenate([np.ones_like(hazard[..., :1]), 1 + still], axis=-1))
        axis = subjects.ndim - 1
        both = np.full((*subjects.shape[:-1], len(self.masks), self.horizon + 1), np.nan)
        if second:
            some, fit = slice(second) if axis else ..., self.second_model.whole
            if axis:
                fit = self.second_model.fit(rows[some], start=fit)
            share = subjects[some] / subjects[some].sum(axis=-1, keepdims=True)
            for place, strategy in enumerate(self.strategies):
                each = self.second_model.survival(fit, strategy.plan)
                both[some][..., place, :] = (share[..., None, :] @ each)[..., 0, :]
        stacked = [np.stack(one, axis) for one in (survival, unadjusted, weeks)]
        return Drawn(stacked[0], stacked[1], stacked[2], both)

    def curves(
        self, weight: FloatArray, mask: BoolArray, *, groups: int | None = None
    ) -> FloatArray:
        """Return the survival of each group, or of the first: (..., n_groups, horizon + 1)."""
        curves = []
        for inside in self.inside[:groups]:
            here = np.flatnonzero(mask & inside)
            used, place = weight[..., here], self.panel.step[here] - 1
            risk = sums_by(place, used, self.horizon)
            events = sums_by(place, used * self.panel.event[here], self.horizon)
            curves.append(np.cumprod(1 - shares(events, risk), axis=-1))
        after = np.stack(curves, axis=-2)
        return np.concatenate([np.ones_like(after[..., :1]), after], axis=-1)

    def counts(self, place: int, group: int = 0) -> tuple[IntArray, IntArray]:
        """Return the courses at risk and clearing at each session under one strategy."""
        mask = self.masks[place] & self.inside[group]
        at_risk, cleared = (
            np.bincount(self.panel.step[here] - 1, minlength=self.horizon).astype(np.int64)
            for here in (mask, mask & self.panel.event)
        )
        return at_risk, cleared

    def followers(self, place: int, group: int = 0) -> IntArray:
        """Return the courses that followed a strategy up to each session, at risk at its change.

        Before its change the strategy is another one, and everybody counts.
        """
        at_risk, cleared = self.counts(place, group)
        counted, begins = cleared.copy(), self.strategies[place].begins
        counted[: begins - 1] = 0
        earlier = np.where(np.arange(len(cleared)) < begins - 1, cleared.cumsum() - cleared, 0)
        return np.asarray(at_risk + counted.cumsum() - counted + earlier)

    def supported_to(self, place: int, group: int = 0, *, auto: bool = False) -> int:
        """Return the last session with enough courses at risk and enough followers."""
        least = AUTO_AT_RISK if auto else LEAST_AT_RISK
        few = self.followers(place, group) < LEAST_FOLLOWERS
        thin = np.flatnonzero((self.counts(place, group)[0] < least) | few)
        return int(thin[0]) if thin.size else self.horizon

    @cached_property
    def no_overlap(self) -> bool:
        """Whether what is known before all but decides the regime that a course begins with.

        So it is where for most courses the fitted chance of one regime is next to none, or where a
        few carry nearly all the weight of theirs. Of fewer courses than a verdict needs it cannot
        be told.
        """
        first = self.panel.first
        chance, group = 1 / self.weights.choice[first], self.panel.group[first]
        begun = np.bincount(group, minlength=2)
        if begun.min() < LEAST_EFFECTIVE:
            return False
        share = (begun / len(group))[group]
        rare = (chance < LEAST_ALIKE * share) | (1 - chance < LEAST_ALIKE * (1 - share))
        worth = np.array([effective_number(1 / chance[group == one]) for one in (0, 1)])
        few = (worth < LEAST_CARRYING * begun).any()
        many = begun.min() >= 2 * LEAST_EFFECTIVE  # in fewer one heavy weight alone does it
        return bool((many and few) or rare.mean() > MOST_WITHOUT_CHANCE)

    def carried(self, place: int) -> Followers:
        """Return who followed a strategy from the session on from which its last regime holds."""
        panel, weights, mask = self.panel, self.weights, self.masks[place]
        begins = self.strategies[place].begins
        since, there = mask & (panel.step >= begins), mask & (panel.step == begins)
        last = since & (panel.last | ~np.append(mask[1:], False))
        without = stalled = 0.0
        if begins > 1:
            earlier = np.concatenate([[1.0], weights.choice[:-1]])
            could = (panel.step == begins) & np.concatenate([[False], mask[:-1]])
            chance = (earlier / weights.choice)[could]
            chance = np.where(mask[could], chance, 1 - chance)
            weight = np.concatenate([[1.0], weights.stabilised[:-1]])[could]
            without = float(weight @ (chance < LEAST_CHANCE) / max(weight.sum(), 1e-9))
            known = panel.before[there, panel.names.index("stalled")]
            stalled = float(known.mean()) if len(known) else 0.0
        clients = len(np.unique(panel.cluster[panel.subject[since]]))
        effective = effective_number(self.used[place][0][last])
        return Followers(int(there.sum()), clients, effective, without, stalled)


def bootstrap(engine: Engine, settings: Settings) -> Drawn:
    """Return the result, and after it those of resamples of clients, along a first axis."""
    n_clusters, replicates = int(engine.panel.cluster.max()) + 1, settings.replicates
    counts = cluster_counts(n_clusters, replicates, seed=settings.seed).astype(np.float64)
    pieces = [(place, counts[place : place + CHUNK]) for place in range(0, replicates, CHUNK)]
    once = Drawn(*(value[None] for value in fields_of(engine.run()).values()))
    resampled = run_units(partial(_chunk, engine, settings.second), pieces, label="resamples")
    every = zip(*(fields_of(one).values() for one in (once, *resampled)), strict=True)
    return Drawn(*map(np.concatenate, every))


def _chunk(engine: Engine, second: int, piece: tuple[int, FloatArray]) -> Drawn:
    first, counts = piece
    return engine.run(counts, second=min(max(second - first, 0), len(counts)))


@dataclass(frozen=True, slots=True)
class Followers:
    """Who followed a strategy from the session on from which its last regime holds."""

    courses: int  # at risk at that session, and following it there
    clients: int
    effective: float  # Kish's effective number of the courses
    # Weighted share, among the courses that could have followed it on from there, of those whose
    # fitted chance of doing so was below 2 in 100; 0 for a strategy without a change.
    without_chance: float
    stalled: float  # share of the ``courses`` that had stalled; 0 without a change

    @property
    def held(self) -> dict[str, float]:
        """What they have of what a verdict needs, by the code of falling short of it."""
        return {"too_few_clients": self.clients, "too_few_effective": self.effective}

    @property
    def lacking(self) -> tuple[str, ...]:
        """The codes of what they fall short of, for a verdict and for an estimate alike."""
        no_choice = self.without_chance > MOST_WITHOUT_CHANCE
        return (*short_of(self.held), *["hardly_a_chance"] * no_choice)


@dataclass(frozen=True, eq=False, repr=False)
class Answers:
    """Every difference of a comparison and what is said of it: fields of `RegimeComparison`."""

    difference: Mapping[str, Contrast]
    cleared_by: Mapping[int, Mapping[str, Contrast]]
    by_ink: Mapping[str, Mapping[str, Contrast]]
    unadjusted: Mapping[str, Contrast]
    second_route: Mapping[str, Contrast]
    verdict: Mapping[str, Verdict]
    reasons: Mapping[str, tuple[str, ...]]
    supported: Mapping[str, Supported]
    means: Mapping[str, Contrast]
    by_group: Mapping[str, Mapping[str, Contrast]]
    differ: Mapping[str, tuple[float, int, float, int]]

    @classmethod
    def missing(
        cls,
        settings: Settings,
        difference: Mapping[str, Contrast] | None = None,
        reasons: Mapping[str, tuple[str, ...]] | None = None,
    ) -> Answers:
        """Return the answers without curves; differences and reasons may come from elsewhere."""
        empty = {key: Contrast.missing(settings.level) for key in settings.pairs}
        shown = {**empty, **(difference or {})}
        why = {key: reasons_for(one, settings.margin) for key, one in shown.items()}
        why |= reasons or {}
        return cls(
            difference=shown,
            cleared_by=dict.fromkeys(SHOWN_AT, empty),
            by_ink=dict.fromkeys(INK_GROUPS, empty),
            unadjusted=empty,
            second_route=empty,
            verdict={k: verdict_of(one, settings.margin, why[k]) for k, one in shown.items()},
            reasons=why,
            supported={},
            means={},
            by_group={},
            differ={},
        )


def answers(
    engine: Engine,
    drawn: Drawn,
    support: Sequence[int],
    lacking: Mapping[str, tuple[str, ...]],
    settings: Settings,
) -> Answers:
    """Return the contrasts that have support up to the horizon; the others are missing.

    ``support`` is the last session that each strategy carries, ``lacking`` what the courses of
    each pair fall short of for a verdict.
    """
    margin, everyone = settings.margin, drawn.survival[:, :, 0]
    difference = _means(everyone, support, settings)
    second = _means(drawn.second, support, settings)
    apart = [k for k, one in difference.items() if ">" in k and one.disagrees(second[k])]
    lacking = {k: (*few, *["routes_disagree"] * (k in apart)) for k, few in lacking.items()}
    reasons = {k: reasons_for(one, margin, lacking[k]) for k, one in difference.items()}
    by_ink = {}
    for group, name in enumerate(INK_GROUPS, start=1):
        reach = [engine.supported_to(place, group) for place in range(len(settings.plans))]
        by_ink[name] = _means(drawn.survival[:, :, group], reach, settings)
    by_group, differ = _by_group(engine, drawn, settings)
    supported = {}
    for key, pair in settings.pairs.items():
        last = min(support[pair[0]], support[pair[1]], settings.horizon_of(key))
        chosen = last < settings.horizon_of(key)  # by the log, which looking again forbids
        if last >= settings.shortest(*pair) and not (chosen and settings.looking_again):
            one = settings.drawn(_gaps(everyone, pair, last))
            why = reasons_for(one, margin, lacking[key])
            supported[key] = Supported(last, one, verdict_of(one, margin, why), why)
    return Answers(
        difference=difference,
        cleared_by={n: _shares(n, drawn, support, settings) for n in SHOWN_AT},
        by_ink=by_ink,
        unadjusted=_means(drawn.unadjusted, support, settings),
        second_route=second,
        verdict={k: verdict_of(one, margin, reasons[k]) for k, one in difference.items()},
        reasons=reasons,
        supported=supported,
        means={
            name: settings.drawn(everyone[:, place, :last].sum(axis=1))
            for last in [min(map(settings.horizon_of, settings.pairs))]
            for place, name in enumerate(settings.names)
            if support[place] >= last
        },
        by_group=by_group,
        differ=differ,
    )


def _means(survival: FloatArray, support: Sequence[int], settings: Settings) -> dict[str, Contrast]:
    return {
        key: settings.drawn(_gaps(survival, pair, settings.horizon_of(key)))
        if min(support[pair[0]], support[pair[1]]) >= settings.horizon_of(key)
        else Contrast.missing(settings.level)
        for key, pair in settings.pairs.items()
    }


# The differences in mean sessions up to the last; replicates without a second route are NaN.
def _gaps(survival: FloatArray, pair: tuple[int, int], last: int) -> FloatArray:
    left, right = pair
    return np.asarray((survival[:, left] - survival[:, right])[:, :last].sum(axis=1))


# The difference within each level, and Wald's test of whether they differ: from the draws of all
# levels together, since a client may have courses in several.
def _by_group(
    engine: Engine, drawn: Drawn, settings: Settings
) -> tuple[dict[str, dict[str, Contrast]], dict[str, tuple[float, int, float, int]]]:
    places = range(1 + len(INK_GROUPS), len(engine.groups))
    table: dict[str, dict[str, Contrast]] = {engine.groups[place]: {} for place in places}
    differ = {}
    for key, pair in settings.pairs.items():
        common = {
            group: min(engine.supported_to(place, group) for place in pair) for group in places
        }
        last = settings.horizon_of(key)
        if settings.auto and common:
            last = max(min(last, sorted(common.values())[-2]), settings.shortest(*pair))
        kept = []
        for place in places:
            contrast = Contrast.missing(settings.level)
            if common[place] >= last:
                gaps = _gaps(drawn.survival[:, :, place], pair, last)
                contrast = settings.drawn(gaps)
                kept += [gaps] * (not contrast.without_width)
            table[engine.groups[place]][key] = contrast
        if len(kept) > 1:
            moved = np.array(kept[1:]) - kept[0]
            apart, spread = moved[:, 0], np.atleast_2d(np.cov(moved[:, 1:]))
            statistic = float(apart @ np.linalg.pinv(spread) @ apart)
            p_value = float(chdtrc(len(apart), statistic))
            differ[key] = (statistic, len(apart), p_value, last)
    return table, differ


def _shares(
    n: int, drawn: Drawn, support: Sequence[int], settings: Settings
) -> dict[str, Contrast]:
    table = {}
    for key, (left, right) in settings.pairs.items():
        table[key] = Contrast.missing(settings.level)
        if n <= min(settings.horizon_of(key), support[left], support[right]):
            gaps = drawn.survival[:, right, 0, n] - drawn.survival[:, left, 0, n]
            table[key] = settings.drawn(gaps)
    return table


def curve_table(engine: Engine, drawn: Drawn, settings: Settings) -> pd.DataFrame:
    """Return each strategy's curve, with its band, for everyone and each group with support."""
    tables = []
    for place, name in enumerate(settings.names):
        for group, label in enumerate(engine.groups):
            at_risk = engine.counts(place, group)[0][: engine.supported_to(place, group)]
            survival = drawn.survival[:, place, group, 1 : len(at_risk) + 1]
            tables.append(one_curve(name, label, at_risk, survival, settings.level))
    return pd.concat(tables, ignore_index=True)


def weighted_rows(engine: Engine, settings: Settings) -> pd.DataFrame:
    """Return the rows with new course and client numbers and each strategy's weights."""
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
        f"weight {name}": used for name, (used, _) in zip(settings.names, engine.used, strict=True)
    }
    return pd.concat([frame, known, pd.DataFrame(weights)], axis=1)


OFFERED = ("ns", "ps", "ns:4>ps")
FEWEST_EVENTS = 30


def fit_strategies(
    log: OutcomeLog, filled: pd.DataFrame, spec: CountModel
) -> Mapping[str, FittedCountModel]:
    """Return the model fitted under each strategy that enough courses of a ``log`` follow.

    ``filled`` has one row per course with ``course_id`` and every covariate, none missing, and no
    more; ``spec`` is the model chosen for the log's own practice. Empty when the log has no
    sessions, one regime only, hands that go with the regimes, no like courses under both, or too
    few followers: at least 30 finished courses that kept to it, at and after its change, and what
    `Followers` must have for a verdict.

    Examples
    --------
    >>> from forecast.survival import LifeTable
    >>> fit_strategies(log, log.courses[["course_id"]], LifeTable())  # 52 courses: too few
    {}
    """
    try:
        trial = trial_rows(log, horizon=COMPARED_TO)
    except DataError:
        return {}
    if trial is None or operators_apart(trial):
        return {}
    engine = Engine(trial, read_strategies(OFFERED, horizon=COMPARED_TO), horizon=COMPARED_TO)
    if engine.no_overlap:
        return {}
    panel = engine.panel
    courses = filled.set_index("course_id").loc[trial.courses["course_id"]]
    clients = trial.courses["client_id"].to_numpy()
    found = {}
    for place, strategy in enumerate(engine.strategies):
        used = engine.used[place][0]
        kept = engine.masks[place] & (used > 0)
        finished = panel.event[kept & (panel.step >= strategy.begins)].sum()
        if finished < FEWEST_EVENTS or engine.carried(place).lacking:
            continue
        subject = panel.subject[kept]
        found[strategy.name] = spec.fit(
            Durations(
                step=panel.step[kept],
                observed=panel.event[kept],
                covariates=courses.iloc[subject],
                subject=clients[subject],
                entry=panel.step[kept] - 1,
                weight=used[kept] / used[kept].mean(),
            )
        )
    return found
