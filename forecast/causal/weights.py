"""Who still follows a strategy, and the weights that let them stand for everyone.

The models behind the weights are small and fast enough to be refitted a thousand times.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._arrays import (
    AnyArray,
    BoolArray,
    FloatArray,
    IntArray,
    effective_number,
    shares,
    sums_by,
)
from forecast.errors import DataError, FitError, RequestError

LEAST = 5  # times that each outcome occurs, for a model of it
MOST_STEPS = 60
PATIENCE = 8  # full steps that Newton's method may take before each is checked
HALVES = 0.5 ** np.arange(21)  # of a step
NEAR = 0.02  # of the maximum
ROUNDING = 1e-12  # of a loss: near the maximum a step changes it by less than its last digits
FEW = 12  # sets of weights
ROWS_TOGETHER = 1024  # the products of their columns stay in the second-level cache


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Rows of subjects over steps 1, 2, ...: choice, event, loss, and the history before each.

    Within a step the order is: ``before`` is known, ``group`` is chosen, the ``event`` happens or
    not, ``after`` is known, and the subject is ``lost`` or goes on to the next ``step``. Rows of
    one ``subject`` stand together. DataError where rows are out of order.

    Attributes
    ----------
    subject, step : ndarray of int, shape (n,)
        Codes from 0, and steps from 1 without gaps.
    group : ndarray of int, shape (n,)
        0 or 1: what was chosen at this step.
    event, lost : ndarray of bool, shape (n,)
        On the subject's last row; ``lost`` after this step, without the event.
    before, after : ndarray of shape (n, p), (n, q)
        What may have moved the choice at this step, and the loss after it.
    cluster : ndarray of int, shape (n_subjects,)
        Codes from 0 of what is resampled together.
    names : tuple of str
        Of the columns of ``before``.
    agent : ndarray of int, shape (n,), or None
        Code of whoever chose; -1 where not known.

    Examples
    --------
    >>> panel.subject, panel.step, panel.group  # of the examples here: two subjects, two steps each
    (array([0, 0, 1, 1]), array([1, 2, 1, 2]), array([0, 1, 1, 1]))
    >>> panel.previous  # the group at the step before
    array([-1,  0, -1,  1])
    """

    subject: IntArray
    step: IntArray
    group: IntArray
    event: BoolArray
    lost: BoolArray
    before: FloatArray
    after: FloatArray
    cluster: IntArray
    names: tuple[str, ...]
    agent: IntArray | None = None

    def __post_init__(self) -> None:
        first, same = self.first, ~self.first[1:]
        values = np.hstack([self.before.ravel(), self.after.ravel()])
        jumps = (self.step[first] != 1).any() or (np.diff(self.step)[same] != 1).any()
        after_end = self.event[:-1][same].any() or self.lost[:-1][same].any()
        third, gaps = not np.isin(self.group, (0, 1)).all(), not np.isfinite(values).all()
        for wrong, problem, remedy in (
            (not len(self.step), "has no rows", "Give at least one subject and step"),
            (jumps, "has a subject whose steps do not run 1, 2, 3, ...", "Sort its rows"),
            (after_end, "has rows after an event or a loss", "Mark these on the last row only"),
            (third, "has a third group", "Code the two 0 and 1"),
            (gaps, "has gaps in what is known", "Fill them in, and say so"),
        ):
            if wrong:
                raise DataError(f"The panel {problem}.", f"{remedy}.")

    @property
    def first(self) -> BoolArray:
        """Whether each row is its subject's first."""
        return np.asarray(np.diff(self.subject, prepend=-1) != 0)

    @property
    def last(self) -> BoolArray:
        """Whether each row is its subject's last."""
        return np.asarray(np.diff(self.subject, append=-1) != 0)

    @property
    def previous(self) -> IntArray:
        """The group at the step before, and -1 at the first step."""
        return np.where(self.first, -1, np.roll(self.group, 1)).astype(np.int64)

    @property
    def n_subjects(self) -> int:
        """How many subjects there are."""
        return int(self.first.sum())


