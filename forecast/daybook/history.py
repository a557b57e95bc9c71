"""What was entered of a course, in words: when, by whom, what, taken back or not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from forecast._notes import Note, texts_of
from forecast.daybook.promises import spoken

Row = Mapping[str, Any]
OF_SESSION = ("regime", "laser_id", "wavelengths_nm", "passes", "operator_id")
OF_PROMISE = ("package", "price", "currency")


def history_lines(entries: Iterable[Row], language: str = "en") -> list[str]:
    """Return the ``entries`` of `Daybook.history` as lines of a language, in order of entry."""
    found, texts = list(entries), texts_of(language)
    back = {one["undoes"] for one in found}
    rows = {(row["table"], row["row"]): row for one in found for row in one["rows"]}
    lines = []
    for one in found:
        at = f"{one['at'][11:16]}, {one['at'][:10]}"
        what = texts["book"][f"what_{one['what']}"].format(by=one["by"], at=at)
        undone = f" ({_say('taken_back', language)})" if one["entry"] in back else ""
        lines.append(f"{one['entry']}  {what}{undone}")
        if one["undoes"]:
            lines.append("   " + _say("was_undone", language, n=one["undoes"]))
            continue
        for row in one["rows"]:
            before = rows.get((row["table"], row["replaces"]), {})
            lines += [f"   {text}" for text in _row_lines(row, before, language)]
    return lines


def _say(name: str, language: str, **values: Any) -> str:
    return Note(f"daybook.{name}", values=values).say(language)


def _row_lines(row: Row, before: Row, language: str) -> list[str]:
    levels = texts_of(language)["levels"]
    said = {
        name: levels.get(name, {}).get(value, value)
        for name, value in row.items()
        if value is not None and value != before.get(name)
    }
    table = row["table"]
    if table == "promises":
        horizon = len(str(row["chances"]).split())
        span = spoken((row["low"], row["high"]), horizon)
        values = {"n": row["promise_no"], "span": span}
        return [_listed("promise", values, said, OF_PROMISE, language)]
    if table == "sessions":
        values = {"n": row["session_no"], "day": row["treated_on"]}
        return [_listed("session", values, said, OF_SESSION, language)]
    if table == "gradings":
        values = {"n": row["after_session"], "percent": row["fading_pct"]}
        return [_listed("grading", values, said, ("grader_id", "basis"), language)]
    if table == "reactions":
        values = {"n": row["after_session"], "what": said["reaction"]}
        return [_listed("reaction", values, said, ("severity", "lasting"), language)]
    begun = [_say("was_begun", language, day=row["started_on"])] * (not before)
    if "outcome" in said and row["outcome"] != "ongoing":
        values = {"what": said["outcome"]}
        begun.append(_listed("ended", values, said, ("stop_reason",), language))
    return begun


def _listed(name: str, values: Row, said: Row, more: Iterable[str], language: str) -> str:
    texts = texts_of(language)
    cells = []
    for one in (one for one in more if one in said):
        label = "" if one in texts["levels"] else texts["book"].get(one, "")
        value = f"{said[one]:g}" if isinstance(said[one], float) else str(said[one])
        cells.append(f"{label} {value}".strip())
    listed = ": " + ", ".join(cells) if cells else ""
    return _say(f"was_{name}", language, **values) + listed
