"""What a gloved hand with a roller gets to in the half-mould, turned up and emptied.

1. The hollow is the half's own solid, open at its sawn face (`moldplan.columns.inside`).
2. The hand is a ball that comes from anywhere over the mouth and goes no farther in than the arm is long,
   along its way; a mouth narrower than the ball stops it there. Fingers and arm are thinner than the ball.
3. From any place of the hand the roller, a smaller ball, goes on as far as it is held before the hand. Both
   ways are those of the balls' middles. [derived, first principles: how a hand lays up has no source]
4. A place of the wall is reached when the roller comes within `TOUCH` of its radius: so much a wet mat or a
   brush's hair gives. An inner edge of 90 deg is then reached (its gap is 0.41 of the radius), the last few
   millimetres of a corner of three walls are not.
5. What is not reached is gathered into places that hang together. It is "deep" when a longer arm would do,
   else "narrow".

Error budget: places are true to about one cell. Where the balls just fit, the error falls on the side of
"not reached" (`moldplan.columns.reach`).
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from moldplan.cards.model import Settings
from moldplan.columns.inside import Inside, inside_grid
from moldplan.columns.reach import touched, wall_places, ways_mm
from moldplan.half.model import Half
from moldplan.mould.model import Reach, ReachPlace
from moldplan.pattern.arrays import frozen
from moldplan.units import m2, mm

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: How near the roller has to come to a place to lay it, in radii of the roller.
TOUCH: Final = 0.5
#: Cubes in the roller's radius, where memory allows: fewer find narrow places shut.
CUBES_IN_ROLLER: Final = 2.3
#: A place smaller than this is only part of the total: the corner of three walls has 2 cm2.
LEAST_PLACE_MM2: Final = 500.0
#: Most places told one by one.
MOST_PLACES: Final = 20
#: About how many places the width before them is looked up at.
_MOST_WIDTHS: Final = 400


@dataclass(frozen=True, kw_only=True)
class _Hand:
    """Hand, arm and roller from the card, in mm; radii of the balls."""

    hand: float
    arm: float
    roller: float
    roller_reach: float


def hollow_of(half: Half, settings: Settings) -> Inside:
    """Return the hollow of a half, fine enough for the roller, with room over its mouth for the hand."""
    hand = _hand(settings)
    cell = hand.roller / CUBES_IN_ROLLER
    outer = settings.number("mould.skin_mm") + cell
    return inside_grid(
        half.vertices, half.faces, cell_mm=cell, band_mm=max(hand.hand, hand.roller) + cell, outer_mm=outer,
        open_mm=hand.hand + 2.0 * cell,
    )  # fmt: skip


def plan_reach(half: Half, settings: Settings, *, hollow: Inside | None = None) -> Reach:
    """Return what of the inner surface a hand with a roller does not get to.

    Parameters
    ----------
    half
        The half on its board.
    settings
        Hand, arm and roller: `crew.hand_mm`, `crew.arm_mm`, `crew.roller_mm`, `crew.roller_reach_mm`.
    hollow
        `hollow_of` the half, when it is there already.

    Returns
    -------
    Reach
        Areas are those of the mesh, what is reached is true to a cell.
    """
    inside = hollow if hollow is not None else hollow_of(half, settings)
    hand = _hand(settings)
    off_board = half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]
    points, normals, areas = wall_places(half.vertices, off_board, spacing_mm=inside.cell_mm)
    near = _hand_ways(inside, hand)
    far = near[np.isfinite(near)].max(initial=0.0) > hand.arm
    reached = _laid(inside, near <= hand.arm, hand, points, normals)
    by_longer_arm = _laid(inside, np.isfinite(near), hand, points, normals) if far else reached
    missed = ~reached
    wall = (points[missed], normals[missed], areas[missed])
    found = _places(inside, wall, by_longer_arm[missed], hand)
    cubes = inside.cubes_at(points[missed])
    spots = _spots(points[missed], areas[missed], cubes)
    frozen(spots)
    return Reach(
        surface_mm2=float(areas.sum()), unreached_mm2=float(areas[missed].sum()), cell_mm=inside.cell_mm,
        points_mm=spots, places=found,
    )  # fmt: skip


def _hand(settings: Settings) -> _Hand:
    """Return the hand of the card."""
    return _Hand(
        hand=0.5 * settings.number("crew.hand_mm"), arm=settings.number("crew.arm_mm"),
        roller=0.5 * settings.number("crew.roller_mm"), roller_reach=settings.number("crew.roller_reach_mm"),
    )  # fmt: skip


def _hand_ways(inside: Inside, hand: _Hand) -> Floats:
    """Return how far the hand has gone in from the mouth, inf where it does not get."""
    starts = np.full(inside.room_mm.shape, np.inf)
    starts[:, :, : inside.open_layers] = 0.0
    # from the last cube over the mouth to the mouth itself
    starts[:, :, inside.open_layers - 1] = -0.5 * inside.cell_mm
    return ways_mm(inside, starts, radius_mm=hand.hand)


def _laid(inside: Inside, at_hand: Flags, hand: _Hand, points: Floats, normals: Floats) -> Flags:
    """Tell which places the roller lays from the cubes that the hand gets to."""
    ways = ways_mm(inside, np.where(at_hand, 0.0, np.inf), radius_mm=hand.roller)
    return touched(
        inside,
        points,
        normals,
        ways <= hand.roller_reach,
        radius_mm=hand.roller,
        slack=TOUCH,
    )


def _spots(points: Floats, areas: Floats, cubes: Ints) -> Floats:
    """Return one place in each cube: the mean of the places in it, by their areas."""
    _, home = np.unique(cubes, return_inverse=True)
    total = np.bincount(home, weights=areas)
    sums = [np.bincount(home, weights=areas * points[:, axis]) for axis in range(3)]
    return np.asarray(np.stack(sums, axis=1) / total[:, None])


def _places(
    inside: Inside, wall: tuple[Floats, Floats, Floats], by_longer_arm: Flags, hand: _Hand
) -> tuple[ReachPlace, ...]:
    """Return the places that hang together, the largest first."""
    kinds: tuple[tuple[Literal["narrow", "deep"], Flags], ...] = (
        ("narrow", ~by_longer_arm), ("deep", by_longer_arm),
    )  # fmt: skip
    found = []
    for why, mine in kinds:
        points, normals, areas = (of_wall[mine] for of_wall in wall)
        label = hanging(inside, points)
        total = np.bincount(label, weights=areas)
        for number in np.flatnonzero(total >= LEAST_PLACE_MM2):
            part = label == number
            found.append(_place(inside, (points[part], normals[part], areas[part]), why, hand))
    found.sort(key=lambda place: (-place.area_mm2, place.place_mm))
    return tuple(found[:MOST_PLACES])


def hanging(inside: Inside, points: Floats, *, cubes: int = 1) -> Ints:
    """Return the number of the group that each place (n, 3) belongs to, from 0.

    Places hang together in blocks of `cubes` cubes a side that touch by a face, an edge or a corner.
    """
    at = np.floor((points - inside.origin_mm) / (cubes * inside.cell_mm)).astype(np.int64) + 1
    wide = int(at.max(initial=0)) + 2
    keys, home = np.unique((at[:, 0] * wide + at[:, 1]) * wide + at[:, 2], return_inverse=True)
    one, two = [], []
    for step in range(13):
        away = ((step // 9 - 1) * wide + step // 3 % 3 - 1) * wide + step % 3 - 1
        there = np.searchsorted(keys, keys + away)
        met = np.flatnonzero(keys[np.minimum(there, len(keys) - 1)] == keys + away) if len(keys) else there
        one.append(met)
        two.append(there[met])
    links = np.concatenate(one), np.concatenate(two)
    graph = coo_matrix((np.ones(len(links[0]), dtype=np.int8), links), shape=(len(keys), len(keys)))
    _, label = connected_components(graph, directed=False) if len(keys) else (0, keys)
    return np.asarray(label, dtype=np.int64)[home]


def _place(
    inside: Inside, wall: tuple[Floats, Floats, Floats], why: Literal["narrow", "deep"], hand: _Hand
) -> ReachPlace:
    """Return one place as a value, on the wall, with what to do about it."""
    points, normals, areas = wall
    area = float(areas.sum())
    middle = np.average(points, axis=0, weights=areas)
    centre = points[np.argmin(((points - middle) ** 2).sum(axis=1))]
    text = _deep(area, points, hand) if why == "deep" else _narrow(inside, area, points, normals, hand)
    return ReachPlace(
        place_mm=(float(centre[0]), float(centre[1]), float(centre[2])), area_mm2=area, why=why, text=text
    )


def _area(area_mm2: float) -> str:
    """Return an area for people: "64 cm2", "0.12 m2"."""
    return m2(area_mm2) if area_mm2 >= 1e5 else f"{area_mm2 / 100.0:.0f} cm2"


def _deep(area: float, points: Floats, hand: _Hand) -> str:
    """Return what to do about a place that is too far in."""
    stick = float(points[:, 2].max()) - hand.arm + 100.0
    return (
        f"{_area(area)} down to {mm(float(points[:, 2].max()))}, out of reach of an arm of {mm(hand.arm)}: "
        f"lay it up first, brush and roller on a stick of {mm(max(stick, 200.0))}, head outside; "
        "or split elsewhere"
    )


def _narrow(inside: Inside, area: float, points: Floats, normals: Floats, hand: _Hand) -> str:
    """Return what to do about a place that the hand does not get into."""
    width = width_mm(inside, points, normals)
    if width < 2.0 * hand.roller:
        return (
            f"{_area(area)} in grooves about {mm(width)} wide, narrower than the {mm(2.0 * hand.roller)} "
            "roller: small brush, then chopped-strand paste, at most 20 mm a pour"
        )
    return (
        f"{_area(area)} about {mm(width)} wide, where a hand of {mm(2.0 * hand.hand)} does not pass: "
        "lay it up first, brush on a stick and strips of mat; or by a hatch; or split elsewhere"
    )


def width_mm(inside: Inside, points: Floats, normals: Floats) -> float:
    """Return how wide the hollow is before some places of its wall: the median over the places.

    The width at a place is the diameter of the largest ball in the hollow that touches the wall there, true
    to about a cell and no more than twice the hollow's band.
    """
    every = max(len(points) // _MOST_WIDTHS, 1)
    points, normals = points[::every], normals[::every]
    step = 0.25 * inside.cell_mm
    radii = np.arange(step, inside.band_mm, step)
    middles = (points[:, None, :] - radii[None, :, None] * normals[:, None, :]).reshape(-1, 3)
    fits = room_mm(inside, middles).reshape(len(points), -1) >= radii - 0.5 * step
    count = np.where(fits.all(axis=1), len(radii), fits.argmin(axis=1))
    return float(np.median(2.0 * radii[np.maximum(count - 1, 0)]))


def room_mm(inside: Inside, places: Floats) -> Floats:
    """Return the distance of places (n, 3) to the nearest of the feet of the cubes round them."""
    best = np.full(len(places), np.inf)
    moves = np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)]) * inside.cell_mm
    for move in moves:
        foot = inside.foot.reshape(-1)[inside.cubes_at(places + move)]
        apart = np.linalg.norm(places - inside.feet_mm[np.maximum(foot, 0)], axis=1)
        best = np.minimum(best, np.where(foot >= 0, apart, np.inf))
    return best
