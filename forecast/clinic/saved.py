"""A forecaster as a JSON file: written whole or not at all, and refused when unknown."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from forecast._checks import check_kind, check_whole_number
from forecast._files import check_not_lost, is_json_with, write_whole
from forecast.assess import Recalibration
from forecast.clinic.forecaster import Forecaster
from forecast.clinic.midcourse import Midcourse
from forecast.clinic.reference import Reference
from forecast.clinic.stopping import Stopping
from forecast.errors import ForecastError, RequestError
from forecast.survival.portable import model_from_dict

__all__ = ["KIND", "SCHEMA", "load_forecaster", "save_forecaster", "to_dict"]

SCHEMA = 2
KIND = "session-forecast forecaster"


def to_dict(forecaster: Forecaster) -> dict[str, Any]:
    """Return a forecaster as plain JSON values."""
    parts = {
        name: part and part.to_dict()
        for name, part in (
            ("model", forecaster.model),
            ("evidence", forecaster.evidence),
            ("stopping", forecaster.stopping.model),
            ("recalibration", forecaster.recalibration),
            ("midcourse", forecaster.midcourse),
            ("reference", forecaster.reference),
        )
    }
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "goal": forecaster.goal,
        "horizon": forecaster.horizon,
        "seed": forecaster.seed,
        **parts,
        "strategies": {name: model.to_dict() for name, model in forecaster.strategies.items()},
        "assessment": dict(forecaster.assessment),
        "notes": list(forecaster.notes),
    }


def save_forecaster(forecaster: Forecaster, path: str | os.PathLike[str]) -> None:
    """Write a forecaster to ``path``; an interrupted write leaves what was there before.

    Raises
    ------
    RequestError
        If ``path`` has a file that is no saved forecaster: it would be lost.
    """
    check_kind(path, (str, os.PathLike), name="path", give="the name of a file")
    target = Path(path)
    check_not_lost(target, what="a saved forecaster", known=is_json_with("kind", KIND))
    write_whole(target, json.dumps(to_dict(forecaster), indent=1))


def load_forecaster(path: str | os.PathLike[str]) -> Forecaster:
    """Return the forecaster saved at ``path``.

    Raises
    ------
    RequestError
        If the file is not there, is no forecaster, or was written by a later version.
    """
    check_kind(path, (str, os.PathLike), name="path", give="the file that fit wrote")
    try:
        stored = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise RequestError(
            f"The model {os.fspath(path)} cannot be read: {error.strerror}.",
            "Give the file that fit wrote.",
        ) from None
    except (UnicodeDecodeError, json.JSONDecodeError):
        stored = None
    if not isinstance(stored, dict) or stored.get("kind") != KIND:
        raise RequestError(
            f"The file {os.fspath(path)} is not a saved forecaster.",
            "Give the file that fit wrote.",
        )
    if stored.get("schema") != SCHEMA:
        raise RequestError(
            f"The file {os.fspath(path)} has schema {stored.get('schema')!r}, this is {SCHEMA}.",
            "Fit the model again with this version, or update the package.",
        )
    return from_dict(stored, os.fspath(path))


def from_dict(stored: Mapping[str, Any], named: str) -> Forecaster:
    """Return the forecaster held in plain values."""
    try:
        reference = Reference.from_dict(stored["reference"])
        if stored["goal"] == "lighten" and reference.lightening is None:
            raise RequestError(
                f"The saved forecaster {named} counts sessions to clearing as those to lightening.",
                "Fit the model again with this version.",
            )
        return Forecaster(
            model=model_from_dict(stored["model"]),
            evidence=stored["evidence"] and model_from_dict(stored["evidence"]),
            stopping=Stopping(model_from_dict(stored["stopping"])),
            recalibration=stored["recalibration"]
            and Recalibration.from_dict(stored["recalibration"]),
            reference=reference,
            midcourse=stored["midcourse"] and Midcourse.from_dict(stored["midcourse"]),
            strategies={
                name: model_from_dict(model) for name, model in stored["strategies"].items()
            },
            goal=stored["goal"],
            horizon=check_whole_number(stored["horizon"], name="horizon", low=1),
            seed=stored["seed"],
            assessment=stored["assessment"],
            notes=tuple(stored["notes"]),
        )
    except (KeyError, TypeError, AttributeError, IndexError, ValueError) as error:
        if isinstance(error, ForecastError):
            raise
        raise RequestError(
            f"The saved forecaster {named} is incomplete ({error}).", "Fit the model again."
        ) from None
