"""A fit over Parquet files that are never brought together: sums are made where each file lies.

Each file is one place of a joint fit (`forecast.survival.joint`). The process that answers for it
reads it once and keeps what it made ready; what travels is a path, parameters, and back a
gradient and a square matrix. On a cluster (`forecast._jobs.on_cluster`) the workers read the
files, so that the paths must be theirs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._jobs import run_units
from forecast.errors import DataError, RequestError
from forecast.survival.baseline import Baseline
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.joint import Place, joint_fit
from forecast.survival.place import RowsHere
from forecast.survival.sums import Counts, Sums

__all__ = ["RowsInFile", "ask_side_by_side", "fit_files"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
KEPT = 8  # files whose rows a process keeps ready


@dataclass(frozen=True, slots=True)
class Columns:
    """Which columns of a file mean what."""

    step: str
    observed: str
    covariates: tuple[str, ...]
    entry: str | None = None
    subject: str | None = None
    weight: str | None = None


@dataclass(frozen=True, slots=True)
class RowsInFile:
    """Rows in a Parquet file, as one place of a joint fit.

    Attributes
    ----------
    path : str
        As seen by whoever answers.
    columns : Columns
    link, baseline, penalty
        Of the model.
    encoding : Encoding
        The same in all places.
    """

    path: str
    columns: Columns
    link: str
    baseline: str
    penalty: float
    encoding: Encoding

    def counts(self) -> Counts:
        """Return counts per step and moments of the encoded covariates."""
        return ready(self).counts()

    def derivatives(self, parameters: FloatArray, form: Baseline) -> Sums:
        """Return log-likelihood, gradient and observed information at raw ``parameters``."""
        return ready(self).derivatives(parameters, form)

    def expected(self, parameters: FloatArray, form: Baseline) -> FloatArray:
        """Return the expected information at raw ``parameters``."""
        return ready(self).expected(parameters, form)


@lru_cache(maxsize=KEPT)
def ready(place: RowsInFile) -> RowsHere:
    """Return the rows of a file made ready; a process reads each file once."""
    model = DiscreteHazard(
        link=place.link,  # type: ignore[arg-type]
        baseline=place.baseline,  # type: ignore[arg-type]
        penalty=place.penalty,
    )
    return RowsHere.of(model, read_file(place.path, place.columns), place.encoding)


def read_file(path: str, columns: Columns) -> Durations:
    """Return the rows of one Parquet file, or raise DataError naming it."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    named = [columns.step, columns.observed, columns.entry, columns.subject, columns.weight]
    wanted = [name for name in (*named, *columns.covariates) if name is not None]
    try:
        frame = pq.read_table(path, columns=wanted).to_pandas()
        return Durations.from_frame(
            frame,
            step=columns.step,
            observed=columns.observed,
            covariates=columns.covariates,
            entry=columns.entry,
            subject=columns.subject,
            weight=columns.weight,
        )
    except DataError as error:
        raise DataError(f"{Path(path).name}: {error.problem}", error.remedy) from None
    except (pa.ArrowException, OSError, ValueError) as error:
        raise DataError(
            f"{Path(path).name} cannot be read as Parquet ({str(error).splitlines()[0]}).",
            "Write the file anew; nothing was fitted.",
        ) from error


@dataclass(frozen=True, slots=True)
class Question:
    """One question to one place."""

    place: Any
    method: str
    arguments: tuple[Any, ...]


def put(question: Question) -> Any:
    """Return the answer."""
    return getattr(question.place, question.method)(*question.arguments)


def ask_side_by_side(places: Sequence[Place], method: str, arguments: tuple[Any, ...]) -> list[Any]:
    """Return each place's answer, asked through the door of independent work."""
    return run_units(put, [Question(place, method, arguments) for place in places])


@dataclass(frozen=True, slots=True)
class Learning:
    """One file whose encoding is to be learnt."""

    path: str
    columns: Columns


def learn(question: Learning) -> Encoding:
    """Return the encoding that one file calls for; what is constant here may differ elsewhere."""
    covariates = read_file(question.path, question.columns).covariates
    learnt = Encoding.learn(covariates, keep=question.columns.covariates)
    alone = tuple((name, (str(covariates[name].iloc[0]),)) for name in learnt.dropped)
    return Encoding((*learnt.columns, *alone))


def fit_files(
    model: DiscreteHazard,
    paths: Sequence[str | Path],
    *,
    step: str,
    observed: str,
    covariates: Sequence[str],
    entry: str | None = None,
    subject: str | None = None,
    weight: str | None = None,
) -> FittedDiscreteHazard:
    """Return the model fitted to the rows of all files together, without bringing them together.

    Parameters
    ----------
    model : DiscreteHazard
        Without a prior.
    paths : sequence of path
        Parquet files, each a part of the rows; a subject must be in one file only.
    step, observed, covariates, entry, subject, weight
        Columns, as in ``Durations.from_frame``.

    Raises
    ------
    RequestError
        If there are no files, or the model has a prior.
    DataError
        If a file cannot be read; it is named.
    FitError
        As :meth:`DiscreteHazard.fit`.
    """
    if not paths:
        raise RequestError("There are no files to fit to.", "Give at least one.")
    if model.prior:
        raise RequestError("A prior is not carried to the files.", "Give a penalty instead.")
    columns = Columns(step, observed, tuple(covariates), entry, subject, weight)
    learnt = run_units(learn, [Learning(str(path), columns) for path in paths])
    encoding = learnt[0].merged(*learnt[1:])
    places = [
        RowsInFile(str(path), columns, model.link, model.baseline, model.penalty, encoding)
        for path in paths
    ]
    return joint_fit(model, encoding, places, ask=ask_side_by_side)
