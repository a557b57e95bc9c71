"""What is said to clients and done at each visit, written down once and never over."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.daybook.course import (
        ChangedError,
        Course,
        MisfitError,
        Visit,
        check_code,
        history_lines,
    )
    from forecast.daybook.daybook import Daybook, make_daybook
    from forecast.daybook.package import begin_daybook, check_book, export_daybook
    from forecast.daybook.promises import VALID_DAYS, Promise, first_promises, read_promises


__getattr__, __dir__ = door(__name__, __file__)
