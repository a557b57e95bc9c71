"""An empty log as a workbook: a sheet per table, with drop-down lists, comments and an example."""

from __future__ import annotations

import io
from datetime import date
from typing import Any

from forecast.log.cells import rule_of
from forecast.log.cleaning import EXAMPLE
from forecast.log.columns import TABLES, Column
from forecast.log.reading import letters

ROWS = 2_000  # that the drop-down lists reach down to
WIDEST = 255  # characters of a drop-down list, as spreadsheets allow
EXAMPLES: dict[str, Any] = {
    "age_years": 34, "area_cm2": 25, "tattoo_age_years": 8, "skin_type": "III",
    "body_site": "forearm",
    "inks": "black;red", "inks_treated": "black", "ink_density": "medium", "sessions_given": 4,
    "fading_pct": 40, "wavelengths_nm": "532;1064", "outcome": "ongoing", "laser_id": "laser-1",
    "operator_id": "op-1", "grader_id": "gr-1", "package": "six sessions", "price_paid": 600,
}  # fmt: skip


def new_workbook() -> bytes:
    """Return an .xlsx workbook with a sheet for each table of the log.

    Headings are frozen and say in a comment what each column may hold; required ones are bold.
    The one row of each table is an example that is never read as a course.
    """
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Font
    from openpyxl.worksheet.datavalidation import DataValidation

    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, rules in TABLES.items():
        sheet = book.create_sheet(table)
        sheet.freeze_panes = "A2"
        for at, rule in enumerate(rules):
            head = sheet.cell(1, at + 1, rule.name)
            head.font = Font(bold=rule.required)
            said = "Required. " if rule.required else ""
            head.comment = Comment(f"{said}{rule.meaning} Write {rule_of(rule)}.", "forecast")
            head.comment.width, head.comment.height = 320, 120
            sheet.column_dimensions[letters(at)].width = max(len(rule.name) + 2, 12)
            sheet.cell(2, at + 1, EXAMPLE if at == 0 else _example(rule))
            listed = f'"{",".join(rule.levels)}"'
            if rule.kind in ("level", "flag") and len(listed) <= WIDEST:
                choice = DataValidation("list", formula1=listed, allow_blank=True)
                sheet.add_data_validation(choice)
                choice.add(f"{letters(at)}2:{letters(at)}{ROWS}")
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _example(rule: Column) -> Any:
    if rule.name in EXAMPLES or rule.further or rule.name in ("stop_reason", "tattoo_id", "half"):
        return EXAMPLES.get(rule.name)
    if rule.kind == "date":
        return date(2024, 3, 11)
    if rule.kind in ("integer", "number"):
        return max(rule.low or 0, 1)
    return rule.levels[0] if rule.levels else f"{rule.name.removesuffix('_id')}-1"
