"""The discrete-time likelihood from one line per row of data, never one line per row and step.

Notation: row i is at risk in steps ``entry + 1`` to ``step``; ``a`` is the baseline on the link
scale, one value per step; ``x'b`` what the covariates add. With the complementary log-log link
and r = exp(x'b), A(t) = sum of exp(a) up to t, the row's log-likelihood is closed:

    -r (A(last survived) - A(entry)) + [event] log(1 - exp(-r exp(a at the event)))

(grouped proportional hazards; Prentice & Gloeckler 1978, Biometrics 34:57). Derivatives by ``a``
are sums over risk sets, obtained by adding up sums by last survived step from the end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.design import Design, Groups

__all__ = ["Pass", "RiskRows", "cloglog_pass", "expected_information", "logit_pass", "row_scores"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

LARGEST = 700.0  # exp(700) is still a number
SMALLEST = 1e-300  # met only at events without weight, in steps that have no event
TINIEST = 1e-30


@dataclass(frozen=True, slots=True, eq=False)
class RiskRows:
    """Rows without the event, then rows with it, each sorted by last survived step.

    Attributes
    ----------
    entry, survived : ndarray of shape (n,), int
        Event-free in steps ``entry + 1`` to ``survived``.
    n_quiet : int
        Rows from here on have the event at step ``survived + 1``.
    weight : ndarray of shape (n,)
    event_weight : ndarray of shape (n - n_quiet,)
        The weight of each event; 0 where everyone at risk had it, which tells nothing.
    design : Design
    steps : int
        The last step of the baseline.
    quiet, hit : Groups
        Rows without and with the event by last survived step, 0 to ``steps``.
    by_entry : Groups or None
        Rows with a late entry, by entry.
    """

    entry: IntArray
    survived: npt.NDArray[np.signedinteger]
    n_quiet: int
    weight: FloatArray
    event_weight: FloatArray
    design: Design
    steps: int
    quiet: Groups
    hit: Groups
    by_entry: Groups | None

    @classmethod
    def build(
        cls, entry: IntArray, survived: IntArray, n_quiet: int, weight: FloatArray, design: Design
    ) -> RiskRows:
        """Return the rows with their groups; they must come sorted."""
        steps = int(max(survived[:n_quiet].max(initial=0), survived[n_quiet:].max(initial=-1) + 1))
        numbers = np.arange(steps + 2)
        quiet = np.searchsorted(survived[:n_quiet], numbers)
        hit = np.searchsorted(survived[n_quiet:], numbers) + n_quiet
        late = np.flatnonzero(entry > 0)
        small = np.int16 if steps < 2**15 else np.int64
        return cls(
            entry if len(late) else np.broadcast_to(np.int64(0), entry.shape),
            survived.astype(small),
            n_quiet,
            weight,
            weight[n_quiet:],
            design,
            steps,
            design.slices(quiet[:-1], quiet[1:]),
            design.slices(hit[:-1], hit[1:]),
            design.grouping(late, entry[late], steps + 1) if len(late) else None,
        )

    def every(self, stride: int) -> RiskRows:
        """Return each ``stride``-th row."""
        n_quiet = -(-self.n_quiet // stride)
        found = RiskRows.build(
            np.ascontiguousarray(self.entry[::stride]),
            self.survived[::stride].astype(np.int64),
            n_quiet,
            np.ascontiguousarray(self.weight[::stride]),
            self.design.every(stride),
        )
        told = self.event_weight[n_quiet * stride - self.n_quiet :: stride]
        return replace(found, event_weight=np.ascontiguousarray(told))

    def counts(self, weight: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Return (at risk, events) at steps 1 to the last; each row counts once without weights."""
        cut = self.n_quiet
        if weight is None:
            quiet = (self.quiet.stop - self.quiet.start).astype(np.float64)
            hit = (self.hit.stop - self.hit.start).astype(np.float64)
        else:
            quiet = segment_sums(weight[:cut], self.quiet.start, self.quiet.stop)
            hit = segment_sums(weight[cut:], self.hit.start - cut, self.hit.stop - cut)
        # the last step at risk is survived + 1 for rows with the event
        stays = quiet[1:] + hit[:-1]
        if self.by_entry is not None and self.by_entry.rows is not None:
            who = self.by_entry.rows
            late = np.ones(len(who)) if weight is None else weight[who]
            stays = stays - segment_sums(late, self.by_entry.start, self.by_entry.stop)[1:]
        at_risk: FloatArray = np.cumsum(stays[::-1])[::-1]
        return at_risk, hit[:-1]

    def spread(self, by_step: FloatArray) -> FloatArray:
        """Return the value of each row's last survived step, from values at 0 to ``steps``."""
        long = np.concatenate([self.quiet.stop - self.quiet.start, self.hit.stop - self.hit.start])
        return np.repeat(np.concatenate([by_step, by_step]), long)

    def risk_sums(self, values: FloatArray) -> FloatArray:
        """Return the sums of v and v x over who survives each step, shape (steps, 1 + p)."""
        design, cut = self.design, self.n_quiet
        sums = design.sums(self.quiet, values[:cut]) + design.sums(self.hit, values[cut:])
        if self.by_entry is not None and self.by_entry.rows is not None:
            sums -= design.sums(self.by_entry, values[self.by_entry.rows])
        # a row that survives to E is in the risk sets of steps up to E
        return np.asarray(np.cumsum(sums[::-1], axis=0)[::-1][1:])

    def at_risk(self, step: int) -> list[slice]:
        """Return the runs of rows that are watched in ``step``, late entries included."""
        runs = [
            slice(int(self.quiet.start[step]), self.n_quiet),
            slice(int(self.hit.start[step - 1]), len(self.survived)),
        ]
        return [run for run in runs if run.stop > run.start]

    def late_mask(self, run: slice, step: int) -> npt.NDArray[np.bool_] | None:
        """Mark rows of a run that have entered before ``step``; None when nobody enters late."""
        return None if self.by_entry is None else self.entry[run] < step


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
    design, cut = rows.design, rows.n_quiet
    rate = np.exp(baseline)
    total = np.concatenate([[0.0], np.cumsum(rate)])
    relative = design.dot(slopes)
    np.exp(relative, out=relative)
    u = rows.spread(np.append(rate, 0.0))[cut:]
    u *= relative[cut:]
    weighted = np.multiply(relative, rows.weight, out=relative)
    risk = rate[:, None] * rows.risk_sums(weighted)
    curve = rows.spread(total)
    if rows.by_entry is not None:
        curve -= total[rows.entry]
    curve *= weighted
    loglik = -float(curve.sum())
    score = np.negative(curve, out=weighted)
    # f(eta) = log(1 - exp(-u)), u = exp(eta): f' = g = u / (exp(u) - 1), -f'' = g (u + g - 1)
    np.clip(u, SMALLEST, LARGEST, out=u)
    grown = np.expm1(u)
    spare = np.log(grown)
    spare -= u  # log(1 - exp(-u))
    loglik += float(rows.event_weight @ spare)
    del spare  # what is no longer needed would be in memory where it is fullest
    g = np.divide(u, grown, out=grown)
    u += g
    u -= 1.0
    gain = np.multiply(rows.event_weight, g, out=g)
    bend = np.multiply(gain, u, out=u)
    score[cut:] += gain
    curve[cut:] += bend
    gained = segment_sums(gain, rows.hit.start - cut, rows.hit.stop - cut)[:-1]
    del grown, g, gain
    second = risk + design.sums(rows.hit, bend)[:-1]
    by_step, by_slope = gained - risk[:, 0], design.dot_rows(score)
    del u, bend, relative, weighted, score
    return Pass(loglik, by_step, by_slope, second[:, 0], second[:, 1:], design.gram(curve))


