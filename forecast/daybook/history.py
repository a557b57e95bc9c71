"""What was entered of a course, in words: when, by whom, what, taken back or not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from forecast._notes import Filler, Note, texts_of
from forecast.daybook.promises import spoken

Row = Mapping[str, Any]
# of a row of each table: what its line is called, and what stands behind the colon
SAID = {
    "promises": ("promise", ("package", "price", "currency")),
    "courses": ("course", ("stop_reason",)),
    "sessions": ("session", ("regime", "laser_id", "wavelengths_nm", "passes", "operator_id")),
    "gradings": ("grading", ("grader_id", "basis")),
    "reactions": ("reaction", ("severity", "lasting")),
}


def history_lines(entries: Iterable[Row], language: str = "en") -> list[str]:
    """Return the ``entries`` of `Daybook.history` as lines of a language, in order of entry."""
    found, texts = list(entries), texts_of(language)
    back = {one["undoes"] for one in found}
    rows = {(row["table"], row["row"]): row for one in found for row in one["rows"]}
    lines = []
    for one in found:
        at = f"{one['at'][11:16]}, {Filler(language).exact_day(one['at'][:10])}"
        what = texts["book"][f"what_{one['what']}"].format(by=one["by"], at=at)
        undone = f" ({_say('taken_back', language)})" if one["entry"] in back else ""
        lines.append(f"{one['entry']}  {what}{undone}")
        if one["undoes"]:
            lines.append("   " + _say("was_undone", language, n=one["undoes"]))
            continue
        for row in one["rows"]:
            before = rows.get((row["table"], row["replaces"]))
            if not before or row.get("outcome") != before.get("outcome"):
                lines.append("   " + _line(row, texts, language))
    return lines


def _say(name: str, language: str, **values: Any) -> str:
    return Note(f"daybook.{name}", values=values).say(language)


def _line(row: Row, texts: Mapping[str, Any], language: str) -> str:
    levels = texts["levels"]
    said = {name: levels.get(name, {}).get(cell, cell) for name, cell in row.items()}
    name, more = SAID[row["table"]]
    if name == "promise":
        said["span"] = spoken((row["low"], row["high"]), len(str(row["chances"]).split()))
    if name == "course":
        name = "begun" if row["outcome"] == "ongoing" else "ended"
    cells = []
    for one in (one for one in more if row[one] is not None):
        named = "" if one in levels else texts["book"].get(one, "")
        label, _, unit = named.partition(", ")
        cell = f"{said[one]:g}" if isinstance(said[one], float) else str(said[one])
        cells.append(f"{label} {cell} {unit}".strip())
    listed = ": " + ", ".join(cells) if cells else ""
    return _say(f"was_{name}", language, **said) + listed
