"""The discrete-time likelihood from one line per row of data, never one line per row and step.

Notation: row i is at risk in steps ``entry + 1`` to ``step``; ``a`` is the baseline on the link
scale, one value per step; ``x'b`` what the covariates add. With the complementary log-log link
and r = exp(x'b), A(t) = sum of exp(a) up to t, the row's log-likelihood is closed:

    -r (A(last survived) - A(entry)) + [event] log(1 - exp(-r exp(a at the event)))

(grouped proportional hazards; Prentice & Gloeckler 1978, Biometrics 34:57). Derivatives by ``a``
are sums over risk sets, obtained by adding up sums by last survived step from the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.design import BLOCK, Design, Groups

__all__ = ["Pass", "RiskRows", "cloglog_pass", "expected_information", "logit_pass", "row_scores"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

LARGEST = 700.0  # exp(700) is still a number
SMALLEST = 1e-300  # met by rows of weight 0 only, at steps that have no event of weight


@dataclass(frozen=True, slots=True, eq=False)
class RiskRows:
    """Rows sorted by last survived step, censored before events, with their design.

    Attributes
    ----------
    entry, survived : ndarray of shape (n,), int
        Event-free in steps ``entry + 1`` to ``survived``.
    event : ndarray of shape (n,), bool
        Event at step ``survived + 1``.
    weight : ndarray of shape (n,)
    design : Design
    steps : int
        The last step of the baseline.
    by_survived, by_event, by_entry : Groups
        All rows by last survived step 0..steps; event rows by the same; rows with a late entry
        by entry.
    late : ndarray of shape (n_late,), int
        Rows with an entry above 0, in the order of ``by_entry``.
    """

    entry: IntArray
    survived: IntArray
    event: npt.NDArray[np.bool_]
    weight: FloatArray
    design: Design
    steps: int
    by_survived: Groups
    by_event: Groups
    by_entry: Groups | None
    late: IntArray

    @classmethod
    def build(
        cls,
        entry: IntArray,
        survived: IntArray,
        event: npt.NDArray[np.bool_],
        weight: FloatArray,
        design: Design,
        steps: int,
    ) -> RiskRows:
        """Return the rows with their groups; rows must be sorted by survived, then event."""
        bounds = np.searchsorted(2 * survived + event, np.arange(2 * steps + 3))
        start, middle, stop = bounds[0:-1:2], bounds[1::2], bounds[2::2]
        late = np.flatnonzero(entry > 0)
        by_entry = None
        if len(late):
            by_entry = design.grouping(late, entry[late], steps + 1)
            assert by_entry.rows is not None
            late = by_entry.rows
        return cls(
            entry,
            survived,
            event,
            weight,
            design,
            steps,
            design.slices(start, stop),
            design.slices(middle, stop),
            by_entry,
            late,
        )

    def reweighted(self, weight: FloatArray) -> RiskRows:
        """Return the same rows with other weights."""
        return RiskRows(
            self.entry,
            self.survived,
            self.event,
            weight,
            self.design,
            self.steps,
            self.by_survived,
            self.by_event,
            self.by_entry,
            self.late,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """One pass over the rows: the log-likelihood and its derivatives.

    Attributes
    ----------
    loglik : float
    by_step : ndarray of shape (steps,)
        Derivative by each step's baseline.
    by_slope : ndarray of shape (p,)
    step_step : ndarray of shape (steps,)
        Information (minus the second derivative); diagonal in steps.
    step_slope : ndarray of shape (steps, p)
    slope_slope : ndarray of shape (p, p)
    """

    loglik: float
    by_step: FloatArray
    by_slope: FloatArray
    step_step: FloatArray
    step_slope: FloatArray
    slope_slope: FloatArray


def cloglog_pass(rows: RiskRows, baseline: FloatArray, slopes: FloatArray) -> Pass:
    """Return the pass for the complementary log-log link (observed information).

    ``baseline`` is -inf at steps where the event cannot happen.
    """
    design, event = rows.design, rows.event
    rate = np.exp(baseline)
    total = np.concatenate([[0.0], np.cumsum(rate)])
    relative = np.exp(design.dot(slopes))
    weighted = relative * rows.weight
    exposure = total[rows.survived] - total[rows.entry]
    score = -weighted * exposure
    loglik = float(score.sum())
    curve = -score
    # f(eta) = log(1 - exp(-u)), u = exp(eta): f' = g = u / (exp(u) - 1), -f'' = g (u + g - 1)
    u = np.minimum(relative[event] * rate[rows.survived[event]], LARGEST)
    loglik += float(rows.weight[event] @ np.log(-np.expm1(-np.maximum(u, SMALLEST))))
    g = np.divide(u, np.expm1(u), out=np.ones_like(u), where=u > 0)
    gain, bend = rows.weight[event] * g, rows.weight[event] * g * (u + g - 1)
    score[event] += gain
    curve[event] += bend
    at_risk = design.sums(rows.by_survived, weighted)
    if rows.by_entry is not None:
        at_risk -= design.sums(rows.by_entry, weighted[rows.late])
    # a row that survives to E is in the risk sets of steps up to E
    risk = rate[:, None] * np.cumsum(at_risk[::-1], axis=0)[::-1][1:]
    bent = design.sums(rows.by_event, bend)[:-1]
    gained = np.bincount(rows.survived[event], gain, rows.steps)[: rows.steps]
    second = risk + bent
    return Pass(
        loglik,
        gained - risk[:, 0],
        design.dot_rows(score),
        second[:, 0],
        second[:, 1:],
        design.gram(curve),
    )


def block_steps(rows: RiskRows, low: int, high: int) -> tuple[slice, npt.NDArray[np.bool_]]:
    """Return the steps that rows ``low`` to ``high`` touch, and who is at risk in each."""
    last = rows.survived[low:high] + rows.event[low:high]
    first = int(rows.entry[low:high].min())
    steps = np.arange(first + 1, int(last.max()) + 1)
    risk = (rows.entry[low:high, None] < steps) & (steps <= last[:, None])
    return slice(first, first + len(steps)), risk


def logit_pass(rows: RiskRows, baseline: FloatArray, slopes: FloatArray) -> Pass:
    """Return the pass for the logit link, in blocks of rows by steps."""
    design, width = rows.design, rows.design.width
    linear = design.dot(slopes)
    loglik, by_step, by_slope = 0.0, np.zeros(rows.steps), np.zeros(width)
    info = Information(rows.steps, width)
    for low in range(0, len(design), BLOCK):
        high = min(low + BLOCK, len(design))
        steps, risk = block_steps(rows, low, high)
        x, weight, event = design.block(low, high), rows.weight[low:high], rows.event[low:high]
        eta = linear[low:high, None] + baseline[None, steps]
        chance = np.where(risk, 1 / (1 + np.exp(-eta)), 0.0)
        residual = -chance * weight[:, None]
        loglik += float(weight @ np.log1p(-chance * ~at_event(rows, low, high, steps)).sum(axis=1))
        hit = np.flatnonzero(event)
        column = rows.survived[low:high][hit] - steps.start
        loglik += float(weight[hit] @ np.log(np.maximum(chance[hit, column], SMALLEST)))
        residual[hit, column] += weight[hit]
        by_step[steps] += residual.sum(axis=0)
        by_slope += residual.sum(axis=1) @ x
        info.add(steps, chance * (1 - chance) * weight[:, None], x)
    return Pass(loglik, by_step, by_slope, info.step_step, info.step_slope, info.slope_slope)


def at_event(rows: RiskRows, low: int, high: int, steps: slice) -> npt.NDArray[np.bool_]:
    """Mark the row's own event step, shape (high - low, n_steps)."""
    number = np.arange(steps.start, steps.stop)
    mark: npt.NDArray[np.bool_] = rows.event[low:high, None] & (
        rows.survived[low:high, None] == number
    )
    return mark


