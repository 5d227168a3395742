"""What the title block of each sheet says about the job."""

from typing import TYPE_CHECKING

from moldplan.half.model import Half
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