def followed(panel: Panel, wanted: npt.ArrayLike) -> BoolArray:
    """Return whether each row and all rows of its subject before it chose what was wanted.

    ``wanted`` has the group at steps 1, 2, ... of the ``panel``, the last for all later ones.
    Raises RequestError if what is wanted is not 0 or 1 at each step.

    Examples
    --------
    >>> followed(panel, [1])  # the first subject began with group 0
    array([False, False,  True,  True])
    """
    plan = np.asarray(wanted, dtype=np.int64)
    if plan.ndim != 1 or not plan.size or not np.isin(plan, (0, 1)).all():
        raise RequestError("A strategy names no group.", "Give 0 or 1 for each step.")
    departs = panel.group != plan[np.minimum(panel.step, len(plan)) - 1]
    return np.asarray(running_sum(departs, panel.first) == 0)


def running_sum(values: AnyArray, first: BoolArray) -> FloatArray:
    """Return running sums of ``values`` (..., n), from anew wherever ``first`` (n,) is true."""
    total = values.cumsum(axis=-1, dtype=np.float64)
    begin = np.flatnonzero(first)
    before = np.where(begin > 0, total[..., begin - 1], 0.0)
    sizes = np.diff(np.append(begin, len(first)))
    return np.asarray(total - np.repeat(before, sizes, axis=-1))