class Information:
    """Sums of information over blocks of rows by steps."""

    def __init__(self, steps: int, width: int) -> None:
        self.step_step = np.zeros(steps)
        self.step_slope = np.zeros((steps, width))
        self.slope_slope = np.zeros((width, width))

    def add(self, steps: slice, amount: FloatArray, x: FloatArray) -> None:
        """Add a block: ``amount`` of shape (rows, steps), ``x`` of shape (rows, p)."""
        self.step_step[steps] += amount.sum(axis=0)
        self.step_slope[steps] += amount.T @ x
        self.slope_slope += x.T @ (x * amount.sum(axis=1)[:, None])


def expected_information(
    rows: RiskRows, baseline: FloatArray, slopes: FloatArray, link: str
) -> Information:
    """Return the expected information of a binomial model of every step at risk.

    The weight of a step is h'(eta)² / (h (1 - h)): u² / (exp(u) - 1) for the complementary
    log-log link, h (1 - h) for the logit (McCullagh & Nelder 1989, section 2.5).
    """
    design = rows.design
    linear = design.dot(slopes)
    info = Information(rows.steps, design.width)
    for low in range(0, len(design), BLOCK):
        high = min(low + BLOCK, len(design))
        steps, risk = block_steps(rows, low, high)
        eta = linear[low:high, None] + baseline[None, steps]
        if link == "logit":
            chance = 1 / (1 + np.exp(-eta))
            amount = chance * (1 - chance)
        else:
            u = np.minimum(np.exp(eta), LARGEST)
            amount = np.divide(u * u, np.expm1(u), out=np.zeros_like(u), where=u > 0)
        info.add(
            steps,
            np.where(risk, amount, 0.0) * rows.weight[low:high, None],
            design.block(low, high),
        )
    return info


def row_scores(
    rows: RiskRows, baseline: FloatArray, slopes: FloatArray, link: str
) -> tuple[FloatArray, FloatArray]:
    """Return each row's derivative by the baseline (n, steps) and by the slopes (n, p)."""
    design = rows.design
    linear = design.dot(slopes)
    by_step = np.zeros((len(design), rows.steps))
    by_slope = np.empty((len(design), design.width))
    for low in range(0, len(design), BLOCK):
        high = min(low + BLOCK, len(design))
        steps, risk = block_steps(rows, low, high)
        eta = linear[low:high, None] + baseline[None, steps]
        mark = at_event(rows, low, high, steps)
        if link == "logit":
            score = mark - 1 / (1 + np.exp(-eta))
        else:
            u = np.minimum(np.exp(eta), LARGEST)
            g = np.divide(u, np.expm1(u), out=np.ones_like(u), where=u > 0)
            score = np.where(mark, g, -u)
        score = np.where(risk, score, 0.0) * rows.weight[low:high, None]
        by_step[low:high, steps] = score
        by_slope[low:high] = score.sum(axis=1)[:, None] * design.block(low, high)
    return by_step, by_slope
