"""Solids against closed forms and against the cell."""

import math
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
import zoo
from lying import above_board, lying
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.spatial.transform import Rotation
from shop import shop_settings
from small_moulds import small_mould

from moldplan.columns.grid import Grid
from moldplan.half.model import Half
from moldplan.mould import outer as outer_stage
from moldplan.mould.outer import Build, outer_face
from moldplan.mould.rubber import build_for
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.solids import mould_solids
from moldplan.solids.under import closed_below, face_of

Floats = NDArray[np.float64]

X, Y, Z = 300.0, 200.0, 160.0


def turned_prism(degrees: float) -> Half:
    turn = Rotation.from_euler("z", degrees, degrees=True).as_matrix()
    return lying(zoo.moved(zoo.turned(zoo.box(X, Y, Z), turn), (0.0, 0.0, Z / 2.0)))


def prism_under_face_mm3(build: Build) -> float:
    """Volume under the outer face of the prism with its edge, half and all (derived, first principles).

    At height z the grown and leaned prism is the rectangle with an offset r(z), whose area is
    A + P r + pi r^2 (Steiner): r^2 = t^2 - (z - h)^2 round the rim from h + t sin d up,
    r = t / cos d + (h - z) tan d below. The edge is such an offset too: its line lies w outside the toe.
    """
    t, d, e = build.skin_mm, build.draft_rad, build.edge_thickness_mm
    toe = t / math.cos(d) + Z * math.tan(d)

    def area(r: float) -> float:
        return X * Y + 2.0 * (X + Y) * r + math.pi * r * r

    bent = Z + t * math.sin(d)
    plate = quad(lambda z: area(toe + build.edge_width_mm - z * math.tan(d)), 0.0, e)[0]
    leaned = quad(lambda z: area(t / math.cos(d) + (Z - z) * math.tan(d)), e, bent)[0]
    # z = h + t sin a, so that the round rim has no upright end to integrate over
    top = quad(lambda a: area(t * math.cos(a)) * t * math.cos(a), d, math.pi / 2.0)[0]
    return float(plate + leaned + top)


def shifted(grid: Grid, share: Floats) -> Grid:
    """Return the grid moved by a share of a cell, which its margin takes up."""
    x, y = share * grid.cell_mm
    return Grid(grid.x0_mm + x, grid.y0_mm + y, grid.cell_mm, grid.nx, grid.ny)


def test_rubber_solid_against_the_cell() -> None:
    """Root mean square over 20 random shifts and turns; first order is expected of the step at the rim."""
    rng = np.random.default_rng(4)
    counts = (16, 32, 64, 128)
    errors = np.empty((len(counts), 20))
    plain = outer_stage._grid
    for k in range(20):
        half = turned_prism(rng.uniform(0.0, 360.0))
        share = rng.uniform(-0.5, 0.5, 2)
        build = replace(build_for(half, shop_settings()), keys=None)
        exact = prism_under_face_mm3(build) - X * Y * Z
        with mock.patch.object(outer_stage, "_grid", lambda *args: shifted(plain(*args), share)):  # noqa: B023
            for n, cells in enumerate(counts):
                outer = outer_face(half, build, cells=cells)
                under = mesh_volume_mm3(*closed_below(face_of(outer.heights_mm, outer.grid)))
                errors[n, k] = (under - half.volume_mm3) / exact - 1.0
    root_mean_square = np.sqrt((errors**2).mean(axis=1))
    slope = -np.polyfit(np.log(counts), np.log(root_mean_square), 1)[0]
    assert slope >= 0.9
    # at a quarter of the default number of cells already what is asked for at all of them
    assert root_mean_square[-1] < 0.01
    assert np.abs(errors[-1]).max() < 0.01


def dome_mm3(radius: float, lean: float, above: float) -> float:
    """Volume over height `above` of half a ball leaned out to the draft (derived, first principles).

    The lean meets the ball at R sin d; below it the radius is R / cos d - z tan d.
    """
    foot = quad(lambda z: math.pi * (radius / math.cos(lean) - z * math.tan(lean)) ** 2, above,
                radius * math.sin(lean))[0]  # fmt: skip
    cap = quad(lambda z: math.pi * (radius**2 - z**2), radius * math.sin(lean), radius)[0]
    return float(foot + cap)


@pytest.mark.parametrize("radius", [200.0, 320.0])
def test_jacket_over_half_a_ball(radius: float) -> None:
    """Flange, what lies within the laminate of the edge's rim, and a dome: closed form (derived).

    Discs of radius r(z) one over the other: the flange's line; then rho - z tan d + j / cos d beside the rim
    of radius rho at the board, j its thickness; then round its upper corner; then the dome.
    """
    settings = shop_settings(mould__key_slope_deg=-1.0)
    half = lying(above_board(zoo.sphere(radius, 5)))
    mould = small_mould(half, cells=144, settings=settings)
    build = build_for(half, settings)
    assert not mould.rubber.keys
    jacket, d, e = mould.jacket, build.draft_rad, build.edge_thickness_mm
    j, tan = jacket.thickness_mm, math.tan(d)
    grown = radius + build.skin_mm
    foot = grown / math.cos(d) + build.edge_width_mm
    bent, top, flange = e + j * math.sin(d), e + j, jacket.flange_thickness_mm
    rim = quad(lambda z: math.pi * (foot - z * tan + j / math.cos(d)) ** 2, flange, bent)[0]
    corner = quad(
        lambda a: math.pi * (foot - e * tan + j * math.cos(a)) ** 2 * j * math.cos(a), d, math.pi / 2.0
    )[0]
    outside = math.pi * (foot + settings.number("jacket.flange_width_mm")) ** 2 * flange + rim + corner
    outside += dome_mm3(grown + j, d, top)
    plate = quad(lambda z: math.pi * (foot - z * tan) ** 2, 0.0, e)[0]
    exact = outside - plate - dome_mm3(grown, d, e)
    solids = mould_solids(half, mould)
    assert solids.jacket is not None
    assert solids.jacket.volume_mm3 == pytest.approx(exact, rel=0.01)
    assert solids.rubber.volume_mm3 == pytest.approx(
        plate + dome_mm3(grown, d, e) - 2.0 / 3.0 * math.pi * radius**3, rel=0.02
    )
