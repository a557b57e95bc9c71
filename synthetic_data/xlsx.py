"""A small workbook writer: the same cells give the same bytes, formulas keep their results."""

import zipfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from xml.sax.saxutils import escape

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"
HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
DATE_STYLE, PERCENT_STYLE = 1, 2
STYLES = (
    f'<styleSheet xmlns="{MAIN}"><fonts count="1"><font/></fonts><fills count="2"><fill>'
    '<patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill>'
    "</fills>"
    '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
    '<cellXfs count="3"><xf/><xf numFmtId="14" applyNumberFormat="1"/>'
    '<xf numFmtId="9" applyNumberFormat="1"/></cellXfs><cellStyles count="1">'
    '<cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)


@dataclass(frozen=True)
class Formula:
    """A formula, and the result that a spreadsheet stored with it, if it did."""

    text: str
    result: float | None


@dataclass(frozen=True)
class Percent:
    """A fraction that a spreadsheet shows as a percentage."""

    fraction: float


def write_workbook(
    path: Path, sheets: dict[str, list[list[object]]], merged: tuple[str, ...] = ()
) -> None:
    """Write sheets of cells: text, numbers, dates, `Formula`, `Percent`, or None.

    Ranges of ``merged``, such as "2021!A1:D1", become one cell each.
    """
    parts = {
        "[Content_Types].xml": content_types(len(sheets)),
        "_rels/.rels": relations({"officeDocument": "xl/workbook.xml"}),
        "xl/workbook.xml": workbook(list(sheets)),
        "xl/_rels/workbook.xml.rels": workbook_relations(len(sheets)),
        "xl/styles.xml": STYLES,
    }
    for number, (title, rows) in enumerate(sheets.items(), start=1):
        ranges = [place.partition("!")[2] for place in merged if place.startswith(f"{title}!")]
        parts[f"xl/worksheets/sheet{number}.xml"] = worksheet(rows, ranges)
    with zipfile.ZipFile(path, "w") as file:
        for name, text in parts.items():
            part = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            part.compress_type = zipfile.ZIP_DEFLATED
            file.writestr(part, HEAD + text)


def worksheet(rows: list[list[object]], merged: list[str]) -> str:
    """Return the sheet's part; empty cells and rows are left out."""
    lines = []
    for number, cells in enumerate(rows, start=1):
        written = "".join(
            cell(f"{letters(i)}{number}", value)
            for i, value in enumerate(cells)
            if value is not None
        )
        if written:
            lines.append(f'<row r="{number}">{written}</row>')
    widest = max((len(cells) for cells in rows), default=1)
    used = f'<dimension ref="A1:{letters(max(widest, 1) - 1)}{max(len(rows), 1)}"/>'
    data = f"<sheetData>{''.join(lines)}</sheetData>"
    ranges = "".join(f'<mergeCell ref="{place}"/>' for place in merged)
    joined = f'<mergeCells count="{len(merged)}">{ranges}</mergeCells>' if merged else ""
    return f'<worksheet xmlns="{MAIN}">{used}{data}{joined}</worksheet>'


def cell(place: str, value: object) -> str:
    """Return one cell's markup."""
    if isinstance(value, Formula):
        stored = "" if value.result is None else f"<v>{value.result:.15g}</v>"
        return f'<c r="{place}"><f>{escape(value.text)}</f>{stored}</c>'
    if isinstance(value, Percent):
        return f'<c r="{place}" s="{PERCENT_STYLE}"><v>{value.fraction:.15g}</v></c>'
    if isinstance(value, date):
        serial = (value - date(1899, 12, 30)).days
        return f'<c r="{place}" s="{DATE_STYLE}"><v>{serial}</v></c>'
    if isinstance(value, int | float):
        return f'<c r="{place}"><v>{value:.15g}</v></c>'
    text = escape(str(value))
    if text.startswith("#"):
        return f'<c r="{place}" t="e"><v>{text}</v></c>'
    return f'<c r="{place}" t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>'


def letters(position: int) -> str:
    """Return the letters of a column: 0 is A, 26 is AA."""
    first, last = divmod(position, 26)
    return (letters(first - 1) if first else "") + chr(ord("A") + last)


def workbook(titles: list[str]) -> str:
    """Return the part that names the sheets."""
    sheets = "".join(
        f'<sheet name="{escape(title)}" sheetId="{i}" r:id="rId{i}"/>'
        for i, title in enumerate(titles, start=1)
    )
    return f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>{sheets}</sheets></workbook>'


def workbook_relations(n_sheets: int) -> str:
    """Return the part that says where the sheets are."""
    targets = {f"worksheet {i}": f"worksheets/sheet{i}.xml" for i in range(1, n_sheets + 1)}
    return relations(targets | {"styles": "styles.xml"})


def relations(targets: dict[str, str]) -> str:
    """Return a part of relations, numbered rId1, rId2, ..."""
    listed = "".join(
        f'<Relationship Id="rId{i}" Type="{OFFICE}/{kind.split()[0]}" Target="{target}"/>'
        for i, (kind, target) in enumerate(targets.items(), start=1)
    )
    return f'<Relationships xmlns="{PACKAGE}/relationships">{listed}</Relationships>'


def content_types(n_sheets: int) -> str:
    """Return the part that says what each part is."""
    kinds = {"workbook": f"{KIND}.sheet.main+xml", "styles": f"{KIND}.styles+xml"}
    kinds |= {f"worksheets/sheet{i}": f"{KIND}.worksheet+xml" for i in range(1, n_sheets + 1)}
    listed = "".join(
        f'<Override PartName="/xl/{name}.xml" ContentType="{kind}"/>'
        for name, kind in kinds.items()
    )
    default = (
        '<Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    )
    return f'<Types xmlns="{PACKAGE}/content-types">{default}{listed}</Types>'
