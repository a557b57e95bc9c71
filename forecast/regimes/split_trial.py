"""A split-tattoo trial: two halves of one tattoo, one regime each, compared within the pair."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import BoolArray, FloatArray, IntArray, cluster_counts
from forecast._checks import SHOWN_AT
from forecast._notes import Note, notes_as_json
from forecast._plain import fields_of, plain
from forecast.causal import life_sums, restricted_mean
from forecast.causal.rates import PairedDifference, paired_difference, share_at_every_look
from forecast.counts import split_halves
from forecast.fading import split_fading
from forecast.log import OutcomeLog
from forecast.regimes.trial import Settings
from forecast.regimes.verdict import (
    LEAST_AT_RISK,
    LEAST_CLIENTS,
    LEAST_PAIRS,
    Contrast,
    reasons_for,
)


@dataclass(frozen=True, slots=True, eq=False)
class SplitTrial:
    """The paired analysis of halves, ps minus ns."""

    n_pairs: int  # tattoos with one half always ns and the other always ps
    n_clients: int  # whose they are
    # Mean sessions up to the horizon, halves of stopped tattoos censored; clients resampled.
    difference: Contrast
    horizon: int  # of the mean: as asked, or, where none was, ``supported_to``
    supported_to: int  # last session with enough halves at risk under both
    # By 5, 10, 15 sessions: pairs in which only the ps half (``ps_only``), or only the ns half
    # (``ns_only``), was cleared, and the exact ``p_value`` of McNemar's test; pairs in which one
    # half was not watched that long are left out.
    cleared_by: Mapping[int, Mapping[str, float]]
    # Over pairs in which both halves were cleared: a narrower question, shown beside.
    sessions: PairedDifference | None
    fading: PairedDifference | None  # in the share of the remaining ink removed per session
    # Pairs in which the ps half, and in which the ns half, was cleared while the other was not.
    first_cleared: tuple[int, int]
    # The share of them that were ps halves, 95 % and exact at every look together, if the regime of
    # each half was drawn by lot: at 0.5 there is no difference.
    share_first: tuple[float, float]
    reasons: tuple[str, ...]  # what keeps a verdict on it back, see `reasons_for`
    course_ids: frozenset[str]  # of the halves
    notes: tuple[Note, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        names = ("n_pairs", "difference", "cleared_by", "sessions", "fading", "first_cleared",
                 "share_first", "reasons")  # fmt: skip
        pairs = {"sessions": _paired(self.sessions), "fading": _paired(self.fading)}
        every = fields_of(self) | pairs
        return {**plain({name: every[name] for name in names}), **notes_as_json(self.notes)}


def _paired(found: PairedDifference | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"n": found.n_pairs, "estimate": found.estimate, "interval": list(found.interval)}


def analyse_split(log: OutcomeLog, settings: Settings) -> SplitTrial | None:
    """Return the paired analysis, or None if the log holds no pair of halves."""
    if not len(log.sessions):
        return None
    pairs = split_halves(log)
    if not len(pairs):
        return None
    given = pairs[["sessions_given_ps", "sessions_given_ns"]].to_numpy(dtype=np.int64)
    cleared = pairs[["cleared_ps", "cleared_ns"]].to_numpy(dtype=bool)
    n_clients, notes = pairs["client_id"].nunique(), []
    client = pd.factorize(pairs["client_id"])[0]
    draws = cluster_counts(n_clients, settings.replicates, seed=settings.seed).astype(np.float64)[
        :, client
    ]
    # the last session, up to the horizon, with enough halves at risk under both
    at_risk = (given >= np.arange(1, settings.horizon + 1)[:, None, None]).sum(axis=1)
    done = (cleared & (given <= settings.horizon)).all(axis=0)
    thin = np.flatnonzero(~((at_risk >= LEAST_AT_RISK) | done).all(axis=1))
    support = int(thin[0]) if thin.size else settings.horizon
    horizon = max(2, support) if settings.auto else settings.horizon
    if support >= horizon and len(pairs) >= LEAST_PAIRS:
        difference = settings.contrast(*_difference(given, cleared, draws, horizon))
    else:
        difference = Contrast.missing(settings.level)
        values = {"pairs": len(pairs), "reach": support, "horizon": horizon}
        needed = {"least": LEAST_PAIRS, "at_risk": LEAST_AT_RISK}
        notes.append(Note("regimes.few_pairs", "serious", {**values, **needed}))
    both, graded = given[cleared.all(axis=1)], split_fading(log, level=settings.level)
    # one half was cleared while the other was not, whatever became of that one: the ps half, the ns
    later = np.where(cleared, given, given.max() + 1)[:, ::-1]
    ps_first, ns_first = (cleared & (given < later) & (given <= given[:, ::-1])).sum(axis=0)
    share = share_at_every_look(int(ps_first), int(ps_first + ns_first), level=0.95)
    lacking = ["too_few_clients"] if n_clients < LEAST_CLIENTS else []
    unsettled = share[0] <= 0.5 <= share[1] and not difference.within(settings.margin)
    if settings.looking_again and unsettled:
        lacking.append("not_at_every_look")
    return SplitTrial(
        n_pairs=len(pairs),
        n_clients=n_clients,
        difference=difference,
        horizon=horizon,
        supported_to=support,
        cleared_by=_cleared_by(given, cleared, horizon),
        sessions=paired_difference(*both.T, level=settings.level) if len(both) > 1 else None,
        first_cleared=(int(ps_first), int(ns_first)),
        share_first=share,
        fading=None if graded is None else graded.share,
        reasons=reasons_for(difference, settings.margin, lacking, few="too_few_pairs"),
        course_ids=frozenset([*pairs["course_id_ps"], *pairs["course_id_ns"]]),
        notes=tuple(notes),
    )


def _cleared_by(given: IntArray, cleared: BoolArray, horizon: int) -> dict[int, dict[str, float]]:
    from scipy.stats import binomtest

    tests = {}
    for n in SHOWN_AT:
        known = (cleared | (given >= n)).all(axis=1)
        by_n = cleared & (given <= n)
        ps, ns = (int((known & by_n[:, a] & ~by_n[:, 1 - a]).sum()) for a in (0, 1))
        if n <= horizon and known.any():
            p_value = float(binomtest(ps, ps + ns).pvalue) if ps + ns else 1.0
            tests[n] = {"ps_only": ps, "ns_only": ns, "p_value": p_value}
    return tests


# The difference of restricted means, and its error over draws of clients with both halves,
# (replicates, n_pairs).
def _difference(
    given: IntArray, cleared: BoolArray, draws: FloatArray, horizon: int
) -> tuple[float, float]:
    start = np.zeros(len(given), dtype=np.int64)

    def gap(weight: FloatArray) -> FloatArray:
        ps, ns = (
            restricted_mean(*life_sums(given[:, at], cleared[:, at], start, weight, horizon))[0]
            for at in (0, 1)
        )
        return ps - ns

    return float(gap(np.ones(len(given)))), float(gap(draws).std(ddof=1))
