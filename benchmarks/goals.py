"""The goals of speed and memory, and the table that holds what was measured beside them."""

import json
import platform
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import packages_distributions, version
from pathlib import Path

import numpy as np

__all__ = ["GOALS", "Measured", "Notebook", "table"]


@dataclass(frozen=True, slots=True)
class Measured:
    """One measurement: its middle, its range, and how many runs it rests on."""

    goal: str
    peer: str
    size: int
    value: float
    low: float
    high: float
    runs: int


@dataclass(frozen=True, slots=True)
class Goal:
    """What a measurement is held to: at least, or at most, ``bound`` of a unit."""

    goal: str
    peer: str
    size: int
    bound: float
    unit: str = "x"
    at_least: bool = False


def faster(goal: str, peer: str, size: int, bound: float) -> Goal:
    """Return the goal to be ``bound`` times as fast as a peer."""
    return Goal(goal, peer, size, bound, at_least=True)


PEERS = ("numpy", "pandas", "scipy", "lifelines", "statsmodels", "pyarrow", "duckdb")
COLD = ("estimate", "update", "sheet")
SIZES = (2_000, 20_000, 200_000)
GOALS = (
    Goal("W1", "lifelines LogNormalAFTFitter", 600, 5),
    Goal("W2", "lifelines LogNormalAFTFitter", 600, 0.8),
    Goal("W3", "python -c 'import pandas, scipy.optimize'", 600, 5),
    *(Goal("W4", f"python -c 'import numpy': {name}", 1, 2) for name in COLD),
    Goal("W5", "lifelines predict_survival_function: one estimate", 1, 1),
    Goal("W5", "lifelines predict_survival_function: one update", 1, 1.5),
    Goal("W6", "compare_regimes, 1,000 resamples", 600, 2, "s, one core"),
    Goal("W6", "fit_fading", 600, 2, "s, one core"),
    Goal("W6", "fit_reactions", 600, 2, "s, one core"),
    Goal("W7", "an answer of the page", 1, 8, "ms"),
    Goal("W7", "median wait in a burst of fifty", 50, 200, "ms"),
    Goal("W7", "median wait of fifty at once", 50, 200, "ms"),
    faster("A1", "lifelines LogNormalAFTFitter", 2_000, 100),
    faster("A1", "lifelines LogNormalAFTFitter", 20_000, 60),
    faster("A1", "lifelines LogNormalAFTFitter", 200_000, 50),
    faster("A1", "lifelines LogNormalAFTFitter", 1_000_000, 50),
    *(Goal("F4", "statsmodels: coefficients", n, 1e-6, "") for n in SIZES),
    *(Goal("F4", "statsmodels: standard errors", n, 1e-6, "relative") for n in SIZES),
    Goal("P1", "one enquiry", 1, 0.1, "ms"),
    Goal("P1", "1,000 enquiries", 1_000, 2, "ms"),
    Goal("P3", "1,000 courses, 1,000 draws", 1_000, 100, "ms"),
    Goal("R1", "one DuckDB query", 1_000_000, 3),
    Goal("R2", "pandas.read_csv of the shipped log", 600, 4),
    Goal("S1", "uniforms: a year of 2,000 courses, 10,000 times", 2_000, 3),
    Goal("S1", "uniforms: 100,000 enquiries by four packages", 100_000, 2),
    Goal("M1", "pyarrow reads the files", 1_000_000, 10),
    Goal("M1", "peak memory of the whole", 1_000_000, 3_072, "MiB"),
)


class Notebook:
    """Prints measurements as they come, and keeps them for the table."""

    def __init__(self, kept: Path | None = None) -> None:
        self.kept = kept

    def keep(self, goal: str, peer: str, size: int, values: Sequence[float]) -> None:
        """Print and keep a measurement made once or several times."""
        found = np.asarray(values, dtype=np.float64)
        ends = float(found.min()), float(found.max())
        self.add(Measured(goal, peer, size, float(np.median(found)), *ends, len(found)))

    def ratios(self, goal: str, peer: str, size: int, pairs: Sequence[tuple[float, float]]) -> None:
        """Print and keep the time of a peer over ours: the medians', and the range of the pairs."""
        mine, theirs = np.array(pairs).T
        each = theirs / mine
        value = float(np.median(theirs) / np.median(mine))
        self.add(
            Measured(goal, peer, size, value, float(each.min()), float(each.max()), len(pairs))
        )

    def add(self, measured: Measured) -> None:
        """Print and keep a measurement."""
        print(f"  {measured.goal} {measured.peer:<46} {measured.size:>9,}  {shown(measured)}",
              flush=True)  # fmt: skip
        if self.kept:
            with self.kept.open("a") as file:
                file.write(json.dumps(asdict(measured)) + "\n")


def shown(measured: Measured) -> str:
    """Return the middle of a measurement, with its range when there is one."""
    if measured.runs == 1:
        return f"{measured.value:.3g} (once)"
    return f"{measured.value:.3g} ({measured.low:.3g} to {measured.high:.3g}; {measured.runs} runs)"


def versions() -> str:
    """Return the versions of what was measured and of what it was measured against."""
    there = {name for names in packages_distributions().values() for name in names}
    found = [f"{name} {version(name)}" for name in PEERS if name in there]
    return f"Python {platform.python_version()}, {', '.join(found)}."


def table(kept: Path) -> list[str]:
    """Return the goals as lines of a table, each with what was last measured of it."""
    rows = [json.loads(line) for line in kept.read_text().splitlines()] if kept.exists() else []
    found = {(row["goal"], row["peer"], row["size"]): Measured(**row) for row in rows}
    lines = [
        versions(),
        "",
        "| goal | against | size | aimed at | measured | |",
        "|---|---|---|---|---|---|",
    ]
    for goal in GOALS:
        measured = found.get((goal.goal, goal.peer, goal.size))
        said, verdict = "not run", ""
        if measured:
            said = shown(measured)
            met = measured.value >= goal.bound if goal.at_least else measured.value <= goal.bound
            verdict = "met" if met else "falls short"
        sign = "≥" if goal.at_least else "≤"
        lines.append(
            f"| {goal.goal} | {goal.peer} | {goal.size:,} | {sign} {goal.bound:g} {goal.unit} | "
            f"{said} | {verdict} |"
        )
    return lines
