"""The publications that ink grades and cautions rest on, each with how it was read."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from forecast._notes import texts_of
from forecast._shipped import shipped

COMMON_PRACTICE = "common practice, no source"

# From the strongest to the weakest.
MARKS = {
    "read": "the finding was read in the publication, nearly always in its abstract",
    "read 2nd": "the finding was read in another publication's report of it",
    "memory": "the finding is recalled and was not read again",
    "none": "known in the trade; no publication is named",
}


@cache
def table(name: str) -> dict[str, Any]:
    """Return a table that stands beside this file: inks, sites, sources or cautions."""
    return dict(shipped(Path(__file__).with_name(f"{name}.toml")))


def mark_of(key: str) -> str:
    """Return how what is cited was read, a key of ``MARKS``."""
    return "none" if key == COMMON_PRACTICE else str(table("sources")[key]["mark"])


def cite(key: str, language: str = "en") -> str:
    """Return a source's short name and how it was read, beside a claim: "ALAB15, from memory".

    ``key`` is as in the table of publications; how it was read is said in a ``language``.
    """
    terms = texts_of(language).get("terms", {})
    how = {"memory": ", from memory", "read 2nd": ", read in another report"}.get(mark_of(key), "")
    return str(terms.get(key, key)) + str(terms.get(how, how))
