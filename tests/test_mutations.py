"""Small bugs, one at a time: each is caught by the test file beside its module.

A bug is a line of the package written otherwise, in a copy of the project; the fast tests of the
file named beside it must fail there. Where the line has changed, the list says so.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
PARTS = ("forecast", "tests", "synthetic_data", "benchmarks")


class Bug(NamedTuple):
    """What goes wrong, where, and the line as it is and as it becomes."""

    what: str
    path: str
    line: str
    becomes: str
    caught_by: str


BUGS = (
    Bug(
        "published effects with the other sign on the log count",
        "counts/attributes.py",
        "        name: (-mean / SHAPE, spread / SHAPE) for",
        "        name: (mean / SHAPE, spread / SHAPE) for",
        "counts/test_attributes.py",
    ),
    Bug(
        "stopped counts as cleared",
        "counts/rows.py",
        '    observed = (outcome == "cleared").to_numpy()',
        '    observed = outcome.isin(["cleared", "stopped"]).to_numpy()',
        "counts/test_rows.py",
    ),
    Bug(
        "sessions elsewhere are not in the step",
        "counts/rows.py",
        '        "step": entry + log.judged_sessions,',
        '        "step": log.judged_sessions,',
        "counts/test_rows.py",
    ),
    Bug(
        "a laser counts before it was bought",
        "counts/rows.py",
        '        used = lasers[~(lasers["in_use_from"] > on).fillna(False)]',
        '        used = lasers[~(lasers["in_use_from"] < on).fillna(False)]',
        "counts/test_rows.py",
    ),
    Bug(
        "a running course's last session counts",
        "log/outcome_log.py",
        "    return given - waiting",
        "    return given",
        "log/test_outcome_log.py",
    ),
    Bug(
        "sessions elsewhere are ignored in the answer",
        "counts/predictor.py",
        "found[:, rows] = carry_remaining(pmfs[:, rows], total[rows], done, steps)",
        "found[:, rows] = carry_remaining(pmfs[:, rows], total[rows], 0, steps)",
        "counts/test_predictor.py",
    ),
    Bug(
        "cleared courses are at risk of stopping",
        "counts/estimate.py",
        '    until = rows["given"] - (~rows["stopped"]).astype(int)',
        '    until = rows["given"]',
        "counts/test_estimate.py",
    ),
    Bug(
        "the calendar is one interval late",
        "counts/estimate.py",
        "timedelta(weeks=spacing_weeks * (n - 1))",
        "timedelta(weeks=spacing_weeks * n)",
        "counts/test_estimate.py",
    ),
    Bug(
        "a delayed entry is ignored in the likelihood",
        "survival/accelerated_likelihood.py",
        "        late = np.flatnonzero(entry)",
        "        late = np.flatnonzero(entry > 99)",
        "survival/test_accelerated.py",
    ),
    Bug(
        "a quantile is the step after the one that reaches it",
        "survival/model.py",
        "        reached = self.cdf()[:, None, :] >= np.array(levels)[:, None] - ROUNDING",
        "        reached = self.cdf()[:, None, :] > np.array(levels)[:, None] + ROUNDING",
        "survival/test_model.py",
    ),
    Bug(
        "a map may narrow on few events",
        "assess/calibration.py",
        "            tail = min(EVENTS_PER_TAIL / self.n_events * (1 - 1e-9), 0.5)",
        "            tail = 0.0",
        "assess/test_calibration.py",
    ),
    Bug(
        "stopping goes by sessions to lightening",
        "counts/predictor.py",
        "predictor.model.predict(to_clearing(stacked), predictor.horizon)",
        "predictor.model.predict(stacked, predictor.horizon)",
        "counts/test_lightening.py",
    ),
    Bug(
        "a driver has the other sign",
        "forecaster/forecaster.py",
        "quantiles(compared[:, :1] - compared[:, 1:],",
        "quantiles(compared[:, 1:] - compared[:, :1],",
        "forecaster/test_forecaster.py",
    ),
    Bug(
        "a landmark sees a later grading",
        "midcourse/landmarks.py",
        "    last = latest[at, done]",
        "    last = latest[at, np.minimum(done + 1, furthest)]",
        "midcourse/test_landmarks.py",
    ),
    Bug(
        "of several gradings of one session the last is taken",
        "midcourse/update.py",
        "    means = {k: float(np.mean(values)) for k, values in sorted(seen.items())}",
        "    means = {k: float(values[-1]) for k, values in sorted(seen.items())}",
        "midcourse/test_update.py",
    ),
    Bug(
        "the tax stays in the pay-off",
        "prices/tariff.py",
        "    net = 1 / (1 + tariff.tax_rate)",
        "    net = 1.0",
        "prices/test_quote.py",
    ),
    Bug(
        "an asked price is rounded to the nearest",
        "prices/package.py",
        "Decimal(1), ROUND_CEILING)",
        "Decimal(1), ROUND_HALF_UP)",
        "prices/test_package.py",
    ),
    Bug(
        "a year's courses do not share the draw",
        "prices/year.py",
        "            of_draws = courses.chances(slice(first + low, first + low + len(some)))",
        "            of_draws = courses.model_known().chances().repeat(len(some), 0)",
        "prices/test_year.py",
    ),
    Bug(
        "the tax stays in the money of open courses",
        "prices/past_and_open.py",
        "    received = in_the_bank / (1 + tariff.tax_rate)",
        "    received = in_the_bank",
        "prices/test_past_and_open.py",
    ),
    Bug(
        "the tax stays in what prepaid sessions are worth",
        "prices/past_and_open.py",
        "    prepaid_left = worked_for / (1 + tariff.tax_rate)",
        "    prepaid_left = worked_for",
        "prices/test_past_and_open.py",
    ),
    Bug(
        "ongoing courses count as ended in the backtest",
        "prices/past_and_open.py",
        '    delivered, ongoing = np.minimum(given, terms.cap), outcome == "ongoing"',
        '    delivered, ongoing = np.minimum(given, terms.cap), outcome == "none"',
        "prices/test_past_and_open.py",
    ),
    Bug(
        "nanosecond and picosecond are swapped",
        "regimes/trial.py",
        '        group=np.where(rows["regime"] == "ps", 1, 0),',
        '        group=np.where(rows["regime"] == "ps", 0, 1),',
        "regimes/test_trial.py",
    ),
    Bug(
        "the share cleared by a session is read one session early",
        "regimes/weighted_curves.py",
        "drawn.survival[:, right, 0, n] - drawn.survival[:, left, 0, n]",
        "drawn.survival[:, right, 0, n - 1] - drawn.survival[:, left, 0, n - 1]",
        "regimes/test_weighted_curves.py",
    ),
    Bug(
        "models under a strategy are fitted without their weights",
        "regimes/weighted_curves.py",
        "                weight=used[kept] / used[kept].mean(),",
        "                weight=np.ones(int(kept.sum())),",
        "regimes/test_weighted_curves.py",
    ),
    Bug(
        "a verdict stands on few effective courses",
        "regimes/verdict.py",
        "LEAST_EFFECTIVE = 30.0",
        "LEAST_EFFECTIVE = 0.0",
        "regimes/test_verdict.py",
    ),
    Bug(
        "the picosecond share is ignored in what a session removes",
        "fading/curves.py",
        "columns[:, at] = sessions * own if ps else 0.0",
        "columns[:, at] = 0.0",
        "fading/test_curves.py",
    ),
    Bug(
        "fewer and more reactions are swapped",
        "reactions/regime_odds.py",
        '"fewer" if high < 0 else "more" if low > 0',
        '"more" if high < 0 else "fewer" if low > 0',
        "reactions/test_regime_odds.py",
    ),
    Bug(
        "a share gives exact counts",
        "sharing/share.py",
        "max(FEWEST_REACHED, 10 * round((n + COUNT_NOISE * next(noise)) / 10))",
        "n",
        "sharing/test_share.py",
    ),
)


@pytest.mark.slow
@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.what.replace(" ", "-"))
def test_a_small_bug_is_caught_by_the_file_beside_it(bug, tmp_path):
    for part in PARTS:
        shutil.copytree(ROOT / part, tmp_path / part)
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, tmp_path)
    where = tmp_path / "forecast" / bug.path
    code = where.read_text(encoding="utf-8")
    assert bug.line in code, f"{bug.path} no longer has: {bug.line}"
    where.write_text(code.replace(bug.line, bug.becomes), encoding="utf-8")
    asked = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-m", "not slow"]
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", *asked, f"tests/{bug.caught_by}"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1, f"{bug.what} goes unseen:\n{ran.stdout[-1500:]}"
