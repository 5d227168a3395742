"""A wading bird on a rock: its bill rests on its breast, so that neck and bill close a ring."""

import manifold3d
import numpy as np
from clay import (
    Clay,
    Field,
    Points,
    Shape,
    Vector,
    bump,
    chain,
    cone,
    ellipsoid,
    lightened,
    limb,
    local,
    posed,
    ramp,
    relaxed,
    scallops,
    smooth_max,
    smooth_min,
    turned,
)

CELL_MM = 4.5
HEIGHT_MM = 1200.0
BLOCK = ((-290.0, -480.0, -20.0), (290.0, 520.0, 1260.0))

TRUNK_TURN = turned(pitch_deg=-16.0)
TRUNK_PLACE = (0.0, 60.0, 660.0)
ROCK_FACES = 14
ROCK_SEED = 7

NECK = (
    (0.0, -95.0, 670.0),
    (0.0, -150.0, 790.0),
    (6.0, -128.0, 900.0),
    (10.0, -130.0, 1000.0),
    (8.0, -180.0, 1085.0),
    (4.0, -262.0, 1112.0),
    (0.0, -330.0, 1075.0),
)
NECK_MM = (118.0, 78.0, 56.0, 48.0, 44.0, 40.0, 42.0)


def bird(cell_mm: float = CELL_MM) -> manifold3d.Manifold:
    """Model the bird (mm, 1200 high, looking to -y), standing on a flat-based rock."""
    clay = Clay(*BLOCK, cell_mm)
    _trunk(clay)
    _wings(clay)
    _neck_and_head(clay)
    _rock(clay)
    _legs(clay)
    clay.cut(lambda p: p[2] + 0.0 * (p[0] + p[1]), BLOCK, blend_mm=2.0)
    whole = lightened(relaxed(clay.surface(), rounds=2), (0.1, 0.3, 0.5, 0.7))
    low, high = np.reshape(whole.bounding_box(), (2, 3))
    return whole.translate((0.0, 0.0, -low[2])).scale((HEIGHT_MM / (high[2] - low[2]),) * 3)


def _mirrored(shape: Shape) -> Shape:
    return lambda p: shape((np.abs(p[0]), p[1], p[2]))


def _on_trunk(shape: Shape) -> Shape:
    return posed(shape, TRUNK_TURN, TRUNK_PLACE)


def _trunk(clay: Clay) -> None:
    clay.add(_on_trunk(ellipsoid((0.0, 0.0, 0.0), (150.0, 265.0, 160.0))), BLOCK, blend_mm=1.0)
    tail = ellipsoid((0.0, 285.0, 15.0), (82.0, 170.0, 34.0))
    clay.add(_on_trunk(tail), BLOCK, blend_mm=70.0)
    thigh = _mirrored(ellipsoid((72.0, 75.0, 540.0), (56.0, 70.0, 95.0)))
    clay.add(thigh, BLOCK, blend_mm=40.0)


def _wings(clay: Clay) -> None:
    clay.add(_on_trunk(_mirrored(_wing)), BLOCK, blend_mm=10.0)


def _wing(p: Points) -> Field:
    """Fold a wing against the flank: small feathers in front, five long quills behind."""
    x, y, z = p
    plate = ellipsoid((108.0, 10.0, 22.0), (62.0, 205.0, 122.0))(p)
    lips = scallops(z - 0.25 * y, -y - 0.25 * z, width_mm=58.0, row_mm=50.0, lip_mm=11.0)
    wing = plate - lips * ramp(x, 105.0, 135.0) * ramp(y, 100.0, 50.0)
    for step in range(5):
        root = (132.0 - 4.0 * step, 70.0, 82.0 - 36.0 * step)
        tip = (74.0 - 5.0 * step, 395.0 - 46.0 * step, 44.0 - 26.0 * step)
        wing = smooth_min(wing, _quill(root, tip)(p), 3.0)
    return wing


def _quill(root: tuple[float, float, float], tip: tuple[float, float, float]) -> Shape:
    """Make a long flat feather: a cone squeezed along x."""
    squeeze = 0.6
    blade = cone((root[0] / squeeze, *root[1:]), (tip[0] / squeeze, *tip[1:]), 33.0, 17.0)
    return lambda p: squeeze * blade((p[0] / squeeze, p[1], p[2]))


def _neck_and_head(clay: Clay) -> None:
    """Lay the neck in an S and bring the bill down on to the breast."""
    box = ((-200.0, -480.0, 500.0), (200.0, 60.0, 1260.0))
    clay.add(limb(NECK, NECK_MM), box, blend_mm=45.0)
    clay.press(_breast_plumes, box)
    head = posed(
        ellipsoid((0.0, 0.0, 0.0), (64.0, 98.0, 70.0)), turned(pitch_deg=48.0), (0.0, -356.0, 1052.0)
    )
    clay.add(head, box, blend_mm=30.0)
    bill = limb(
        ((0.0, -395.0, 1000.0), (0.0, -362.0, 880.0), (0.0, -275.0, 742.0), (0.0, -205.0, 665.0)),
        (36.0, 27.0, 19.0, 14.0),
    )
    clay.add(bill, box, blend_mm=7.0)
    clay.press(_gape, box)
    _eyes(clay, box)
    _crest(clay, box)


