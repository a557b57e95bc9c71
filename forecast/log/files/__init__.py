"""The files that a log comes in, as they were written: tables, workbooks, daybooks, corrections."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.log.files.daybook_file import (
        APPLICATION_ID,
        is_daybook,
        make_file,
        opened,
        remove_file,
        rows_ever,
        told,
        unguarded,
    )
    from forecast.log.files.reading import every_sheet
    from forecast.log.files.workbook import (
        MOST_CORRECTED,
        corrected_file,
        new_workbook,
        write_to_correct,
    )
    from forecast.log.files.workbook_map import is_map, propose_map


__getattr__, __dir__ = door(__name__, __file__)
