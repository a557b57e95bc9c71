"""Correct a predicted count distribution by how earlier predictions turned out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray
from forecast._checks import LEVEL, check_level, counted
from forecast._plain import plain, read
from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution, climb

if TYPE_CHECKING:
    from forecast.assess.outcomes import Outcomes

Groups = Mapping[str, npt.ArrayLike]

# Both chosen by simulation (see DEVELOPERS.md): the first leaves a wrongly shaped model free to
# be put right at 45 events, the second finds a covariate the model left out at 300 paths and
# costs nothing when there is none.
SHRINK = 0.5
GROUP_SHRINK = 0.2
FEWEST_EVENTS = 5
EVENTS_PER_TAIL = 3
SMALLEST = 1e-300
LARGEST_LOG = 6.5  # exp(-exp(6.5)) is 0 to every digit, and nothing overflows
BARELY_HELD = 1e3  # standard deviation of a penalty that only keeps a search within bounds
SETTLED = 1e-10  # squared length of a step in standard errors; the step after is its square
UNHEARD_OF = 1e-12  # a chance, far below which what was seen pulls the map no more
NOBODY = 1e-9  # a chance of no event so far below which nothing can be said of what follows


@dataclass(frozen=True, slots=True, eq=False)
class Recalibration:
    """A monotone map of the predicted chance of the event by each step.

    With H(k) = -log(1 - F(k)) it is H'(k) = exp(shift + group shifts) H(k)^power. Being one map
    of the whole distribution, its intervals nest over levels and contain the median. Where a tail
    holds fewer than three of the events, the wider of corrected and uncorrected is used: each
    quantile there is the outer of both. Raises DataError if the power is not positive.

    Attributes
    ----------
    shift : float
        Above 0 the event is brought forward.
    power : float
        Below 1 the distribution is widened.
    group_shifts : mapping of factor to mapping of label to float
        What is added to the shift for each group.
    n_paths, n_events : int
        What it was fitted to; with no events it is taken as given, tails and all.

    Examples
    --------
    >>> even = CountDistribution([[0.25, 0.25, 0.25]])
    >>> Recalibration(power=2.0).apply(even).pmf.round(3).tolist()
    [[0.079, 0.302, 0.472]]
    """

    shift: float = 0.0
    power: float = 1.0
    group_shifts: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    n_paths: int = 0
    n_events: int = 0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.shift) and 0 < self.power < np.inf):
            raise DataError(
                f"shift is {self.shift!r} and power {self.power!r}.",
                "The shift must be a number and the power positive.",
            )

    def apply(
        self, distribution: CountDistribution, *, groups: Groups | None = None
    ) -> CountDistribution:
        """Return the corrected distribution, one row for each row given, counted from step 1.

        ``groups`` are labels, (n,), in each factor. A factor not given, or a label never seen, is
        left at the overall map. A path that entered late is conditioned afterwards.
        """
        labelled, shift = groups or {}, np.zeros(len(distribution))
        for name, by_label in self.group_shifts.items():
            if name in labelled:
                labels = labels_of(name, labelled[name], len(distribution))
                shift += [by_label.get(label, 0.0) for label in labels]
        shift += self.shift
        raw = distribution.cdf()
        hazard, _ = _mapped(*_log_hazard(raw), shift[:, None], self.power)
        mapped = np.where((raw > 0) & (raw < 1), -np.expm1(-hazard), raw >= 1)  # 0 and 1 stay
        tail = 0.0
        if self.n_events:  # a tail of this chance holds three of the events used
            tail = min(EVENTS_PER_TAIL / self.n_events * (1 - 1e-9), 0.5)
        # the middle of three: corrected where events settle it, in the tails what is nearer to
        # the middle of the distribution, so that both ends of every interval lie further out
        mapped = np.sort([raw, mapped, np.clip(mapped, tail, 1 - tail)], axis=0)[1]
        return CountDistribution(np.clip(np.diff(mapped, axis=1, prepend=0.0), 0, None))

    def enough_for(self, level: float) -> bool:
        """Return whether each tail outside ``level`` holds about three of the events used.

        With fewer, simulated samples at their worst cover several points less than they say.
        """
        return self.n_events * (1 - check_level(level)) / 2 >= EVENTS_PER_TAIL - 1e-9

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values from which :meth:`from_dict` rebuilds it."""
        return dict(plain(self))

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Recalibration:
        """Return the recalibration that :meth:`to_dict` described; KeyError where a part is not."""
        return read(cls, {**values, "shift": values["shift"], "power": values["power"]})


def _label(value: object) -> str:
    # whole numbers and flags are alike whatever their type
    if isinstance(value, bool | int | float | np.number | np.bool_):
        number = float(value)
        return str(int(number)) if number.is_integer() else str(number)
    return str(value)