def _eyes(clay: Clay, box: tuple[Vector, Vector]) -> None:
    eye = _mirrored(ellipsoid((54.0, -372.0, 1050.0), (17.0, 20.0, 20.0)))
    lid = _mirrored(_eye_ring)
    clay.add(lid, box, blend_mm=6.0)
    clay.add(eye, box, blend_mm=2.0)


def _crest(clay: Clay, box: tuple[Vector, Vector]) -> None:
    """Sweep three long plumes back from the crown."""
    for side in (-1.0, 0.0, 1.0):
        path = (
            (9.0 * side, -318.0, 1100.0),
            (12.0 * side, -250.0, 1172.0),
            (20.0 * side, -140.0, 1206.0 - 8.0 * abs(side)),
            (34.0 * side, -20.0, 1180.0 - 26.0 * abs(side)),
        )
        plume = limb(path, (32.0, 24.0, 17.0, 6.0))
        clay.add(plume, box, blend_mm=8.0)


def _breast_plumes(p: Points) -> Field:
    """Press long overlapping plumes into the breast and the foot of the neck."""
    x, y, z = p
    around = np.arctan2(x, -(y + 20.0)) * 110.0
    fade = ramp(z, 560.0, 620.0) * ramp(z, 905.0, 820.0) * ramp(np.abs(around), 150.0, 100.0)
    return scallops(around, z, width_mm=46.0, row_mm=62.0, lip_mm=10.0) * fade


def _eye_ring(p: Points) -> Field:
    around = np.hypot(p[1] + 372.0, p[2] - 1050.0)
    return np.hypot(around - 23.0, p[0] - 56.0) - 8.0


def _gape(p: Points) -> Field:
    """Score the line where the two halves of the bill meet."""
    turn = turned(pitch_deg=-66.0)
    x, y, z = local(p, turn, (0.0, -372.0, 945.0))
    line = bump(z, 0.0, 4.0) * ramp(np.abs(x), 8.0, 16.0)
    return -6.0 * line * ramp(np.abs(y), 95.0, 60.0) * ramp(np.abs(z), 40.0, 20.0)


def _rock(clay: Clay) -> None:
    """Pile up boulders and split flat faces off them."""
    box = ((-290.0, -300.0, -20.0), (290.0, 420.0, 260.0))
    chance = np.random.default_rng(ROCK_SEED)

    def rock(p: Points) -> Field:
        lump = ellipsoid((0.0, 60.0, 20.0), (262.0, 318.0, 168.0))(p)
        lump = smooth_min(lump, ellipsoid((-120.0, -60.0, 10.0), (140.0, 160.0, 110.0))(p), 20.0)
        for _ in range(ROCK_FACES):
            out = chance.normal(size=3) * (1.0, 1.0, 0.35)
            out /= np.linalg.norm(out)
            reach = np.linalg.norm(out * (262.0, 318.0, 168.0)) * chance.uniform(0.80, 0.92)
            flat = out[0] * p[0] + out[1] * (p[1] - 60.0) + out[2] * (p[2] - 20.0) - reach
            lump = smooth_max(lump, np.asarray(flat, np.float32), 7.0)
        return smooth_max(lump, p[2] - 176.0 + 0.05 * p[1], 24.0)

    clay.add(rock, box, blend_mm=2.0)


def _legs(clay: Clay) -> None:
    """Stand the bird on thick legs that grow out of the rock, with toes spread over it."""
    box = ((-240.0, -160.0, 60.0), (240.0, 330.0, 620.0))
    for side in (-1.0, 1.0):
        x = 78.0 * side
        hock = (x, 128.0, 372.0)
        leg = chain(((0.92 * x, 78.0, 500.0), hock, (x, 70.0, 170.0)), (44.0, 34.0, 33.0), blend_mm=14.0)
        clay.add(leg, box, blend_mm=22.0)
        clay.add(ellipsoid(hock, (40.0, 42.0, 46.0)), box, blend_mm=14.0)
        for spread, reach in ((-0.62, 128.0), (0.0, 150.0), (0.62, 128.0), (np.pi - 0.2 * side, 84.0)):
            clay.add(_toe(x, spread, reach), box, blend_mm=12.0)


def _toe(x: float, spread: float, reach: float) -> Shape:
    over, ahead = reach * np.sin(spread), -reach * np.cos(spread)

    def at(t: float, z: float) -> tuple[float, float, float]:
        return x + t * over, 70.0 + t * ahead, z

    return chain((at(0.1, 182.0), at(0.5, 180.0), at(0.86, 174.0), at(1.12, 160.0)), (29.0, 25.0, 21.0, 7.0))
