"""A rubber of which only the outline counts, and a plain half, for tests of what is built round them."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
from shapely import MultiPolygon, box
from zoo import box as box_mesh

from moldplan.columns.grid import Grid
from moldplan.half import cut
from moldplan.half.model import Half
from moldplan.mould.model import Rubber
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split.model import Plane

RECTANGLE = MultiPolygon([box(-400.0, -250.0, 400.0, 250.0)])  # 800 x 500, perimeter 2600


def rubber_on(
    edge: MultiPolygon, *, outer_mm2: float = 0.5e6, inner_mm2: float = 0.4e6, **more: object
) -> Rubber:
    """Return a rubber of which only the edge line, areas and masses mean something."""
    grid = Grid(0.0, 0.0, 1.0, 1, 1)
    plain = Rubber(
        skin_mm=8.0, draft_deg=1.5, grid=grid, outer_mm=np.zeros((1, 1)), top_mm=np.zeros((1, 1)),
        edge_line=edge, volume_mm3=4e6, skin_mm3=4e6, fill_mm3=0.0, draft_mm3=0.0, edge_mm3=0.0,
        measured_mm3=4e6, mass_kg=4.6, order_kg=5.0, outer_area_mm2=outer_mm2, inner_area_mm2=inner_mm2,
        coats=(), region_coats={},
    )  # fmt: skip
    return replace(plain, **more)


@lru_cache(maxsize=1)
def plain_half() -> Half:
    """Return half of a box of 400 x 300 x 200: 12 l, no undercut."""
    pattern = pattern_from_arrays(*box_mesh(400.0, 300.0, 200.0), name="box")
    return cut(pattern, Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0), cells=64)[0]


def comb() -> MultiPolygon:
    """Return an outline with a bay 100 wide, a hole, and another part 150 away."""
    body = box(0, 0, 900, 400).difference(box(400, 150, 500, 400)).difference(box(100, 100, 200, 200))
    return MultiPolygon([body, box(1050, 0, 1200, 300)])
