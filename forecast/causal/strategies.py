"""One row for each subject and step, and which of them still follow a strategy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray, IntArray, shares, sums_by
from forecast.causal.weights import (
    cumulative_product,
    logistic_coefficients,
    logistic_probability,
    truncate_weights,
)
from forecast.errors import DataError, RequestError

LEAST = 5  # times that each outcome occurs, for a model of it


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
        for wrong, problem, remedy in (
            (not len(self.step), "has no rows", "Give at least one subject and step"),
            (jumps, "has a subject whose steps do not run 1, 2, 3, ...", "Sort its rows"),
            (after_end, "has rows after an event or a loss", "Mark these on the last row only"),
            (not np.isin(self.group, (0, 1)).all(), "has a third group", "Code the two 0 and 1"),
            (
                not np.isfinite(values).all(),
                "has gaps in what is known",
                "Fill them in, and say so",
            ),
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
        shifted = np.concatenate([[-1], self.group[:-1]])
        return np.where(self.first, -1, shifted).astype(np.int64)

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
    count = departs.cumsum()
    begin = np.flatnonzero(panel.first)
    before = np.concatenate([[0], count])[begin]
    sizes = np.diff(np.append(begin, len(count)))
    return np.asarray((count - np.repeat(before, sizes)) == 0)


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
        return truncate_weights(
            np.where(following, self.stabilised, 0.0), quantile=quantile, rows=rows
        )


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
        received = np.where(panel.group == 1, one, 1 - one)
        kept[..., self._parts[3].rows] = 1 - fitted[3][0]
        remained = np.where(panel.first, 1.0, np.roll(kept, 1, axis=-1))
        plain = self._plain(count)
        return StrategyWeights(
            choice=cumulative_product(1 / _floor(received), panel.first),
            staying=cumulative_product(1 / _floor(remained), panel.first),
            stabiliser=cumulative_product(_floor(plain), panel.first),
            coefficients=tuple(coefficients for _, coefficients in fitted),
        )

    def _plain(self, count: FloatArray) -> FloatArray:
        """Probabilities of the choice made and of having stayed, knowing only the stratum."""
        panel = self.panel
        size = int(self._stratum.max()) + 1
        total = sums_by(self._stratum, count, size)
        ones = sums_by(self._stratum, count * panel.group, size)
        share = shares(ones, total)[..., self._stratum]
        received = np.where(panel.group == 1, share, 1 - share)
        going = self._parts[3].rows
        place, steps = panel.step[going], int(panel.step.max()) + 1
        at_risk = sums_by(place, count[..., going], steps)
        lost = sums_by(place, (count * panel.lost)[..., going], steps)
        stays = 1 - shares(lost, at_risk)
        earlier = stays[..., panel.step - 1]  # nobody is lost at step 0
        return np.asarray(received * np.where(panel.first, 1.0, earlier))


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


def _floor(probability: FloatArray) -> FloatArray:
    # a row that nobody could follow has weight by its mask only; keep the logarithm finite
    return np.asarray(np.clip(probability, 1e-6, 1.0))
