"""A comparison written up: every item of TARGET 2025, and nothing made up."""

import re

import pytest

import forecast
from benchmarks.clinics import simulate_split_trial, study_world
from forecast._notes import languages, texts_of
from forecast.errors import RequestError
from forecast.figures import write_report
from forecast.figures.trial_report import _absolute


@pytest.fixture(scope="module")
def written(invented_log, tmp_path_factory):
    comparison = forecast.compare_regimes(invented_log, replicates=20)
    folder = tmp_path_factory.mktemp("report")
    paths = write_report(comparison, invented_log, folder)
    return comparison, [path.read_text(encoding="utf-8") for path in paths]


def test_the_twenty_one_items_stand_in_their_order_in_both_files(written):
    _, (markdown, page) = written
    numbers = [int(n) for n in re.findall(r"^## (\d+)\. ", markdown, flags=re.MULTILINE)]
    assert numbers == list(range(1, 22))
    assert [int(n) for n in re.findall(r"<h2>(\d+)\. ", page)] == numbers


def test_the_report_says_what_the_comparison_says(written):
    comparison, (markdown, _) = written
    for sentence in comparison.words.values():
        assert sentence in markdown
    assert f"{comparison.diagnostics.counts['courses']} eligible" in markdown
    contrast = comparison.difference["ps - ns"]
    assert f"| {contrast.estimate:.3g} |" in markdown
    for ethics in ("Ethics", "Registration", "Funding", "Interests"):
        assert re.search(rf"\d+\. {ethics}\n\nA log cannot say", markdown)


def test_shares_cleared_lie_within_their_own_intervals(written):
    table = _absolute(written[0])
    ends = table[["low", "cleared", "high"]].map(lambda share: int(share.removesuffix(" %")))
    assert (ends.diff(axis=1).iloc[:, 1:] >= 0).all(axis=None)
    assert (ends["low"] < ends["high"]).any()


def test_every_item_is_filled_from_the_run_or_says_that_a_log_cannot_say(written, tmp_path):
    log = forecast.simulate_log(60, seed=3)
    other = forecast.compare_regimes(log, strategies=("ps", "ns:4>ps"), horizon=6, replicates=20)
    again = write_report(other, log, tmp_path)[0].read_text(encoding="utf-8")
    bodies = [
        re.split(r"^## \d+\. .*\n", text, flags=re.MULTILINE)[1:] for text in (written[1][0], again)
    ]
    silent = [n for n, (one, two) in enumerate(zip(*bodies, strict=True), 1) if one == two]
    for number in silent:
        assert "A log cannot say" in bodies[0][number - 1], number
    assert set(silent) <= {2, 17, 18, 19, 20, 21}  # what no log holds


def test_both_files_say_whose_items_they_follow_and_that_these_are_from_memory(written):
    for text in written[1]:
        assert "TARGET 2025" in text
        assert "from memory" in text


def test_what_is_not_known_is_a_dash_in_both_files(written):
    for text in written[1]:
        assert "None" not in re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)
    assert "<td>–</td>" in written[1][1]


def test_the_page_needs_no_network_and_draws_the_curves(written):
    _, (_, page) = written
    assert "<script src=" not in page
    assert page.count("Plotly.newPlot(") >= 3
    assert page.count("plotly.js v") == 1


def test_a_report_of_split_tattoos_says_its_pairs_and_no_weights(tmp_path):
    log = simulate_split_trial(24, seed=79, world=study_world("two saved"))
    comparison = forecast.compare_regimes(log, replicates=20)
    text = write_report(comparison, log, tmp_path)[0].read_text(encoding="utf-8")
    assert "48 of them are the halves of 24 tattoos" in text
    assert "| 1 | 24 | 24 |" in text
    assert "0 cleared" not in text
    assert "weighted for" not in text
    assert "censored there" in text


def test_every_language_has_the_same_items_filled_from_the_same_places():
    places = [
        {item: [text for text in said if text.startswith("@")] for item, said in report.items()}
        for report in (texts_of(code)["report"] for code in languages())
    ]
    assert all(one == places[0] for one in places)


def test_a_report_is_written_in_the_language_asked_for(written, invented_log, tmp_path):
    comparison, english = written
    paths = write_report(comparison, invented_log, tmp_path, language="de")
    for path, other in zip(paths, english, strict=True):
        text = re.sub(
            r"<script.*?</script>|TARGET 2025.*?1084", "", path.read_text("utf-8"), flags=re.S
        )
        for word in ("Courses", "courses", "cleared", "sessions", " the ", "interval"):
            assert word in other
            assert word not in text
        assert "Behandlungen" in text


def test_a_report_that_cannot_say_is_written_too_and_a_file_is_no_folder(tmp_path):
    log = forecast.simulate_log(60, seed=3)
    comparison = forecast.compare_regimes(log, replicates=20)
    markdown = write_report(comparison, log, tmp_path / "few")[0].read_text(encoding="utf-8")
    assert "21. Interests" in markdown
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(RequestError, match="is a file"):
        write_report(comparison, log, tmp_path / "file")


def test_the_report_describes_who_began_with_each_regime_and_what_came_under_each(written):
    comparison, (markdown, _) = written
    table = markdown[markdown.index("## 9. ") : markdown.index("## 10. ")]
    began = re.search(r"\| courses \|  \| (\d+) \| (\d+) \|", table)
    assert sum(map(int, began.groups())) == comparison.diagnostics.counts["courses"]
    smokers = re.findall(r"\| smoker \| (?:no|yes) \| (\d+) % \| (\d+) % \|", table)
    assert [sum(map(int, column)) for column in zip(*smokers, strict=True)] == [100, 100]
    effects = markdown[markdown.index("## 13. ") : markdown.index("## 14. ")]
    for name, mean in comparison.means.items():
        last = min(comparison.horizons.values())
        said = f"| {name} | {last} | {mean.estimate:.3g} | {mean.interval[0]:.3g} |"
        assert said in effects
    later, earlier = (comparison.means[name].estimate for name in ("ps", "ns"))
    assert later - earlier == pytest.approx(comparison.difference["ps - ns"].estimate)
    curve = comparison.curves.query("strategy == 'ps' and group == 'all' and session == 5")
    assert f"| ps | 5 | {100 * (1 - curve['survival'].item()):.0f} % |" in effects
