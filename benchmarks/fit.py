"""Speed of the discrete hazard, each number as a ratio to a named peer in the same run.

    OMP_NUM_THREADS=1 python -m benchmarks.fit [--sizes 2000 20000] [--repeats 3]

One numerical thread; ours and the peer take turns, and the ratio is that of the medians. Times
are of the processor, so that a busy machine does not blur them. The spread is the range of the
pairwise ratios. Sizes above 20,000 leave statsmodels out: it needs
57 kB per row.
"""

import argparse
import gc
import time
import tracemalloc
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.data import LAST, changing_rows, dummies, fixed_rows, read
from forecast.survival import DiscreteHazard

STATSMODELS_LIMIT = 20_000
SKLEARN_LIMIT = 200_000


def main() -> None:
    """Print one line per measurement."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[2_000, 20_000, 200_000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--refits", type=int, default=1000)
    options = parser.parse_args()
    seconds = {}
    for n in options.sizes:
        seconds[n] = measure(n, options.repeats, options.refits)
    report_growth(seconds)
    report_latency()


def measure(n: int, repeats: int, refits: int) -> float:
    """Print what was measured at one size; return the seconds of our fit."""
    frame = fixed_rows(n)
    print(f"\n{n:,} rows, {frame.step.mean():.1f} steps each, {frame.event.mean():.0%} events")
    ours = lambda: DiscreteHazard().fit(read(frame))  # noqa: E731
    logit = lambda: DiscreteHazard(link="logit").fit(read(frame))  # noqa: E731
    changing = changing_rows(n)
    wide = dummies(frame)
    seconds, _ = alternate(ours, None, 2 * repeats)
    line("fit, frame to coefficients", f"{1e3 * seconds:.1f} ms")
    if n <= STATSMODELS_LIMIT:
        _, pairs = alternate(ours, lambda: statsmodels_fit(frame, wide, "cloglog"), repeats)
        ratio("F1 statsmodels GLM cloglog / ours", pairs)
        _, pairs = alternate(logit, lambda: statsmodels_fit(frame, wide, "logit"), repeats)
        ratio("F3 statsmodels GLM logit / ours", pairs)
        agreement(frame, wide)
    _, pairs = alternate(ours, lambda: cox_fit(frame, wide), repeats)
    ratio("F2 lifelines CoxPHFitter / ours", pairs)
    if n <= SKLEARN_LIMIT:
        _, pairs = alternate(logit, lambda: sklearn_fit(frame, wide), repeats)
        ratio("F3 scikit-learn newton-cholesky / ours, logit", pairs)
    spells = read(changing)
    plain = read(frame)
    _, pairs = alternate(
        lambda: DiscreteHazard().fit(plain), lambda: DiscreteHazard().fit(spells), 2 * repeats
    )
    ratio("F6 ours with a change inside rows / without", pairs)
    line("M1 peak above the frame", f"{peak_bytes(ours) / n:.0f} bytes per row")
    if n <= STATSMODELS_LIMIT:
        bootstrap(changing, refits)
        replicate_agreement(changing)
    return seconds


def alternate(
    ours: Callable[[], Any], peer: Callable[[], Any] | None, repeats: int
) -> tuple[float, list[tuple[float, float]]]:
    """Return our median seconds, and (ours, peer) seconds of each round."""
    ours()
    pairs = []
    for _ in range(repeats):
        pairs.append((clock(ours), clock(peer) if peer else np.nan))
    return float(np.median([mine for mine, _ in pairs])), pairs


def clock(work: Callable[[], Any]) -> float:
    """Return the processor seconds one call takes."""
    gc.collect()
    start = time.process_time()
    work()
    return time.process_time() - start


def ratio(what: str, pairs: list[tuple[float, float]]) -> None:
    """Print the peer's time over ours."""
    mine, theirs = np.array(pairs).T
    each = theirs / mine
    line(what, f"{np.median(theirs) / np.median(mine):.3g}x ({each.min():.3g} to {each.max():.3g})")


def line(what: str, value: str) -> None:
    """Print one measurement."""
    print(f"  {what:<48} {value}", flush=True)


