"""The tables of a comparison: differences, shares, ink groups, curves, weighted rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from forecast._checks import SHOWN_AT
from forecast._types import FloatArray
from forecast.regimes.diagnostics import sums_by_session, supported_to
from forecast.regimes.strategies import Settings
from forecast.regimes.verdict import Contrast, Supported, verdict_of
from forecast.regimes.weighted_curves import TRUNCATE, Engine, Result
from forecast.tattoo import INK_GROUPS

if TYPE_CHECKING:
    import pandas as pd

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