@dataclass(frozen=True, slots=True, eq=False)
class StrategyWeights:
    """Weights of every row (n,), valid in each strategy as long as the row follows it.

    Of several resamples at once each array has one more axis, the first.
    """

    choice: FloatArray  # one over the probability of the choices made up to and with this step
    staying: FloatArray  # one over the probability of not having been lost before this step
    # The same probabilities with the step and the group before as the only knowledge. Within a step
    # of a strategy it is one number, so it changes no curve, only the weights' scale.
    stabiliser: FloatArray
    # Of the four models (first choice, choice after group 0, after group 1, loss): where the next
    # fit may start. Empty where nothing varied.
    coefficients: tuple[FloatArray, ...]

    @property
    def stabilised(self) -> FloatArray:
        """Choice and staying together, stabilised."""
        return np.asarray(self.choice * self.staying * self.stabiliser)

    def used(
        self, following: BoolArray, *, quantile: float = 1.0, rows: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return one strategy's weights (0 where it is not followed), truncated, and the limit."""
        raw = np.where(following, self.stabilised, 0.0)
        return truncate_weights(raw, quantile=quantile, rows=rows)


class WeightModel:
    """The models behind the weights, with everything that does not change between refits.

    The choice has a logistic regression of its own at the first step, after group 0 and after
    group 1; being lost has one; where an outcome occurs less than five times its share by stratum
    is used. Covariates are centred and scaled once, so that ``ridge`` means the same for each.
    After the first, steps join them: an indicator for each with enough outcomes of both kinds,
    since habits may have their moments (a review after four steps), and log(step) over the others.
    Every agent of the panel has an effect of its own in each, with a prior of standard deviation 1
    on the log odds that draws those with few rows to the others. A ``ridge`` of 0 on standardised
    coefficients gives plain maximum likelihood, without agents.

    Examples
    --------
    >>> weights = WeightModel(panel).fit()
    >>> weights.choice  # one over the chance of what was chosen so far
    array([2., 2., 2., 2.])
    """

    def __init__(self, panel: Panel, *, ridge: float = 0.0) -> None:
        self.panel, self.ridge = panel, ridge
        agent = np.full(len(panel.step), -1) if panel.agent is None else panel.agent
        codes = np.unique(agent[agent >= 0])
        # scaled so that the ridge on them is a prior of standard deviation 1 on the log odds;
        # one alone has nobody to differ from
        agents = (agent[:, None] == codes) * ridge**0.5
        if len(codes) < 2 or ridge == 0:
            agents = agents[:, :0]
        before, after = (
            np.hstack([_scaled(values), agents]) for values in (panel.before, panel.after)
        )
        self._parts = []
        for previous in (-1, 0, 1):
            rows = np.flatnonzero(panel.previous == previous)
            self._parts.append(_part(rows, before, panel.step, panel.group == 1))
        # whether the last row of a subject still under way was followed by a loss is not known;
        # at the panel's last step only the lost would be left, and no weight asks for them
        known = (panel.lost | ~panel.last) & (panel.step < panel.step.max())
        rows = np.flatnonzero(~panel.event & known)
        self._parts.append(_part(rows, after, panel.step, panel.lost))
        self._stratum = panel.step * 3 + panel.previous + 1

    def fit(
        self,
        rows: FloatArray | None = None,
        *,
        start: tuple[FloatArray, ...] | None = None,
        tolerance: float = 1e-8,
    ) -> StrategyWeights:
        """Return the weights when each subject row counts ``rows`` times, (n,) or (k, n).

        ``start`` is the ``coefficients`` of a fit to similar rows.
        """
        panel = self.panel
        count = np.ones(len(panel.step)) if rows is None else rows
        begin = (None,) * len(self._parts) if start is None else start
        fitted = [
            _fit_part(part, count, self.ridge, seed, tolerance)
            for part, seed in zip(self._parts, begin, strict=True)
        ]
        one, kept = np.empty(count.shape), np.ones(count.shape)
        for part, (probability, _) in zip(self._parts[:3], fitted[:3], strict=True):
            one[..., part.rows] = probability
        going = self._parts[3].rows
        kept[..., going] = 1 - fitted[3][0]
        remained = np.where(panel.first, 1.0, np.roll(kept, 1, axis=-1))
        # the chances of the choice made and of having stayed, knowing only the stratum
        size, steps = int(self._stratum.max()) + 1, int(panel.step.max()) + 1
        total = sums_by(self._stratum, count, size)
        ones = sums_by(self._stratum, count * panel.group, size)
        share = shares(ones, total)[..., self._stratum]
        at_risk = sums_by(panel.step[going], count[..., going], steps)
        lost = sums_by(panel.step[going], (count * panel.lost)[..., going], steps)
        stays = (1 - shares(lost, at_risk))[..., panel.step - 1]  # nobody is lost at step 0
        chosen, plain = (np.where(panel.group == 1, chance, 1 - chance) for chance in (one, share))
        plain = plain * np.where(panel.first, 1.0, stays)
        # a row that nobody could follow has weight by its mask only; keep the logarithm finite
        chosen, remained, plain = (np.clip(part, 1e-6, 1.0) for part in (chosen, remained, plain))
        choice, staying, stabiliser = (
            np.exp(running_sum(np.log(part), panel.first))
            for part in (1 / chosen, 1 / remained, plain)
        )
        coefficients = tuple(own for _, own in fitted)
        return StrategyWeights(choice, staying, stabiliser, coefficients)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    rows: IntArray
    design: FloatArray
    outcome: FloatArray
    modelled: bool


def _part(rows: IntArray, columns: FloatArray, step: IntArray, outcome: BoolArray) -> _Part:
    chosen = np.hstack([columns[rows], _step_columns(step[rows], outcome[rows])])
    if len(rows):
        chosen = chosen[:, chosen.std(axis=0) > 1e-9]
    design = np.hstack([np.ones((len(rows), 1)), chosen])
    happened = outcome[rows].astype(np.float64)
    fewer = min(happened.sum(), len(rows) - happened.sum())
    return _Part(rows, np.ascontiguousarray(design), happened, bool(fewer >= LEAST))


def _step_columns(step: IntArray, outcome: BoolArray) -> FloatArray:
    """Return indicators of steps with enough outcomes of both kinds, and log(step) elsewhere."""
    if not len(step) or step.min() == step.max():
        return np.empty((len(step), 0))
    size = int(step.max()) + 1
    total = np.bincount(step, minlength=size)
    happened = np.bincount(step, weights=outcome, minlength=size)
    enough = np.flatnonzero(np.minimum(happened, total - happened) >= LEAST)
    if len(enough) == (total > 0).sum():  # one step is the reference
        enough = np.delete(enough, int(np.argmax(total[enough])))
    columns = (step[:, None] == enough).astype(np.float64)
    rest = ~np.isin(step, enough)
    if np.unique(step[rest]).size > 1:
        columns = np.column_stack([columns, np.where(rest, np.log(step), 0.0)])
    return _scaled(columns)


def _fit_part(
    part: _Part, count: FloatArray, ridge: float, start: FloatArray | None, tolerance: float
) -> tuple[FloatArray, FloatArray]:
    weight = np.atleast_2d(count[..., part.rows])
    total, happened = weight.sum(axis=1), weight @ part.outcome
    probability = np.repeat(shares(happened, total)[:, None], len(part.rows), axis=1)
    coefficients = np.zeros((len(weight), part.design.shape[1]))
    varies = part.modelled & (happened > 0) & (happened < total)
    if varies.any():
        coefficients[varies] = logistic_coefficients(
            part.design, part.outcome, weight[varies], ridge=ridge, start=start, tolerance=tolerance
        )
        probability[varies] = logistic_probability(part.design, coefficients[varies])
    shape = count.shape[:-1]
    return probability.reshape(*shape, -1), coefficients.reshape(*shape, -1)


def _scaled(values: FloatArray) -> FloatArray:
    spread = values.std(axis=0)
    return shares(values - values.mean(axis=0), spread)[:, spread > 0]


def truncate_weights(
    weight: FloatArray, *, quantile: float, rows: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the weights (..., n) cut off above their ``quantile``, and the limit used (...).

    Weights of 0 take no part in the quantile; ``rows`` counts how often each row occurs, so
    that a resample finds the limit that repeated rows would give.
    """
    count = np.where(weight > 0, 1.0 if rows is None else rows, 0.0)
    counted = np.where(count > 0, weight, 0.0)
    total = count.sum(axis=-1, keepdims=True)
    # the limit is among the largest, of which there are no more than lie beyond the quantile
    most = min(int((1 - quantile) * total.max()) + 2, weight.shape[-1])
    top = np.argpartition(counted, -most, axis=-1)[..., -most:]
    top = np.take_along_axis(top, np.argsort(np.take_along_axis(counted, top, -1), -1), -1)
    counts = np.take_along_axis(count, top, -1)
    up_to = total - counts.sum(axis=-1, keepdims=True) + counts.cumsum(axis=-1)
    place = np.minimum((up_to < quantile * total).sum(axis=-1, keepdims=True), most - 1)
    limit = np.take_along_axis(np.take_along_axis(counted, top, -1), place, -1)
    return np.minimum(weight, limit), limit[..., 0]


def summarise_weights(raw: FloatArray, used: FloatArray, limit: float) -> dict[str, float]:
    """Return the summary of ``raw`` weights, and of those ``used``, truncated at ``limit``.

    ``n`` rows have a weight; ``mean``, ``median``, ``p99`` and ``largest`` are of the weights as
    used, ``largest_before`` is of the raw; ``share_truncated`` of the rows is above the ``limit``;
    ``effective`` is Kish's effective number of rows.

    Examples
    --------
    >>> found = summarise_weights(np.array([0.0, 1, 1, 6]), np.array([0.0, 1, 1, 4]), limit=4.0)
    >>> found["n"], found["mean"], found["effective"]
    (3, 2.0, 2.0)
    """
    rows = raw > 0
    kept = used[rows] if rows.any() else np.array([np.nan])
    return {
        "n": int(rows.sum()),
        "mean": float(kept.mean()),
        "median": float(np.median(kept)),
        "p99": float(np.quantile(kept, 0.99)),
        "largest": float(kept.max()),
        "largest_before": float(raw.max()),
        "limit": limit,
        "share_truncated": float((raw[rows] > limit).sum() / max(rows.sum(), 1)),
        "effective": effective_number(used),
    }


def standardised_differences(
    values: FloatArray, weight: npt.ArrayLike, target: npt.ArrayLike
) -> FloatArray:
    """Return how far weighted means lie from target means, in standard deviations.

    Of ``values``, (n, p), with the ``weight`` to be judged and that of the ``target`` group which
    they should resemble, (n,). The spread is the target group's, the same before and after (Austin
    & Stuart 2015, Stat Med 34:3661). A column without spread gives 0 where the means agree.

    Examples
    --------
    >>> values = np.array([[0.0], [2.0]])
    >>> standardised_differences(values, [0, 1], [1, 1])
    array([1.])
    """
    w = np.asarray(weight, dtype=np.float64)
    t = np.asarray(target, dtype=np.float64)
    if w.sum() <= 0 or t.sum() <= 0:
        return np.full(values.shape[1], np.nan)
    wanted = t @ values / t.sum()
    spread = np.sqrt(t @ (values - wanted) ** 2 / t.sum())
    gap = w @ values / w.sum() - wanted
    gap[np.abs(gap) < 1e-12] = 0.0
    return shares(gap, spread)


def logistic_coefficients(
    design: FloatArray,
    outcome: npt.ArrayLike,
    weight: FloatArray,
    *,
    ridge: float = 0.0,
    start: FloatArray | None = None,
    tolerance: float = 1e-9,
) -> FloatArray:
    """Return the coefficients that maximise each weighted, optionally penalised likelihood.

    Each of several sets of ``weight`` (k, n) of the rows has its own coefficients, (k, p). The
    first column of ``design`` (n, p) is the intercept and is never penalised; ``ridge`` is a
    Gaussian prior of variance ``1 / ridge`` on the others. Newton's steps begin at ``start``, which
    saves half of them after a fit to nearly the same rows, and end when no coefficient moves by
    more than the ``tolerance``.

    Raises FitError if the steps do not settle, as when a column tells the outcomes apart.
    """
    y, sets = np.asarray(outcome, dtype=np.float64), len(weight)
    penalty = np.full(design.shape[1], ridge)
    penalty[0] = 0.0
    found = np.tile(np.zeros_like(penalty) if start is None else start, (sets, 1))
    moving, bent = np.arange(sets), np.full(sets, True)
    information = np.empty((sets, *2 * penalty.shape))

    def loss(count: FloatArray, beta: FloatArray) -> float:
        linear = design @ beta
        return float(count @ (np.logaddexp(0, linear) - y * linear) + penalty @ beta**2 / 2)

    for taken in range(MOST_STEPS):
        beta, count = found[moving], weight[moving]
        fitted = logistic_probability(design, beta)
        gradient = (count * (y - fitted)) @ design - penalty * beta
        if bent.any():  # near the maximum a matrix serves for all steps that are left
            spread = count[bent] * fitted[bent] * (1 - fitted[bent])
            square = weighted_squares(design, spread, kind=np.float32)
            information[moving[bent]] = square + np.diag(penalty)
        try:
            step = np.linalg.solve(information[moving], gradient[..., None])[..., 0]
        except np.linalg.LinAlgError as error:
            raise FitError(
                "Columns of a logistic regression repeat each other.",
                "Drop one of them, or give a ridge above 0.",
            ) from error
        largest = np.abs(step).max(axis=1)
        settled = largest < tolerance
        # it may overshoot: halve until the fit improves
        for one in np.flatnonzero(~settled & ((largest > 1) | (taken > PATIENCE))):
            most = loss(count[one], beta[one]) * (1 + ROUNDING)
            parts = (k for k in HALVES if loss(count[one], beta[one] + k * step[one]) <= most)
            step[one] *= next(parts, HALVES[-1])
        found[moving] += step
        moving, bent = moving[~settled], (largest > NEAR)[~settled]
        if not len(moving):
            return found
    if start is None:
        raise FitError(
            f"A logistic regression on {len(y)} rows did not settle in {MOST_STEPS} steps.",
            "A column may tell the outcomes apart fully: drop it, or give a ridge above 0.",
        )
    # it may have led astray
    found[moving] = logistic_coefficients(
        design, y, weight[moving], ridge=ridge, tolerance=tolerance
    )
    return found


def weighted_squares(
    design: FloatArray, weight: FloatArray, *, kind: type = np.float64
) -> FloatArray:
    """Return design' W design for each row of ``weight`` (k, n): shape (k, p, p).

    For many rows one product with the products of all pairs of columns does them all, in numbers
    of a ``kind``: single precision is enough for a matrix that steps are found by.
    """
    if len(weight) < FEW:
        return np.stack([(design.T * one) @ design for one in weight])
    i, j = np.triu_indices(design.shape[1])
    total = np.zeros((len(weight), len(i)))
    for low in range(0, len(design), ROWS_TOGETHER):
        rows = slice(low, low + ROWS_TOGETHER)
        part: AnyArray = np.ascontiguousarray(design[rows].T, dtype=kind)
        total += weight[:, rows].astype(kind) @ (part[i] * part[j]).T
    squares = np.empty((len(weight), design.shape[1], design.shape[1]))
    squares[:, i, j] = squares[:, j, i] = total
    return squares


def logistic_probability(design: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return the fitted probabilities, shape (n,), or (k, n) of ``coefficients`` (k, p)."""
    linear = np.clip(coefficients @ design.T, -35, 35)
    return np.asarray(1 / (1 + np.exp(-linear)))
