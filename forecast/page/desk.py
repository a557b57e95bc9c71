"""What the page answers from: a model per goal, the clinic, and a tariff when there is one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from forecast.errors import RequestError
from forecast.forecaster import Forecaster, load_forecaster
from forecast.page.clinic_file import Clinic, read_clinic
from forecast.prices import Tariff, read_tariff

__all__ = ["Desk", "open_desk"]

GOALS = ("clear", "lighten")


@dataclass(frozen=True, slots=True, eq=False)
class Desk:
    """Everything an answer is made from; nothing of a client.

    Attributes
    ----------
    forecasters : mapping of goal to Forecaster
        ``clear``, ``lighten`` or both.
    tariff : Tariff or None
        Prices are shown when it is there.
    clinic : Clinic
        Name, logo and wording.
    """

    forecasters: Mapping[str, Forecaster]
    tariff: Tariff | None = None
    clinic: Clinic = field(default_factory=Clinic)


def open_desk(
    model: Path,
    *,
    lighten: Path | None = None,
    tariff: Path | None = None,
    clinic: Path | None = None,
) -> Desk:
    """Return the desk of saved models and files.

    Raises
    ------
    RequestError
        A model cannot be read, or the one for lightening has another goal.
    DataError
        The tariff or the clinic's file cannot be used.
    """
    first = load_forecaster(model)
    if first.goal not in GOALS:
        raise RequestError(
            f"{model.name} has the goal {first.goal!r}.", f"Give one of {', '.join(GOALS)}."
        )
    forecasters = {first.goal: first}
    if lighten is not None:
        second = load_forecaster(lighten)
        if second.goal != "lighten" or first.goal == "lighten":
            raise RequestError(
                f"{model.name} has the goal {first.goal!r} and {lighten.name} {second.goal!r}.",
                "Give a model for clear first and, with --lighten, one fitted with --goal lighten.",
            )
        forecasters["lighten"] = second
    return Desk(
        forecasters,
        read_tariff(tariff) if tariff else None,
        read_clinic(clinic) if clinic else Clinic(),
    )
