"""What a clinic wrote down, and what reading it set aside."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.log.cells import LATEST, in_fractions, normal_heading
    from forecast.log.cleaning import refuse_repeated
    from forecast.log.columns import ALL_TABLES, TABLES, Column, column, column_names
    from forecast.log.enquiry import (
        ATTRIBUTES,
        LEVELLED,
        REQUIRED,
        Enquiry,
        Extra,
        check_enquiry,
        checked,
        enquiries_of,
        enquiry_of,
        extra_number,
        likely_slip,
        with_their_marks,
    )
    from forecast.log.identity import LONE_NAMES, is_birth_date, is_code, masked, quoted
    from forecast.log.outcome_log import OutcomeLog, check_log, read_book, read_log, write_log
    from forecast.log.report import LogReport


__getattr__, __dir__ = door(__name__, __file__)