def labels_of(name: str, values: npt.ArrayLike, n: int) -> list[str]:
    """Return the labels of a factor as text, one per row, or raise RequestError."""
    array = np.asarray(values, dtype=object).ravel()
    if len(array) != n:
        raise RequestError(
            f"Group {name!r} has {counted(len(array), 'label')} for {counted(n, 'row')}.",
            "Give one per row.",
        )
    known = {value: _label(value) for value in set(array.tolist())}
    return [known[value] for value in array.tolist()]


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Paths with predictions by models *not* fitted to them: what a map is fitted to.

    Predictions are three cumulative hazards: by the entry, before and by what was seen. A path
    censored after step C lies between the chance by C and 1.
    """

    log_hazard: FloatArray  # (3, n)
    certain: BoolArray  # (3, n): where the chance is 1
    weight: FloatArray
    observed: BoolArray
    labels: tuple[tuple[str, str], ...]  # factor and label of each column of the design
    design: FloatArray  # (n, labels), 1 where a path has the label

    @classmethod
    def of(
        cls, predicted: CountDistribution, outcomes: Outcomes, groups: Groups | None = None
    ) -> Judged:
        """Return the paths of ``outcomes``, with their labels (n,) of each factor of ``groups``."""
        labels, columns = [], [np.zeros((len(outcomes), 0))]
        for factor, values in (groups or {}).items():
            own = np.array(labels_of(factor, values, len(outcomes)))
            distinct = np.unique(own)
            labels += [(factor, str(label)) for label in distinct]
            columns.append((own[:, None] == distinct).astype(np.float64))
        outcomes.check_matches(predicted)
        seen = outcomes.up_to(predicted.horizon)
        by_step = np.hstack([np.zeros((len(seen), 1)), predicted.cdf()])
        entered = by_step[np.arange(len(seen)), seen.entry]
        ranges = _log_hazard(np.stack([entered, *seen.stretch(predicted)]))
        return cls(*ranges, outcomes.weight, outcomes.observed, tuple(labels), np.hstack(columns))

    def take(self, rows: BoolArray) -> Judged:
        """Return some of the paths."""
        ranges = self.log_hazard[:, rows], self.certain[:, rows]
        own = self.weight[rows], self.observed[rows]
        return Judged(*ranges, *own, self.labels, self.design[rows])

    def recalibration(self, shrink: float = SHRINK) -> Recalibration:
        """Return the map that makes the predictions agree with what was seen.

        Maximum likelihood of what is known of each path, censored ones as they are, with normal
        penalties that pull the map to the identity, and that of each group to the overall map.
        ``shrink`` is the standard deviation of the penalties for ``shift`` and ``log(power)``. With
        too few events for an 80 % interval the power is not allowed above 1: predictions are
        widened on little evidence, never narrowed.
        """
        n_events = int((self.observed & (self.weight > 0)).sum())
        counts: Any = {"n_paths": len(self.weight), "n_events": n_events}
        if n_events < FEWEST_EVENTS:
            return Recalibration(**counts)
        spread = np.r_[shrink, shrink, np.full(len(self.labels), GROUP_SHRINK)]
        shift, log_power, *own = fit_map(self, spread).tolist()
        shifts: dict[str, dict[str, float]] = {}
        for (name, label), value in zip(self.labels, own, strict=True):
            shifts.setdefault(name, {})[label] = value
        found = Recalibration(shift, float(np.exp(log_power)), shifts, **counts)
        return found if found.enough_for(LEVEL) else replace(found, power=min(found.power, 1.0))


def fit_map(judged: Judged, spread: FloatArray) -> FloatArray:
    """Return shift, log power and group shifts; ``spread`` are the widths of their penalties."""
    precision, weight = spread**-2, judged.weight
    of_shift = np.column_stack([np.ones(len(weight)), np.zeros(len(weight)), judged.design])

    def at(place: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        power = float(np.exp(np.clip(place[1], -5, 5)))
        value, first, second = path_loss(judged, of_shift @ place, power)
        slope = -precision * place - of_shift.T @ (weight * first[0])
        slope[1] -= weight @ first[1]
        bend = np.diag(precision) + (of_shift.T * (weight * second[0, 0])) @ of_shift
        crossed = of_shift.T @ (weight * second[0, 1])
        bend[1] += crossed
        bend[:, 1] += crossed
        bend[1, 1] += weight @ second[1, 1]
        return -0.5 * float(precision @ place**2) - float(weight @ value), slope, bend

    return climb(at, np.zeros(len(spread)), settled=SETTLED)[0]


def path_loss(
    judged: Judged, shift: FloatArray | float, power: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return minus each log likelihood, (n,), its slopes, (2, n), and its bends, (2, 2, n)."""
    mapped, steep = _mapped(judged.log_hazard, judged.certain, shift, power)
    crossed = mapped * steep
    # slopes in shift and log power, and bends: twice in shift, in both, twice in log power
    slopes, bends = (mapped, crossed), (mapped, crossed, crossed * (steep + 1))
    # how they rise from before to by, of the hazards' ratio: their difference has lost its digits
    # where the chance is small, and a search for its maximum would not settle
    gap = power * (judged.log_hazard[2] - judged.log_hazard[1])
    rise, moved = mapped[2] * -np.expm1(-gap), mapped[1] * gap
    rises = rise, rise * steep[2] + moved
    turns = (*rises, rises[1] + rise * steep[2] ** 2 + moved * (steep[1] + steep[2]))
    share, odds = (np.maximum(one, SMALLEST) for one in (-np.expm1(-rise), np.expm1(rise)))
    chance = np.exp(-mapped[1]) * -np.expm1(-rise)
    heard = chance / (chance + UNHEARD_OF)
    pulled = [one[1] - more / odds for one, more in zip(slopes, rises, strict=True)]
    first = np.stack([heard * pull - one[0] for pull, one in zip(pulled, slopes, strict=True)])
    second = np.empty((2, 2, len(chance)))
    for i, j in ((0, 0), (0, 1), (1, 1)):
        bend = bends[i + j][1] - turns[i + j] / odds + rises[i] / odds * (rises[j] / share)
        bend -= (1 - heard) * pulled[i] * pulled[j]
        second[i, j] = second[j, i] = heard * bend - bends[i + j][0]
    return -np.log(chance + UNHEARD_OF) - mapped[0], first, second


