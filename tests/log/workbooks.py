"""A log as a workbook, and two logs compared table by table."""

import openpyxl
import pandas as pd

from forecast.log.columns import TABLES


def as_workbook(log, path):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in TABLES:
        frame = getattr(log, name)
        sheet = book.create_sheet(name)
        sheet.append(list(frame.columns))
        for row in frame.astype(object).where(frame.notna(), None).itertuples(index=False):
            sheet.append(list(row))
    book.save(path)
    return path


def assert_same(left, right):
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(left, name), getattr(right, name))