def long_form(
    frame: pd.DataFrame, wide: pd.DataFrame, weight: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the expanded design (step indicators first), the events and the weights.

    Steps without an event, or with nothing else, are left out: their coefficients are infinite.
    """
    weight = np.ones(len(frame)) if weight is None else weight
    last, entry = frame.step.to_numpy(), frame.entry.to_numpy()
    long = last - entry
    row = np.repeat(np.arange(len(frame)), long)
    step = np.arange(len(row)) - np.repeat(np.cumsum(long) - long, long) + entry[row] + 1
    event = frame.event.to_numpy()[row] & (step == last[row])
    seen = np.bincount(step, weight[row] * event, LAST + 1)
    quiet = np.bincount(step, weight[row] * ~event, LAST + 1)
    used = np.flatnonzero((seen > 0) & (quiet > 0))
    keep = np.isin(step, used) & (weight[row] > 0)
    base = step[keep, None] == used
    design = np.hstack([base, wide.to_numpy()[row][keep]]).astype(float)
    return design, event[keep], weight[row][keep]


def statsmodels_fit(frame: pd.DataFrame, wide: pd.DataFrame, link: str) -> Any:
    """Return a binomial GLM of the expanded rows."""
    import statsmodels.api as sm

    design, event, _ = long_form(frame, wide)
    links = {"cloglog": sm.families.links.CLogLog(), "logit": sm.families.links.Logit()}
    return sm.GLM(event.astype(float), design, family=sm.families.Binomial(links[link])).fit()


def sklearn_fit(frame: pd.DataFrame, wide: pd.DataFrame) -> Any:
    """Return an unpenalised logistic regression of the expanded rows."""
    from sklearn.linear_model import LogisticRegression

    design, event, _ = long_form(frame, wide)
    return LogisticRegression(
        C=np.inf, solver="newton-cholesky", fit_intercept=False, tol=1e-6
    ).fit(design, event)


def cox_fit(frame: pd.DataFrame, wide: pd.DataFrame) -> Any:
    """Return lifelines' Cox model on the rows as they are."""
    from lifelines import CoxPHFitter

    return CoxPHFitter().fit(
        wide.assign(step=frame.step, event=frame.event), duration_col="step", event_col="event"
    )


def agreement(frame: pd.DataFrame, wide: pd.DataFrame) -> None:
    """Print how far we are from statsmodels at its tightest."""
    import statsmodels.api as sm

    design, event, _ = long_form(frame, wide)
    family = sm.families.Binomial(sm.families.links.CLogLog())
    peer = sm.GLM(event.astype(float), design, family=family).fit(tol=1e-12, maxiter=100)
    ours = DiscreteHazard().fit(read(frame))
    steps = len(ours.form.names)
    slopes = np.abs(peer.params[steps:] - ours.coefficients.to_numpy()).max()
    errors = np.abs(peer.bse[steps:] / ours.standard_errors.to_numpy() - 1).max()
    line("F4 largest difference, coefficients; errors", f"{slopes:.1e}; {errors:.1e} relative")


def peak_bytes(work: Callable[[], Any]) -> int:
    """Return the peak of memory that ``work`` allocates."""
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def bootstrap(frame: pd.DataFrame, refits: int) -> None:
    """Print the time of refits with standardised curves, in statsmodels fits."""
    durations = read(frame)
    refitter = DiscreteHazard(penalty=1e-3).refitter(durations)
    start = refitter.fit()
    rows = [refitter.encoding.encode(durations.covariates.assign(device=d)) for d in (0, 1)]
    rng = np.random.default_rng(1)
    n = len(frame)
    begin = time.process_time()
    for low in range(0, refits, 100):
        weights = rng.multinomial(n, np.full(n, 1 / n), size=min(100, refits - low)).astype(float)
        many = refitter.fit_many(weights, start=start)
        for matrix in rows:
            many.mean_survival(matrix, weights)
    seconds = time.process_time() - begin
    wide = dummies(frame)
    plain = fixed_rows(len(frame))
    peer = clock(lambda: statsmodels_fit(plain, dummies(plain), "cloglog"))
    line(
        f"B1 {refits} refits with curves / one statsmodels fit",
        f"{seconds / peer:.2f} ({1e3 * seconds / refits:.2f} ms each; {wide.shape[1]} columns)",
    )


def replicate_agreement(frame: pd.DataFrame, replicates: int = 3) -> None:
    """Print how far refits are from weighted statsmodels fits."""
    import statsmodels.api as sm

    refitter = DiscreteHazard().refitter(read(frame))
    rng, n, wide = np.random.default_rng(5), len(frame), dummies(frame)
    weights = rng.multinomial(n, np.full(n, 1 / n), size=replicates).astype(float)
    many = refitter.fit_many(weights)
    worst = 0.0
    for weight, slopes in zip(weights, many.slopes, strict=True):
        design, event, long = long_form(frame, wide, weight)
        family = sm.families.Binomial(sm.families.links.CLogLog())
        peer = sm.GLM(event.astype(float), design, family=family, freq_weights=long)
        params = peer.fit(tol=1e-12, maxiter=100).params
        # ours follow the frame: categories, then numbers, then the device
        worst = max(worst, float(np.abs(params[-len(slopes) :] - slopes).max()))
    line("B2 largest difference of a replicate", f"{worst:.1e}")


def report_growth(seconds: dict[int, float]) -> None:
    """Print how our time grows with the number of rows."""
    sizes = sorted(size for size in seconds if size >= STATSMODELS_LIMIT)
    if len(sizes) > 1:
        power = np.log(seconds[sizes[-1]] / seconds[sizes[0]]) / np.log(sizes[-1] / sizes[0])
        line(f"F5 growth exponent, {sizes[0]:,} to {sizes[-1]:,}", f"{power:.2f}")


def report_latency() -> None:
    """Print the time of an answer from a fitted model."""
    frame = fixed_rows(20_000)
    fitted = DiscreteHazard().fit(read(frame))
    names = [name for name, _ in fitted.encoding.columns]
    one = {name: frame[name][0] for name in names}
    thousand = {name: frame[name][:1000].tolist() for name in names}

    def answer(covariates: Any, times: int) -> float:
        def work() -> None:
            for _ in range(times):
                fitted.predict(covariates, LAST).interval(0.8)

        work()
        return min(clock(work) for _ in range(5)) / times

    line("P1 one enquiry, distribution and interval", f"{1e3 * answer(one, 200):.3f} ms")
    line("P1 1,000 enquiries", f"{1e3 * answer(thousand, 10):.2f} ms")


if __name__ == "__main__":
    with warnings.catch_warnings():
        main()
