"""A long frame: one row for each subject and step, with what was known when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from forecast._checks import nearest
from forecast._types import BoolArray, FloatArray, IntArray
from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Rows of subjects over steps 1, 2, ...: choice, event, loss, and the history before each.

    Within a step the order is: ``before`` is known, ``group`` is chosen, the event happens or
    not, ``after`` is known, and the subject is lost or goes on to the next step.

    Attributes
    ----------
    subject : ndarray of shape (n,), int
        Codes from 0; rows of one subject stand together, in order of step.
    step : ndarray of shape (n,), int
        From 1, without gaps.
    group : ndarray of shape (n,), int
        0 or 1: what was chosen at this step.
    event : ndarray of shape (n,), bool
        Whether the event happened at this step; then it is the subject's last row.
    lost : ndarray of shape (n,), bool
        Whether the subject dropped out after this step, without the event.
    before : ndarray of shape (n, p)
        Covariates that may have moved the choice at this step.
    after : ndarray of shape (n, q)
        Covariates that may have moved the loss after this step.
    cluster : ndarray of shape (n_subjects,), int
        Codes from 0 of what is resampled together.
    names, after_names : tuple of str
        The columns of ``before`` and ``after``.
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
    after_names: tuple[str, ...]

    def __post_init__(self) -> None:
        first = self.first
        same = ~first[1:]
        if not len(self.step):
            raise DataError("The panel has no rows.", "Give at least one subject and step.")
        if (self.step[first] != 1).any() or (np.diff(self.step)[same] != 1).any():
            raise DataError(
                "A subject's steps do not run 1, 2, 3, ... without a gap.",
                "Sort the rows by subject and step, and leave out subjects seen only later.",
            )
        if self.event[:-1][same].any() or self.lost[:-1][same].any():
            raise DataError(
                "A subject has rows after its event or after it was lost.",
                "Mark the event or the loss on the subject's last row only.",
            )
        if not np.isin(self.group, (0, 1)).all():
            raise DataError("group holds values other than 0 and 1.", "Code the two groups 0, 1.")
        for name, values in (("before", self.before), ("after", self.after)):
            if not np.isfinite(values).all():
                raise DataError(
                    f"{name} has missing or infinite values.",
                    "Fill them in and add a column that says where they were missing.",
                )

    @classmethod
    def from_frame(
        cls,
        frame: pd.DataFrame,
        *,
        subject: str,
        step: str,
        group: str,
        before: Sequence[str] = (),
        event: str | None = None,
        lost: str | None = None,
        after: Sequence[str] = (),
        cluster: str | None = None,
    ) -> Panel:
        """Return the panel held in named columns of a long frame, in any row order."""
        import pandas as pd

        named = [subject, step, group, event, lost, cluster, *before, *after]
        missing = [name for name in named if name is not None and name not in frame.columns]
        if missing:
            raise DataError(
                f"The frame has no column {missing[0]!r}.",
                f"Its columns are {list(frame.columns)}.{nearest(missing[0], frame.columns)}",
            )
        ordered = frame.sort_values([subject, step], kind="stable")
        codes = pd.factorize(ordered[subject])[0].astype(np.int64)
        first = np.diff(codes, prepend=-1) != 0
        whose = ordered[cluster].to_numpy()[first] if cluster else np.arange(first.sum())
        none = np.zeros(len(ordered), dtype=bool)
        return cls(
            subject=codes,
            step=ordered[step].to_numpy(dtype=np.int64),
            group=ordered[group].to_numpy(dtype=np.int64),
            event=ordered[event].to_numpy(dtype=bool) if event else none,
            lost=ordered[lost].to_numpy(dtype=bool) if lost else none,
            before=ordered[list(before)].to_numpy(dtype=np.float64),
            after=ordered[list(after)].to_numpy(dtype=np.float64),
            cluster=pd.factorize(whose)[0].astype(np.int64),
            names=tuple(before),
            after_names=tuple(after),
        )

    @property
    def first(self) -> BoolArray:
        """Whether each row is its subject's first."""
        change: BoolArray = np.diff(self.subject, prepend=-1) != 0
        return change

    @property
    def last(self) -> BoolArray:
        """Whether each row is its subject's last."""
        change: BoolArray = np.diff(self.subject, append=-1) != 0
        return change

    @property
    def previous(self) -> IntArray:
        """The group at the step before, and -1 at the first step."""
        shifted = np.concatenate([[-1], self.group[:-1]])
        return np.where(self.first, -1, shifted).astype(np.int64)

    @property
    def n_subjects(self) -> int:
        """How many subjects there are."""
        return int(self.first.sum())
