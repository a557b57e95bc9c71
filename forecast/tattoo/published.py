"""The publications that ink grades and cautions rest on, each with how it was read."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from forecast._notes import texts_of

COMMON_PRACTICE = "common practice, no source"

# From the strongest to the weakest.
MARKS = {
    "read": "the finding was read in the publication, nearly always in its abstract",
    "read 2nd": "the finding was read in another publication's report of it",
    "memory": "the finding is recalled and was not read again",
    "none": "known in the trade; no publication is named",
}


@dataclass(frozen=True, slots=True)
class Source:
    """One publication."""

    key: str  # the short name used in tables
    citation: str  # authors, title, journal, year; "(m)" after a part that is from memory
    mark: str  # how the finding cited was read, a key of ``MARKS``


@cache
def table(name: str) -> dict[str, Any]:
    """Return one of the tables that stand beside this file: inks, sources or cautions."""
    file = Path(__file__).with_name(f"{name}.toml")
    return tomllib.loads(file.read_text(encoding="utf-8"))


@cache
def sources() -> dict[str, Source]:
    """Return every publication by its key."""
    return {key: Source(key, **row) for key, row in table("sources").items()}


def mark_of(key: str) -> str:
    """Return how what is cited was read, a key of ``MARKS``."""
    return "none" if key == COMMON_PRACTICE else sources()[key].mark


def cite(key: str, language: str = "en") -> str:
    """Return a source's short name and how it was read, beside a claim: "ALAB15, from memory".

    Parameters
    ----------
    key : str
        As in the table of publications.
    language : str
        In which it is said how it was read.
    """
    terms = texts_of(language).get("terms", {})
    how = {"memory": ", from memory", "read 2nd": ", read in another report"}.get(mark_of(key), "")
    return str(terms.get(key, key)) + str(terms.get(how, how))
