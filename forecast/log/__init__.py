"""What a clinic wrote down, and what reading it set aside."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.log.cells import LATEST
    from forecast.log.columns import Column, column, column_names
    from forecast.log.cross_table import fractions_like
    from forecast.log.data_package import write_log
    from forecast.log.enquiry import Enquiry, check_enquiry, checked, enquiries_of, known_fields
    from forecast.log.headings import normal_heading, refuse_repeated
    from forecast.log.known_sessions import (
        MOST_TO_CHECK,
        folds_for,
        is_judged,
        judged_part,
        judged_sessions,
        some_clients,
    )
    from forecast.log.outcome_log import (
        FRACTIONS,
        OutcomeLog,
        check_log,
        fingerprint,
        graded_in_fractions,
        read_log,
        suspicions,
    )
    from forecast.log.set_aside import changed_files, shelf_for, write_set_aside

__all__ = [
    "FRACTIONS",
    "LATEST",
    "MOST_TO_CHECK",
    "Column",
    "Enquiry",
    "OutcomeLog",
    "changed_files",
    "check_enquiry",
    "check_log",
    "checked",
    "column",
    "column_names",
    "enquiries_of",
    "fingerprint",
    "folds_for",
    "fractions_like",
    "graded_in_fractions",
    "is_judged",
    "judged_part",
    "judged_sessions",
    "known_fields",
    "normal_heading",
    "read_log",
    "refuse_repeated",
    "shelf_for",
    "some_clients",
    "suspicions",
    "write_log",
    "write_set_aside",
]

__getattr__, __dir__ = door(__name__, __file__)
