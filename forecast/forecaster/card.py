"""A model card: what a saved forecaster is, for whom, how good, and what it cannot say.

Follows the items of TRIPOD+AI (Collins et al. 2024, BMJ 385:e078378) that apply to a model
developed and assessed in one clinic.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from forecast.assess import most_parameters
from forecast.counts import COVARIATES, effects_for
from forecast.log import Enquiry

if TYPE_CHECKING:
    from forecast.counts import LogSummary
    from forecast.forecaster.forecaster import Forecaster

TITLE = "Sessions of laser tattoo removal until the goal, predicted at the consultation"
TABLES = ("candidates", "scores", "reliability", "subgroups")
FIELDS = frozenset(Enquiry.__slots__)
LIMITS = (
    "One clinic: says nothing of another until it is assessed there.",
    "Stopping early is taken to be unrelated to the sessions still needed, given the attributes.",
    "What counts as cleared is what this clinic's graders recorded as cleared.",
    "Associations, not effects: it does not say what changing an attribute would do.",
    "Never a treatment setting; local regulation and licensed practice decide.",
)


def model_card(forecaster: Forecaster) -> dict[str, Any]:
    """Return the card as plain JSON values."""
    found = forecaster.assessment
    goal = {
        "clear": "recorded as cleared",
        "lighten": "recorded as lightened or cleared, of those that want lightening",
    }
    return {
        "title": TITLE,
        "intended_use": "To tell a client how many sessions to expect, and to price packages.",
        "outcome": f"Session at which the course is {goal[forecaster.goal]}.",
        "participants": participants(forecaster.log_summary),
        "predictors": sorted({source for source in COVARIATES.values() if source in FIELDS}),
        "missing_data": "Filled by the log's mean when fitting, spread over its mix when asked.",
        "model": found.get("model", "published evidence only"),
        "prior_source": prior_source(forecaster),
        "prior_evidence": [
            {"covariate": e.covariate, "log_hazard_ratio": e.log_hazard_ratio, "source": e.source}
            for e in effects_for(forecaster.goal)
            if forecaster.evidence is not None
        ],
        "evidence_contradicted": found.get("contradicted", []),
        "sample_size": sample_size(forecaster),
        "assessment": "Folds grouped by client, repeated; nothing scored on what it was fitted to.",
        "coverage": found.get("coverage"),
        **{name: found.get(name, []) for name in TABLES},
        "supported_to_session": forecaster.supported_to,
        "limits": [*LIMITS, *map(str, forecaster.notes)],
    }


def prior_source(forecaster: Forecaster) -> str | None:
    """Return where the chosen model's prior comes from, None when it has none."""
    if forecaster.evidence is None:
        return None
    return str(forecaster.assessment.get("evidence", "published evidence"))


def participants(summary: LogSummary) -> dict[str, Any]:
    """Return who the model was fitted to."""
    wanted = summary.lightening
    return {
        "courses": summary.n_courses,
        "clients": summary.n_clients,
        **({} if wanted is None else {"wanted_lightening": asdict(wanted)}),
        "reached_the_goal": summary.n_reached,
        "stopped": summary.n_stopped,
        "still_running": summary.n_ongoing,
        "started_from": summary.first_start,
        "started_to": summary.last_start,
    }


def sample_size(forecaster: Forecaster) -> dict[str, Any]:
    """Return what Riley et al. (2019, Stat Med 38:1276) would allow without prior evidence.

    At a Cox-Snell R² of 0.2 and 0.4: the most parameters for a shrinkage of at most 10 %.
    """
    n = forecaster.log_summary.n_courses
    return {
        "courses": n,
        "most_parameters_at_r2_0.2": round(most_parameters(n, r2_cs=0.2), 1) if n else 0,
        "most_parameters_at_r2_0.4": round(most_parameters(n, r2_cs=0.4), 1) if n else 0,
        "parameters_with_prior": len(effects_for(forecaster.goal)),
    }


def card_text(forecaster: Forecaster) -> str:
    """Return the card as Markdown."""
    card = model_card(forecaster)
    people, coverage = card["participants"], card["coverage"]
    whose = "their own" if "wanted_lightening" in people else "the"
    lines = [
        f"# {card['title']}",
        "",
        f"**Use.** {card['intended_use']} **Outcome.** {card['outcome']}",
        "",
        f"**Courses.** {people['courses']} of {people['clients']} clients, started "
        f"{people['started_from']} to {people['started_to']}: {people['reached_the_goal']} reached "
        f"{whose} goal, {people['stopped']} stopped, {people['still_running']} still running.",
        "",
        f"**Model.** {card['model']}. **Predictors.** {', '.join(card['predictors'])}. "
        f"**Missing.** {card['missing_data']}",
        "",
        f"**Assessment.** {card['assessment']}",
    ]
    if coverage:
        lines += ["", *coverage_lines(card)]
    for row in card["evidence_contradicted"]:
        lines += [
            "",
            f"The log speaks against the evidence on {row['parameter']}, as the model counts it "
            f"(log number of sessions): {row['prior']:+.2f} before, {row['posterior']:+.2f} here.",
        ]
    return "\n".join([*lines, "", "**Limits.**", "", *(f"- {limit}" for limit in card["limits"])])


def coverage_lines(card: dict[str, Any]) -> list[str]:
    """Return the tables of candidates and groups, as Markdown."""
    coverage = card["coverage"]
    return [
        f"The {100 * coverage['level']:.0f} % interval covers {100 * coverage['tie_split']:.1f} % "
        f"± {100 * coverage['tie_split_error']:.1f} % (one standard error).",
        "",
        "| candidate | log score a session | CRPS | chosen |",
        "|---|---|---|---|",
        *(
            f"| {row['model']} | {number(row['log_score'], 4)} | {number(row['crps'], 3)} | "
            f"{'yes' if row['chosen'] else ''} |"
            for row in card["candidates"]
        ),
        "",
        "| group | finished | interval covers | verdict |",
        "|---|---|---|---|",
        *(
            f"| {row['factor']} {row['label']} | {row['n_events']} | "
            f"{number(row['coverage'], 2)} | {row['verdict']} |"
            for row in card["subgroups"]
        ),
    ]


def number(value: float | None, digits: int) -> str:
    """Return a number for people, or a dash."""
    return "–" if value is None else f"{value:.{digits}f}"
