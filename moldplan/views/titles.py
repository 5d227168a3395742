"""What the title block of each sheet says about the job."""

from typing import TYPE_CHECKING

from moldplan.half.model import Half
from moldplan.pattern.model import Pattern
from moldplan.release import package_version
from moldplan.views.furniture import Titles

if TYPE_CHECKING:
    from moldplan.choice.model import Ranking
    from moldplan.plan import Plan


def half_name(half: Half) -> str:
    """Return what a half is called on paper."""
    return "WHOLE FIGURE" if half.called == "WHOLE" else f"HALF {half.name} = {half.called}"


def titles(plan: "Plan", half: Half | None, *, drawing: str, scale: str, number: str) -> Titles:
    """Return the title block of one sheet; `number` like "2 of 5"."""
    return Titles(
        job=plan.job,
        part="FIGURE" if half is None else half_name(half),
        drawing=drawing,
        pattern=plan.pattern.survey.file_name,
        scale=scale,
        date=plan.made[:10],
        revision=plan.revision,
        sheet=number,
        version=plan.version,
    )


def ranking_titles(ranking: "Ranking", *, part: str, drawing: str, number: str) -> Titles:
    """Return the title block of a plot of a ranking: no scale and no revision."""
    return Titles(
        job=ranking.job,
        part=part,
        drawing=drawing,
        pattern=ranking.pattern.survey.file_name,
        scale="none",
        date=ranking.made[:10],
        revision="none",
        sheet=number,
        version=ranking.version,
    )


def mended_titles(pattern: Pattern) -> Titles:
    """Return the title block of what was mended of a file that is not planned yet.

    Undated, so that one file always gives one drawing; the file is told by the head of its SHA-256.
    """
    return Titles(
        job=pattern.name,
        part="FIGURE",
        drawing="what was mended in the file",
        pattern=pattern.survey.file_name,
        scale="",
        date="none",
        revision=pattern.survey.sha256[:8] or "none",
        sheet="1 of 1",
        version=package_version(),
    )
