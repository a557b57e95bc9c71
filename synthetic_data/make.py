"""Write the invented clinic's files, the same bytes every time."""

import sys
from pathlib import Path

from forecast.clinic.simulate import simulate_clinic

SEED = 20170102
TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")


def main(folder: Path) -> None:
    """Write the five tables into ``folder``."""
    clinic = simulate_clinic(600, seed=SEED)
    for name in TABLES:
        getattr(clinic.log, name).to_csv(
            folder / f"{name}.csv",
            index=False,
            float_format="%g",
            date_format="%Y-%m-%d",
            lineterminator="\n",
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
