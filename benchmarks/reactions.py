"""Do the answers about reactions hold? Simulated clinics with a known regime effect and operators.

    python benchmarks/reactions.py --clinics 40 --out benchmarks/results/reactions.json

Clinics have 4 to 12 operators and 1 to 6 % events a session. Three questions: does the interval
of the regime's odds ratio hold the truth; is a planted operator with three times the odds found
and a fair one left alone; and is the regime's answer withheld when one operator owns a regime.
"""

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.kept import keep
from forecast._jobs import run_units
from forecast.invented import World, simulate_log
from forecast.reactions import fit_reactions

N_COURSES = 400
RATES = (0.01, 0.03, 0.06)
OPERATORS = (4, 8, 12)
EFFECTS = (-0.7, -0.3, 0.0, 0.4)


def one_clinic(seed: int) -> dict[str, Any]:
    """Return what one simulated clinic shows: coverage, operators found, answers withheld."""
    rng = np.random.default_rng(seed)
    rate, operators = float(rng.choice(RATES)), int(rng.choice(OPERATORS))
    effect = float(rng.choice(EFFECTS))
    common = {
        "operators": operators,
        "reaction_rate": rate,
        "reaction_regime": effect,
        "operator_seed": seed,
    }
    report = fit_reactions(simulate_log(N_COURSES, seed=seed, world=World(**common)))
    planted = fit_reactions(
        simulate_log(
            N_COURSES, seed=seed, world=World(**common, operator_reaction_sd=0.0, bad_operator=3.0)
        )
    )
    owned = fit_reactions(simulate_log(N_COURSES, seed=seed, world=World(**common, ps_owner=True)))
    alike = fit_reactions(
        simulate_log(N_COURSES, seed=seed, world=World(**common, operator_reaction_sd=0.0))
    )
    return {
        "rate": rate,
        "operators": operators,
        "effect": effect,
        "events": report.n_events,
        **regime(report, effect),
        **planted_operator(planted, f"op{operators}"),
        "alike_outside": len(alike.operators.outside) if alike.operators else 0,
        "owned": owned.regime.verdict,
        "owned_estimate": owned.regime.estimate,
    }


def regime(report: Any, effect: float) -> dict[str, Any]:
    """Return whether the interval holds the truth, its error and its width in logs."""
    low, high = report.regime.interval
    if low is None:
        return {"covered": None, "error": None, "width": None, "verdict": report.regime.verdict}
    return {
        "covered": bool(np.log(low) <= effect <= np.log(high)),
        "error": float(np.log(report.regime.estimate) - effect),
        "width": float(np.log(high / low)),
        "verdict": report.regime.verdict,
    }


def planted_operator(report: Any, name: str) -> dict[str, Any]:
    """Return whether the planted operator is above the limits, and how many fair ones are out."""
    funnel = report.operators
    if funnel is None:
        return {"found": False, "fair_outside": 0, "expected": None}
    codes = {who: code for code, who in funnel.names.items()}
    row = funnel.table[funnel.table["operator"] == codes[name]]
    return {
        "found": funnel.outside.get(codes[name]) == "above",
        "fair_outside": sum(code != codes[name] for code in funnel.outside),
        "expected": float(row["expected"].iloc[0]) if len(row) else None,
    }


def summary(found: list[dict[str, Any]]) -> dict[str, Any]:
    """Return shares over clinics, with their standard errors."""
    answered = [unit for unit in found if unit["covered"] is not None]
    result = {
        "clinics": len(found),
        "regime answered": len(answered),
        "regime covered": share([unit["covered"] for unit in answered]),
        "regime bias": spread([unit["error"] for unit in answered]),
        "regime width": spread([unit["width"] for unit in answered]),
        "wrong verdict": share(
            [
                (unit["verdict"] == "fewer" and unit["effect"] >= 0)
                or (unit["verdict"] == "more" and unit["effect"] <= 0)
                for unit in answered
            ]
        ),
        "planted found": share([unit["found"] for unit in found]),
        "any fair outside beside planted": share([unit["fair_outside"] > 0 for unit in found]),
        "any outside when alike": share([unit["alike_outside"] > 0 for unit in found]),
        "withheld when owned": share(
            [unit["owned"] == "cannot say" and unit["owned_estimate"] is None for unit in found]
        ),
    }
    for rate in RATES:
        chosen = [unit for unit in found if unit["rate"] == rate]
        held = [unit["covered"] for unit in chosen if unit["covered"] is not None]
        result[f"at {rate:.0%}"] = {
            "covered": share(held),
            "found": share([unit["found"] for unit in chosen]),
            "expected events of the planted operator": spread(
                [unit["expected"] for unit in chosen if unit["expected"] is not None]
            ),
        }
    return result


def share(flags: list[bool]) -> list[float]:
    """Return a share and its standard error."""
    if not flags:
        return [float("nan"), float("nan")]
    p = float(np.mean(flags))
    return [round(p, 3), round((p * (1 - p) / len(flags)) ** 0.5, 3)]


def spread(values: list[float]) -> list[float]:
    """Return a mean and its standard error."""
    if not values:
        return [float("nan"), float("nan")]
    return [round(float(np.mean(values)), 3), round(float(np.std(values) / len(values) ** 0.5), 3)]


def main() -> None:
    """Run the clinics and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clinics", type=int, default=12)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    units = [asked.seed * 10_000 + place for place in range(asked.clinics)]
    found = run_units(one_clinic, units, label="clinics")
    print(json.dumps(summary(found), indent=2))
    keep(asked.out, summary(found))


if __name__ == "__main__":
    main()
