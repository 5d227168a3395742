"""The clay wall: where it runs, how high and thick it is, and the clay it takes."""

from moldplan.cards.model import Settings
from moldplan.mould.model import LaidRubber, Wall
from moldplan.mould.outline import ARC_SEGMENTS, filled, one_line_round


def plan_wall(rubber: LaidRubber, settings: Settings) -> Wall:
    """Return the clay wall round the rubber of one half.

    Parameters
    ----------
    rubber
        The half's rubber; `edge_line` is what the wall goes round.
    settings
        clay.* and rubber.run_off_percent, rubber.detail_coat_mm, mould.edge_thickness_mm.

    Returns
    -------
    Wall
        `inner` and `outer` are lines without holes; `moat_mm3` is what the moat holds below the freeboard.

    Notes
    -----
    The inner line keeps the moat's width from the rubber edge. The wall is as high as the rubber edge, the
    run-off standing in the moat and the freeboard together, but not lower than the card says; as thick as the
    card's least and its slenderness ask. Handling decides these, not the fluid, which at such depths pushes
    with a few newtons a metre. A hole of the rubber edge gets no wall of its own.
    """
    inner = one_line_round(
        rubber.edge_line,
        grow_mm=settings.number("clay.moat_width_mm"),
        round_mm=settings.number("clay.round_mm"),
    )
    moat_mm2 = inner.area - filled(rubber.edge_line).area
    height_mm = wall_height_mm(run_off_mm3(rubber, settings), moat_mm2, settings)
    thickness_mm = max(
        settings.number("clay.wall_least_thickness_mm"), height_mm / settings.number("clay.wall_slenderness")
    )
    back = inner.buffer(thickness_mm, quad_segs=ARC_SEGMENTS)
    return Wall(
        inner=inner,
        outer=filled(back).geoms[0],
        inner_perimeter_mm=float(inner.length),
        height_mm=height_mm,
        thickness_mm=thickness_mm,
        clay_kg=clay_kg(back.area - inner.area, height_mm, settings),
        moat_mm3=moat_mm2 * (height_mm - settings.number("clay.freeboard_mm")),
    )


def run_off_mm3(rubber: LaidRubber, settings: Settings) -> float:
    """Return how much of the detail coat runs down into the moat before it gels, mm3."""
    brushed_mm3 = rubber.inner_area_mm2 * settings.number("rubber.detail_coat_mm")
    return brushed_mm3 * settings.number("rubber.run_off_percent") / 100.0


def wall_height_mm(run_off_volume_mm3: float, moat_mm2: float, settings: Settings) -> float:
    """Return the wall's height: rubber edge, run-off in the moat and freeboard, or the card's least."""
    needed = (
        settings.number("mould.edge_thickness_mm")
        + run_off_volume_mm3 / moat_mm2
        + settings.number("clay.freeboard_mm")
    )
    return max(settings.number("clay.wall_least_height_mm"), needed)


def clay_kg(area_mm2: float, height_mm: float, settings: Settings) -> float:
    """Return the mass of a clay wall that stands on `area_mm2` of board, kg."""
    return area_mm2 * height_mm * 1e-6 * settings.number("clay.density_kg_l")