def logit_pass(rows: RiskRows, baseline: FloatArray, slopes: FloatArray) -> Pass:
    """Return the pass for the logit link, one step's risk set at a time."""
    design, cut = rows.design, rows.n_quiet
    odds = np.exp(design.dot(slopes))
    rate = np.exp(baseline)
    info = Information(rows.steps, design)
    score, by_step, loglik = np.zeros(len(design)), np.zeros(rows.steps), 0.0
    for step in steps_with(rate):
        amounts = []
        for run in rows.at_risk(step):
            chance = odds[run] * rate[step - 1]
            stays = 1.0 + chance
            weight, entered = rows.weight[run], rows.late_mask(run, step)
            if entered is not None:
                weight = weight * entered
            loglik -= float(weight @ np.log(stays))
            chance /= stays
            expected = weight * chance
            score[run] -= expected
            by_step[step - 1] -= expected.sum()
            expected /= stays
            amounts.append((run, expected))
        info.add(step, amounts)
    # at the event the log odds come on top
    told = odds[cut:] * rows.spread(np.append(rate, 0.0))[cut:]
    loglik += float(rows.event_weight @ np.log(np.maximum(told, SMALLEST)))
    score[cut:] += rows.event_weight
    by_step += segment_sums(rows.event_weight, rows.hit.start - cut, rows.hit.stop - cut)[:-1]
    return Pass(
        loglik, by_step, design.dot_rows(score), info.step_step, info.step_slope, info.gram()
    )


