"""The consultation page, the client's sheet and the analyst's panel."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.page.desk import Asked, Desk, open_desk, read_day
    from forecast.page.server import make_app, new_code, serve
    from forecast.page.sheet import estimate_panel, find_browser, html_to_pdf, is_sheet, make_sheet
    from forecast.page.words import load_words


__getattr__, __dir__ = door(__name__, __file__)
