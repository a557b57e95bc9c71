"""A fit over files: sums are made where each file lies, and the answer is that of all rows."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.errors import DataError, RequestError
from forecast.survival import DiscreteHazard, Durations
from forecast.survival.partitions import fit_files

COLUMNS = ["dose", "treated", "group"]
MEANING = {"step": "k", "observed": "seen", "entry": "entry", "covariates": COLUMNS}


@pytest.fixture
def files(mixed, tmp_path):
    """Four files of unequal length; the last holds one level of the group only."""
    frame = mixed.sort_values("group", kind="stable").reset_index(drop=True)
    cuts = [0, 40, 90, int((frame.group != "top").sum()), len(frame)]
    paths = []
    for low, high in pairwise(cuts):
        paths.append(tmp_path / f"part-{low:03d}.parquet")
        frame[low:high].to_parquet(paths[-1], index=False)
    return paths


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch):
    monkeypatch.setenv("FORECAST_WORKERS", "1")


@pytest.mark.parametrize(
    "model",
    [DiscreteHazard(), DiscreteHazard(link="logit", baseline="smooth", penalty=2.0)],
    ids=["textbook", "logit ridge"],
)
def test_files_give_the_fit_of_all_rows(model, files, mixed):
    over_files = fit_files(model, files, **MEANING)
    whole = model.fit(Durations.from_frame(mixed, **MEANING))
    assert over_files.names == whole.names
    assert_allclose(over_files.parameters, whole.parameters, atol=1e-10)
    assert_allclose(over_files.covariance_matrix, whole.covariance_matrix, atol=1e-10)
    assert_allclose(over_files.loglik, whole.loglik, atol=1e-9)
    assert over_files.notes.n_events == whole.notes.n_events


def test_how_rows_are_spread_over_files_does_not_matter(files, mixed, tmp_path):
    model = DiscreteHazard(baseline="smooth", penalty=1.0)
    halves = []
    for half in (0, 1):
        halves.append(tmp_path / f"half-{half}.parquet")
        mixed[mixed.index % 2 == half].to_parquet(halves[-1])
    four, two = fit_files(model, files, **MEANING), fit_files(model, halves, **MEANING)
    assert_allclose(four.parameters, two.parameters, atol=1e-10)


def test_a_corrupt_file_is_named_and_nothing_is_fitted(files):
    content = files[1].read_bytes()
    files[1].write_bytes(content[: len(content) // 2])
    with pytest.raises(DataError, match=r"part-040\.parquet cannot be read as Parquet"):
        fit_files(DiscreteHazard(), files, **MEANING)


def test_rows_that_cannot_be_are_named_with_their_file(files, mixed):
    mixed.assign(k=0).to_parquet(files[2])
    with pytest.raises(
        DataError, match=r"part-090\.parquet: 240 value|part-090\.parquet: \d+ value"
    ):
        fit_files(DiscreteHazard(), files, **MEANING)


def test_what_cannot_be_asked_of_files_is_refused(files):
    with pytest.raises(RequestError, match="no files"):
        fit_files(DiscreteHazard(), [], **MEANING)
    with pytest.raises(RequestError, match="prior"):
        fit_files(DiscreteHazard(prior={"dose": (0.0, 1.0)}), files, **MEANING)


def test_row_order_changes_nothing_beyond_rounding(files, mixed, tmp_path):
    path = tmp_path / "turned.parquet"
    mixed.iloc[np.random.default_rng(0).permutation(len(mixed))].to_parquet(path, index=False)
    model = DiscreteHazard(baseline="smooth", penalty=1.0)
    assert_allclose(
        fit_files(model, [path], **MEANING).parameters,
        fit_files(model, files, **MEANING).parameters,
        atol=1e-9,
    )