def _log_hazard(chance: FloatArray) -> tuple[FloatArray, BoolArray]:
    cumulative = -np.log(np.maximum(1 - chance, SMALLEST))
    return np.log(np.maximum(cumulative, SMALLEST)), chance >= 1


def _mapped(
    log_hazard: FloatArray, certain: BoolArray, shift: FloatArray | float, power: float
) -> tuple[FloatArray, FloatArray]:
    """Return the mapped cumulative hazard, and ``power`` times the log of the one it is of."""
    steep = power * log_hazard
    # what is certain stays so under every map
    log_mapped = np.where(certain, LARGEST_LOG, np.minimum(shift + steep, LARGEST_LOG))
    return np.exp(log_mapped), steep


def carry_draws(draws: npt.ArrayLike, target: CountDistribution) -> FloatArray:
    """Return draws of a distribution moved so that their mean is exactly ``target``.

    Recalibration maps one distribution; parameter draws around it must follow. Probability is
    carried from the draws' mean to the target in order of the steps (the monotone transport), by
    the same amounts in every draw, so that draws stay distributions and differ as before.
    ``draws``, (n_draws, n, horizon), are each subject's probabilities, ``target`` has a row of
    each. Raises RequestError if the two do not have the same shape.

    Examples
    --------
    >>> target = CountDistribution([[0.25, 0.5]])
    >>> carry_draws([[[0.5, 0.5]], [[0.5, 0.0]]], target).tolist()
    [[[0.25, 0.75]], [[0.25, 0.25]]]
    """
    given = np.asarray(draws, dtype=np.float64)
    if given.ndim != 3 or given.shape[1:] != target.pmf.shape:
        raise RequestError(
            f"The draws have shape {given.shape}, the target {target.pmf.shape}.",
            "Give the draws of each subject over the target's horizon.",
        )
    whole = np.concatenate([given, np.clip(1 - given.sum(axis=2, keepdims=True), 0, None)], axis=2)
    source, goal = np.zeros((2, len(target), target.horizon + 2))
    np.cumsum(whole.mean(axis=0), axis=1, out=source[:, 1:])
    goal[:, 1:-1], goal[:, -1] = target.cdf(), 1.0
    ends = np.minimum(source[:, 1:, None], goal[:, None, 1:])
    share = np.clip(ends - np.maximum(source[:, :-1, None], goal[:, None, :-1]), 0, None)
    total = share.sum(axis=2, keepdims=True)
    kernel = np.broadcast_to(np.eye(share.shape[2]), share.shape).copy()
    np.divide(share, total, out=kernel, where=total > 0)
    return np.asarray((whole.swapaxes(0, 1) @ kernel).swapaxes(0, 1)[..., :-1])


def carry_remaining(
    draws: FloatArray, target: CountDistribution, done: int, steps: int
) -> FloatArray:
    """Return draws of the ``steps`` after ``done``, given no event by then, moved to ``target``.

    ``draws``, (n_draws, n, done + steps or more), are each subject's probabilities from step 1 on,
    and so are the rows of ``target``, over the same horizon. Zeros where that has the event by
    ``done`` for certain: of such a subject nothing is known.

    Examples
    --------
    >>> target = CountDistribution([[0.5, 0.25, 0.125]])
    >>> carry_remaining(np.array([[[0.5, 0.25, 0.25]]]), target, done=1, steps=2).tolist()
    [[[0.5, 0.25]]]
    """
    known = (target.survival()[:, done - 1] >= NOBODY) | (done == 0)
    remaining = CountDistribution(target[known].given_not_by(done).pmf[:, :steps])
    left = 1 - draws[:, known, :done].sum(axis=2, keepdims=True)
    found = np.zeros((len(draws), len(target), steps))
    given = draws[:, known, done : done + steps] / np.maximum(left, NOBODY)
    found[:, known] = carry_draws(given, remaining)
    return found
