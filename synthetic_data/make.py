"""Write the invented clinic's files, the same bytes every time."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from benchmarks.clinics import simulate_clinic
from benchmarks.truth import true_contrast
from forecast.invented import World
from forecast.invented.world import Mechanism
from forecast.log import OutcomeLog, write_log
from synthetic_data.german import write_german
from synthetic_data.make_messy import write_messy

SEED = 20170102
TANGLED = "tangled"  # the folder of the clinic whose pulse and wavelength go together
STRATEGIES = ("ns", "ps", "ns:4>ps")


def main(folder: Path) -> None:
    """Write two clinics into ``folder``, each with its tables, rules and truth; and workbooks."""
    write_clinic(folder, "practised", "An invented clinic")
    tangled = write_clinic(
        folder / TANGLED, "share", "An invented clinic, pulse and wavelength as one"
    )
    write_messy(folder, tangled)
    write_german(folder / "deutsche_praxis.xlsx")


def write_clinic(folder: Path, mechanism: Mechanism, title: str) -> OutcomeLog:
    """Write the usual clinic of a mechanism, its tables, rules and truth."""
    clinic = simulate_clinic(600, seed=SEED, mechanism=mechanism)
    write_log(clinic.log, folder, title=title)
    write_truth(folder / "truth.json", clinic.world, clinic.truth)
    return clinic.log


def write_truth(path: Path, world: World, courses: pd.DataFrame) -> None:
    """Write the parameters, the true differences and the truth of each course, one a line."""
    head = {
        "about": "What would have happened. For tests and notebooks only; a fit never reads it.",
        "parameters": asdict(world),
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