def steps_with(rate: FloatArray) -> list[int]:
    """Return the steps at which the event can happen, counted from 1."""
    return [int(at) + 1 for at in np.flatnonzero(rate > 0)]


def segment_sums(values: FloatArray, start: IntArray, stop: IntArray) -> FloatArray:
    """Return the sum of each run of values."""
    total = np.empty(len(values) + 1)
    total[0] = 0.0
    np.cumsum(values, out=total[1:])
    return np.asarray(total[stop] - total[start])


class Information:
    """Sums of information over risk sets, step by step."""

    def __init__(self, steps: int, design: Design) -> None:
        self.design = design
        self.step_step = np.zeros(steps)
        self.step_slope = np.zeros((steps, design.width))
        self.by_row = np.zeros(len(design))

    def add(self, step: int, runs: list[tuple[slice, FloatArray]]) -> None:
        """Add one step's information of some runs of rows."""
        self.step_slope[step - 1] = self.design.dot_runs(runs)
        for run, amount in runs:
            self.step_step[step - 1] += amount.sum()
            self.by_row[run] += amount

    def gram(self) -> FloatArray:
        """Return the information about the slopes, shape (p, p)."""
        return self.design.gram(self.by_row)


def expected_information(
    rows: RiskRows, baseline: FloatArray, slopes: FloatArray, link: str
) -> Information:
    """Return the expected information of a binomial model of every step at risk.

    The weight of a step is h'(eta)² / (h (1 - h)): u² / (exp(u) - 1) for the complementary
    log-log link, h (1 - h) for the logit (McCullagh & Nelder 1989, section 2.5).
    """
    relative, rate = np.exp(rows.design.dot(slopes)), np.exp(baseline)
    info = Information(rows.steps, rows.design)
    weighted = bool((rows.weight != 1).any())
    open_rates = rate[rate > 0]
    calm = bool(
        open_rates.min(initial=1.0) * relative.min() > TINIEST
        and open_rates.max(initial=0.0) * relative.max() < LARGEST
    )
    for step in steps_with(rate):
        amounts = []
        for run in rows.at_risk(step):
            u = relative[run] * rate[step - 1]
            if link == "logit":
                amount = u / (1 + u) ** 2
            else:
                if not calm:
                    np.clip(u, TINIEST, LARGEST, out=u)
                amount = np.expm1(u)
                u *= u
                np.divide(u, amount, out=amount)
            if weighted:
                amount *= rows.weight[run]
            entered = rows.late_mask(run, step)
            if entered is not None:
                amount *= entered
            amounts.append((run, amount))
        info.add(step, amounts)
    return info


def row_scores(
    rows: RiskRows, baseline: FloatArray, slopes: FloatArray, basis: FloatArray, link: str
) -> tuple[FloatArray, FloatArray]:
    """Return each row's derivative by the baseline's parameters (n, k) and by x'b (n,).

    The derivative by a slope is the latter times its covariate.
    """
    design, cut = rows.design, rows.n_quiet
    relative, rate = np.exp(design.dot(slopes)), np.exp(baseline)
    by_form, by_linear = np.zeros((len(design), basis.shape[1])), np.zeros(len(design))
    used = [np.flatnonzero(row) for row in basis]

    def add(run: slice, score: FloatArray, step: int) -> None:
        by_linear[run] += score
        for column in used[step - 1]:
            by_form[run, column] += basis[step - 1, column] * score

    for step in steps_with(rate):
        for run in rows.at_risk(step):
            u = relative[run] * rate[step - 1]
            score = -rows.weight[run] * (u / (1 + u) if link == "logit" else u)
            entered = rows.late_mask(run, step)
            add(run, score if entered is None else score * entered, step)
    # the event itself: 1 in place of h for the logit, f'(eta) in place of -u for the other link
    for step in steps_with(rate):
        run = slice(int(rows.hit.start[step - 1]), int(rows.hit.stop[step - 1]))
        weight = rows.event_weight[run.start - cut : run.stop - cut]
        u = np.clip(relative[run] * rate[step - 1], SMALLEST, LARGEST)
        add(run, weight if link == "logit" else weight * (u / np.expm1(u) + u), step)
    return by_form, by_linear
