"""Volume under the highest surface: exact, whatever the grid."""

import numpy as np
import pytest
import shapely
import zoo
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from shapely import Polygon

from moldplan.columns.envelope import TopIntegral, top_integral
from moldplan.columns.grid import Grid, grid_over

pytestmark = pytest.mark.kernel


def on_board(mesh: zoo.Mesh) -> zoo.Mesh:
    points = mesh[0].copy()
    points[:, 2] -= points[:, 2].min()
    return points, mesh[1]


def measured(mesh: zoo.Mesh, cells: float) -> TopIntegral:
    points = mesh[0]
    grid = grid_over(
        points[:, :2].min(axis=0),
        points[:, :2].max(axis=0),
        cell_mm=float(np.ptp(points, axis=0).max()) / cells,
    )
    return top_integral(points, mesh[1], grid)


def turned_on_board(mesh: zoo.Mesh, seed: int) -> zoo.Mesh:
    matrix = Rotation.random(rng=np.random.default_rng(seed)).as_matrix()
    return on_board(zoo.turned(mesh, matrix))


def _plane(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients a, b, c of z = a x + b y + c."""
    return np.linalg.solve(np.column_stack([corners[:, :2], np.ones(3)]), corners[:, 2])


def _above(polygon: Polygon, difference: NDArray[np.float64]) -> Polygon:
    """Return the part of a triangle where a x + b y + c > 0."""
    points = np.array(polygon.exterior.coords[:-1])
    value = points @ difference[:2] + difference[2]
    kept = []
    for i in range(len(points)):
        j = (i + 1) % len(points)
        if value[i] >= 0.0:
            kept.append(points[i])
        if value[i] * value[j] < 0.0:
            kept.append(points[i] + value[i] / (value[i] - value[j]) * (points[j] - points[i]))
    return Polygon(kept) if len(kept) > 2 else Polygon()


def slow_twin(mesh: zoo.Mesh) -> tuple[float, float]:
    """Volume under the highest surface and its shadow, by cutting whole triangles with shapely."""
    corners = mesh[0][mesh[1]]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    up = corners[(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) > 1e-9]
    shadows = [Polygon(triangle[:, :2]) for triangle in up]
    planes = [_plane(triangle) for triangle in up]
    volume = area = 0.0
    for i, shadow in enumerate(shadows):
        shared = {k: shadow.intersection(other) for k, other in enumerate(shadows) if k != i}
        covers = [
            _above(part, planes[k] - planes[i])
            for k, part in shared.items()
            if part.area > 1e-9  # neighbours share an edge and rounding
        ]
        seen = shadow.difference(shapely.union_all(covers))
        middle = seen.centroid
        area += seen.area
        if seen.area > 0.0:
            volume += seen.area * float(planes[i] @ [middle.x, middle.y, 1.0])
    return volume, area


SMALL = {
    "box": zoo.box(10.0, 6.0, 4.0),
    "ball": zoo.sphere(5.0, 1),
    "ring": zoo.torus(5.0, 2.0, 10, 6),
    "mushroom": zoo.mushroom(1.0, 4.0, 3.0, 1.0, 8),
}


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", SMALL)
def test_equals_whole_triangles_cut_by_shapely(name: str, seed: int) -> None:
    # second implementation: no grid, general polygons (derived, first principles)
    mesh = turned_on_board(SMALL[name], seed)
    volume, area = slow_twin(mesh)
    result = measured(mesh, 7)
    assert result.best_mm3 == pytest.approx(volume, rel=1e-9)
    assert result.area_mm2 == pytest.approx(area, rel=1e-9)
    assert result.low_mm3 <= volume <= result.high_mm3


@pytest.mark.parametrize("cells", [1, 2, 5, 11])
def test_does_not_depend_on_the_grid(cells: int) -> None:
    mesh = turned_on_board(SMALL["ring"], 5)
    fine = measured(mesh, 16)
    coarse = measured(mesh, cells)
    assert coarse.best_mm3 == pytest.approx(fine.best_mm3, rel=1e-11)
    assert coarse.area_mm2 == pytest.approx(fine.area_mm2, rel=1e-11)


def test_cells_hold_the_solid_and_what_is_seen() -> None:
    mesh = turned_on_board(SMALL["ring"], 4)
    result = measured(mesh, 9)
    assert result.solid_mm3.sum() == pytest.approx(zoo.volume(mesh), rel=1e-12)
    assert result.top_mm3.sum() == pytest.approx(result.best_mm3, rel=1e-12)
    # nowhere is there more solid than what lies under the highest surface
    assert (result.top_mm3 - result.solid_mm3).min() > -1e-9 * result.best_mm3


def test_face_order_changes_nothing() -> None:
    points, faces = turned_on_board(SMALL["ring"], 6)
    first = measured((points, faces), 8)
    order = np.random.default_rng(7).permutation(len(faces))
    second = measured((points, np.roll(faces[order], 1, axis=1)), 8)
    assert second.best_mm3 == pytest.approx(first.best_mm3, rel=1e-12)


def test_solid_with_no_undercut_is_its_own_shadow() -> None:
    mesh = on_board(zoo.box(10.0, 6.0, 4.0))
    result = measured(mesh, 8)
    assert result.best_mm3 == pytest.approx(240.0, rel=1e-14)
    assert result.area_mm2 == pytest.approx(60.0, rel=1e-14)
    assert result.folded == 0


def _stacked(gap: float) -> zoo.Mesh:
    low = on_board(zoo.box(10.0, 6.0, 4.0))
    high = zoo.moved(low, (1.0, 2.0, 4.0 + gap))
    return np.concatenate([low[0], high[0]]), np.concatenate([low[1], high[1] + len(low[0])])


@pytest.mark.parametrize("gap", [0.0, 1e-12, 0.5])
def test_bodies_that_touch_or_nearly_touch_are_counted_once(gap: float) -> None:
    # under the upper box 8 + gap high, beside it the lower box's rest, 4 high (derived)
    rest = 10.0 * 6.0 - 9.0 * 4.0
    result = measured(_stacked(gap), 9)
    assert result.best_mm3 == pytest.approx(60.0 * (8.0 + gap) + rest * 4.0, rel=1e-9)
    assert result.area_mm2 == pytest.approx(60.0 + rest, rel=1e-9)


def _grille(bars: int) -> zoo.Mesh:
    """Lay a plate under a grille of crossing bars: its visible part falls into (bars + 1) squared pieces."""
    points, faces = [zoo.moved(zoo.box(10.0, 10.0, 1.0), (0.0, 0.0, 0.5))[0]], [zoo.box()[1]]
    for k in range(bars):
        place = 10.0 * (k + 0.5) / bars - 5.0
        along = zoo.moved(zoo.box(10.0, 0.3, 0.2), (0.0, place, 2.0))
        across = zoo.moved(zoo.box(0.3, 10.0, 0.2), (place, 0.0, 3.0))
        for bar in (along, across):
            faces.append(bar[1] + 8 * len(points))
            points.append(bar[0])
    return np.concatenate(points), np.concatenate(faces)


def test_a_cell_too_tangled_widens_the_bracket_instead_of_guessing() -> None:
    bars = 12
    mesh = _grille(bars)
    # bars across on top at 3.1, bars along between them at 2.1, the plate at 1 in the openings (derived)
    across, opening = 0.3 * bars, 10.0 - 0.3 * bars
    exact = 3.1 * across * 10.0 + 2.1 * across * opening + 1.0 * opening**2
    fine, coarse = measured(mesh, 17), measured(mesh, 1)
    assert fine.best_mm3 == pytest.approx(exact, rel=1e-11)
    assert fine.high_mm3 - fine.low_mm3 < 1e-6 * exact
    assert coarse.high_mm3 - coarse.low_mm3 > 1e-3 * exact
    assert coarse.low_mm3 <= exact <= coarse.high_mm3


def test_bracket_is_never_wider_than_a_part_in_a_million_on_a_smooth_shape() -> None:
    mesh = turned_on_board(SMALL["ring"], 9)
    result = measured(mesh, 8)
    assert 0.0 < result.high_mm3 - result.low_mm3 < 1e-6 * result.best_mm3


def test_refuses_a_mesh_beside_the_grid() -> None:
    points, faces = on_board(SMALL["box"])
    with pytest.raises(ValueError, match="make the grid over the mesh's bounding box"):
        top_integral(points, faces, Grid(0.0, 0.0, 1.0, 4, 4))


def test_refuses_a_mesh_below_the_board() -> None:
    points, faces = SMALL["box"]
    with pytest.raises(ValueError, match="below the board: cut it at z = 0 first"):
        top_integral(points, faces, grid_over(points[:, :2].min(0), points[:, :2].max(0), cell_mm=1.0))
