"""What an enquiry at the desk must not wait for."""

import subprocess
import sys

HEAVY = {"pandas", "scipy", "statsmodels", "sklearn", "lifelines", "plotly", "joblib"}


def loaded_after(code: str) -> set[str]:
    """Return the packages loaded in a fresh interpreter that ran ``code``."""
    shown = "import sys; print(*{name.partition('.')[0] for name in sys.modules})"
    run = subprocess.run(
        [sys.executable, "-c", f"{code}\n{shown}"], capture_output=True, text=True, check=True
    )
    return set(run.stdout.splitlines()[-1].split())


def test_importing_the_package_loads_no_backend():
    assert not loaded_after("import forecast") & HEAVY


def test_listing_the_public_names_loads_no_backend():
    assert not loaded_after("import forecast; dir(forecast)") & HEAVY


def test_the_command_line_explains_itself_without_a_backend():
    code = "import contextlib\nfrom forecast.cli import main\n"
    code += "with contextlib.suppress(SystemExit): main(['--help'])"
    assert not loaded_after(code) & (HEAVY | {"numpy"})


def test_the_doors_of_pictures_and_page_load_nothing_before_a_name_is_used():
    code = "import forecast.figures, forecast.page; dir(forecast.figures); dir(forecast.page)"
    assert not loaded_after(code) & (HEAVY | {"numpy", "babel", "jinja2", "starlette"})


def test_a_page_without_a_daybook_opens_none_and_reads_no_log():
    code = "import forecast.page.desk, forecast.page.answer, forecast.page.sheet"
    assert not loaded_after(code) & (HEAVY | {"sqlite3", "subprocess", "zipfile"})
