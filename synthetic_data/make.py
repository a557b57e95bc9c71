"""Write the invented clinic's files, the same bytes every time."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from benchmarks.truth import true_contrast
from forecast.invented import World, simulate_clinic
from forecast.log import write_log
from synthetic_data.german import write_german
from synthetic_data.make_messy import write_messy

SEED = 20170102
UNUSED = {
    "mechanism",
    "dropout_slow",
    "eye_sd",
    "stalled_only",
}  # the shipped clinic has their defaults
STRATEGIES = ("ns", "ps", "ns:4>ps")


def main(folder: Path) -> None:
    """Write the five tables, their rules and the truth behind them into ``folder``."""
    world = World()
    clinic = simulate_clinic(600, seed=SEED, world=world)
    write_log(clinic.log, folder, title="An invented clinic")
    write_messy(folder, clinic.log)
    write_german(folder / "deutsche_praxis.xlsx")
    write_truth(folder / "truth.json", world, clinic.truth)


def write_truth(path: Path, world: World, courses: pd.DataFrame) -> None:
    """Write the parameters, the true differences and the truth of each course, one a line."""
    head = {
        "about": "What would have happened. For tests and notebooks only; a fit never reads it.",
        "parameters": {k: v for k, v in asdict(world).items() if k not in UNUSED},
        "strategies_all_years": rounded(true_contrast(world, STRATEGIES)),
        "strategies_since_ps": rounded(true_contrast(world, STRATEGIES, between=(4.0, 8.0))),
    }
    listed = courses.round(4).astype(object).where(courses.notna(), None)
    rows = ",\n".join(json.dumps(row) for row in listed.to_dict("records"))
    text = json.dumps(head, indent=1).removesuffix("\n}") + f',\n "courses": [\n{rows}\n ]\n}}\n'
    path.write_text(text, encoding="utf-8", newline="\n")


def rounded(value: Any) -> Any:
    """Return nested numbers to four decimals, so that machines agree on the bytes."""
    if isinstance(value, dict):
        return {str(key): rounded(part) for key, part in value.items()}
    return round(value, 4) if isinstance(value, float) else value


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
