"""The owl on its books: the main piece."""

import manifold3d
import numpy as np
from books import Book, book
from clay import (
    Clay,
    Field,
    Points,
    Shape,
    bump,
    chain,
    cone,
    ellipsoid,
    largest,
    lightened,
    local,
    posed,
    ramp,
    relaxed,
    scallops,
    smooth_max,
    smooth_min,
    turned,
)
from numpy.typing import NDArray

CELL_MM = 4.0
HEIGHT_MM = 1500.0
BLOCK = ((-390.0, -370.0, 180.0), (390.0, 400.0, 1560.0))

STACK = (
    Book(700.0, 540.0, 118.0, (5.0, 15.0, 0.0), yaw_deg=-7.0, pages=9, bands=(-240.0, -110.0, 110.0, 240.0)),
    Book(630.0, 500.0, 92.0, (-8.0, 12.0, 113.0), yaw_deg=191.0, roll_deg=-2.0, pages=7),
    Book(590.0, 470.0, 88.0, (4.0, 8.0, 202.0), yaw_deg=-3.0, roll_deg=-2.2, pages=7, bands=(-215.0, 215.0)),
)

BODY = ellipsoid((0.0, 15.0, 735.0), (268.0, 235.0, 375.0))
WING_FORMER = ellipsoid((0.0, 15.0, 705.0), (272.0, 242.0, 520.0))

HEAD_TURN = turned(yaw_deg=9.0, roll_deg=5.0, pitch_deg=4.0)
HEAD_PLACE = (0.0, -12.0, 1165.0)
EYE = (108.0, -170.0, 14.0)
EYE_OUT = np.array([0.30, -0.95, 0.06]) / np.linalg.norm([0.30, -0.95, 0.06])
EYE_MM = 56.0
EYE_SEGMENTS = 48
DISC_MM = 122.0

PRIMARIES = (  # (root y, root z, tip y, tip z), lowest layer first
    (70.0, 900.0, 168.0, 425.0),
    (42.0, 890.0, 142.0, 448.0),
    (14.0, 880.0, 112.0, 486.0),
    (-14.0, 870.0, 80.0, 532.0),
    (-42.0, 860.0, 44.0, 588.0),
    (-70.0, 850.0, 4.0, 650.0),
)


def owl(cell_mm: float = CELL_MM) -> manifold3d.Manifold:
    """Model the owl (mm, 1500 high, looking to -y) on a clay block, and join it to its books."""
    clay = Clay(*BLOCK, cell_mm)
    _torso(clay)
    _breast_feathers(clay)
    _wings(clay)
    _tail(clay)
    _head(clay)
    _feet(clay)
    bird = lightened(relaxed(clay.surface(), rounds=2), (0.1, 0.3, 0.5, 0.7))
    parts = [bird, _eyeballs(), *(book(of) for of in STACK)]
    whole = manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add)
    whole = largest(whole)
    low, high = np.reshape(whole.bounding_box(), (2, 3))
    whole = whole.translate((0.0, 0.0, -low[2]))
    return whole.scale((HEIGHT_MM / (high[2] - low[2]),) * 3)


def _mirrored(shape: Shape) -> Shape:
    """Model the figure's left side (+x) once, for both."""
    return lambda p: shape((np.abs(p[0]), p[1], p[2]))


def _torso(clay: Clay) -> None:
    clay.add(BODY, BLOCK, blend_mm=1.0)
    skirt = ellipsoid((0.0, 55.0, 400.0), (190.0, 165.0, 190.0))
    clay.add(skirt, BLOCK, blend_mm=90.0)
    thigh = _mirrored(ellipsoid((112.0, -80.0, 415.0), (92.0, 96.0, 180.0)))
    clay.add(thigh, BLOCK, blend_mm=45.0)
    neck = ellipsoid((0.0, 0.0, 1030.0), (205.0, 185.0, 150.0))
    clay.add(neck, BLOCK, blend_mm=60.0)


def _breast_feathers(clay: Clay) -> None:
    """Press rows of shallow scallops into breast, flanks and back."""

    def relief(p: Points) -> Field:
        x, y, z = p
        height = ramp(z, 395.0, 450.0) * ramp(z, 1075.0, 1015.0)
        around = np.arctan2(x, np.where(y < 20.0, 20.0 - y, y - 20.0)) * 240.0
        return scallops(around, z, width_mm=86.0, row_mm=62.0, lip_mm=13.0) * height

    clay.press(relief, BLOCK)


def _wings(clay: Clay) -> None:
    """Hang the wings: quills under a shoulder plate, tight at the shoulder, clear of the body below."""
    box = ((-340.0, -230.0, 380.0), (340.0, 320.0, 1110.0))
    clay.add(_mirrored(_folded_wing), box, blend_mm=14.0)


def _folded_wing(p: Points) -> Field:
    x, y, z = p
    shell = WING_FORMER(p)
    tuck = np.maximum(ramp(z, 840.0, 985.0), ramp(y, -20.0, -120.0) * ramp(z, 640.0, 760.0))
    lift = 38.0 - 82.0 * tuck + 14.0 * ramp(z, 600.0, 450.0)
    wing = None
    for layer, (root_y, root_z, tip_y, tip_z) in enumerate(PRIMARIES):
        feather = _quill((y, z, shell - lift - 4.0 * layer), (root_y, root_z), (tip_y, tip_z))
        wing = feather if wing is None else smooth_min(wing, feather, 2.0)
    plate = _shoulder_plate(y, z, shell, lift)
    wing = smooth_min(wing, plate, 4.0)
    return smooth_max(wing, 95.0 - x, 10.0)


def _quill(p: Points, root: tuple[float, float], tip: tuple[float, float]) -> Field:
    """Lay one long feather on the shell; `p` is (y, z, height over the shell)."""
    y, z, over = p
    along = np.subtract(tip, root)
    square = float(along @ along)
    t = np.clip(((y - root[0]) * along[0] + (z - root[1]) * along[1]) / square, 0.0, 1.0)
    behind, below = y - root[0] - t * along[0], z - root[1] - t * along[1]
    away = np.hypot(behind, below)
    width = 60.0 - 28.0 * t * t
    # The edge that shows, at the back, stands proud; the other is tucked under the next feather.
    proud = 9.0 * np.clip((behind - 0.3 * below) / width, -1.0, 1.0) + 5.0 * bump(away, 0.0, 6.0)
    outer = over - 12.0 - proud
    inner = -13.0 - over
    return smooth_max(away - width, smooth_max(inner, outer, 4.0), 7.0)


def _shoulder_plate(y: Field, z: Field, shell: Field, lift: Field) -> Field:
    """Cover the quills' roots with a rounded plate of small feathers."""
    along_y, along_z = 95.0, -235.0
    t = np.clip(((y + 50.0) * along_y + (z - 965.0) * along_z) / (along_y**2 + along_z**2), 0.0, 1.0)
    outline = np.hypot(y + 50.0 - t * along_y, z - 965.0 - t * along_z) - (128.0 - 22.0 * t)
    # Across and along the wing, which leans back.
    across, up = 0.93 * y + 0.37 * z, -0.37 * y + 0.93 * z
    lips = scallops(across, up, width_mm=66.0, row_mm=54.0, lip_mm=12.0)
    crown = 10.0 + lips * ramp(outline, -4.0, -30.0)
    inner = lift - 13.0 - shell
    outer = shell - lift - 26.0 - crown
    return smooth_max(outline, smooth_max(inner, outer, 4.0), 26.0)


def _tail(clay: Clay) -> None:
    """Fan five broad feathers down the back to the book's edge."""
    box = ((-230.0, 60.0, 190.0), (230.0, 390.0, 760.0))
    rump = _mirrored(cone((5.0, 185.0, 630.0), (54.0, 254.0, 322.0), 50.0, 68.0))
    clay.add(rump, box, blend_mm=30.0)
    for lean, depth in ((0.30, 0.0), (0.15, 11.0), (0.0, 22.0)):
        clay.add(_mirrored(_tail_feather(lean, depth)), box, blend_mm=4.0)


def _tail_feather(lean: float, depth: float) -> Shape:
    turn = turned(pitch_deg=18.0)

    def shape(p: Points) -> Field:
        x, y, z = local(p, turn, (0.0, 215.0 + depth, 640.0))
        t = np.clip(-z / 355.0, 0.0, 1.0)
        away = np.abs(x - lean * 355.0 * t)
        width = 26.0 + 20.0 * t
        outline = np.hypot(away, np.maximum(-z - 355.0, 0.0) + np.maximum(z, 0.0)) - width
        crown = 17.0 - 7.0 * (np.minimum(away, width) / width) ** 2 + 4.0 * bump(away, 0.0, 6.0)
        inner = -y - 16.0 - 80.0 * (1.0 - t)
        return smooth_max(outline, smooth_max(y - crown, inner, 4.0), 8.0)

    return shape


def _head(clay: Clay) -> None:
    box = ((-370.0, -370.0, 900.0), (370.0, 260.0, 1530.0))
    clay.add(_on_head(ellipsoid((0.0, 0.0, 0.0), (275.0, 225.0, 212.0))), box, blend_mm=50.0)
    clay.press(_on_head(_crown_feathers), box)
    clay.press(_on_head(_face_relief), box)
    clay.add(_on_head(_mirrored(_brow_and_tuft)), box, blend_mm=18.0)
    clay.press(_on_head(_mirrored(_tuft_barbs)), box)
    clay.add(_on_head(_mirrored(_lid)), box, blend_mm=8.0)
    clay.add(_on_head(_beak), box, blend_mm=8.0)


def _on_head(shape: Shape) -> Shape:
    return posed(shape, HEAD_TURN, HEAD_PLACE)


def _disc(p: Points) -> tuple[Field, Field, Field]:
    """Return radius, angle (0 outward, rising up) and depth along the line of sight of the nearer eye."""
    x, y, z = np.abs(p[0]) - EYE[0], p[1] - EYE[1], p[2] - EYE[2]
    side = np.cross(EYE_OUT, (0.0, 0.0, 1.0))
    side = -side / np.linalg.norm(side)
    up = np.cross(EYE_OUT, side)
    up = up if up[2] > 0.0 else -up
    a = x * side[0] + y * side[1] + z * side[2]
    b = x * up[0] + y * up[1] + z * up[2]
    depth = x * EYE_OUT[0] + y * EYE_OUT[1] + z * EYE_OUT[2]
    return np.hypot(a, b), np.arctan2(b, a), depth


def _crown_feathers(p: Points) -> Field:
    """Lay small feathers from the forehead over the crown down to the nape."""
    x, y, z = p
    around = np.arctan2(z, y)
    across = np.arctan2(x, np.hypot(y, z)) * 240.0
    fade = ramp(around, 2.25, 1.85) * ramp(around, -0.9, -0.4) * ramp(np.abs(x), 252.0, 225.0)
    return scallops(across, around * 215.0, width_mm=70.0, row_mm=52.0, lip_mm=9.0) * fade


def _face_relief(p: Points) -> Field:
    """Hollow the facial discs, raise their rims and comb rays of feathers into them."""
    radius, angle, depth = _disc(p)
    front = ramp(depth, -150.0, -90.0)
    dish = -26.0 * ramp(radius, DISC_MM, 62.0)
    rim = 15.0 * bump(radius, DISC_MM + 4.0, 15.0)
    comb = 3.6 * np.cos(26.0 * angle) * ramp(radius, 60.0, 78.0) * ramp(radius, DISC_MM + 16.0, DISC_MM - 6.0)
    comb = comb * ramp(np.abs(p[0]) - 0.7 * np.maximum(p[2] - 40.0, 0.0), -10.0, 30.0)
    return front * (dish + rim + comb)


def _lid(p: Points) -> Field:
    """Ring the eye with its lids, and give the eyeball a bed."""
    x, y, z = p
    bed = np.sqrt((x - EYE[0]) ** 2 + (y - EYE[1]) ** 2 + (z - EYE[2]) ** 2) - (EYE_MM - 3.0)
    radius, _, depth = _disc(p)
    lid = np.hypot(radius - EYE_MM, depth - 8.0) - 12.0
    return smooth_min(bed, lid, 5.0)


def _eyeballs() -> manifold3d.Manifold:
    """Turn the eyeballs on the lathe: pupil and iris are cut in, to be read under paint of one colour."""
    ball = manifold3d.Manifold.revolve(manifold3d.CrossSection([_eye_profile()]), EYE_SEGMENTS)
    both = []
    for side in (-1.0, 1.0):
        out = EYE_OUT * (side, 1.0, 1.0)
        across = np.cross((0.0, 0.0, 1.0), out)
        across /= np.linalg.norm(across)
        turn = np.column_stack([across, np.cross(out, across), out])
        place = HEAD_TURN @ (np.array(EYE) * (side, 1.0, 1.0)) + HEAD_PLACE
        both.append(ball.transform(np.column_stack([HEAD_TURN @ turn, place])))
    return both[0] + both[1]


def _eye_profile() -> NDArray[np.float64]:
    """Return the eyeball's half section (radius, height along the line of sight), mm, from back to front."""
    angles = np.linspace(-np.pi / 2.0, np.pi / 2.0, 2 * EYE_SEGMENTS + 1)
    radius = EYE_MM * np.cos(angles)
    pupil = 6.0 * ramp(radius, 22.0, 17.0) * (angles > 0.0)
    ring = 2.5 * bump(radius, 40.0, 2.6) * (angles > 0.0)
    size = EYE_MM - pupil - ring
    return np.column_stack([np.abs(size * np.cos(angles)), size * np.sin(angles)])


def _brow_and_tuft(p: Points) -> Field:
    """Run a brow from the beak's root over the eye into an ear tuft of three feathers."""
    brow = chain(
        ((8.0, -214.0, 22.0), (60.0, -222.0, 78.0), (135.0, -172.0, 132.0), (185.0, -95.0, 180.0)),
        (17.0, 23.0, 28.0, 38.0),
        blend_mm=24.0,
    )(p)
    web = cone((20.0, -180.0, 50.0), (120.0, -140.0, 100.0), 42.0, 46.0)
    brow = smooth_min(brow, web(p), 10.0)
    bridge = cone((0.0, -190.0, 25.0), (0.0, -165.0, 100.0), 42.0, 34.0)
    brow = smooth_min(brow, bridge(p), 24.0)
    for tip, bend in (
        ((262.0, -25.0, 350.0), (230.0, -62.0, 250.0)),
        ((246.0, 4.0, 288.0), (210.0, -36.0, 230.0)),
        ((284.0, -52.0, 276.0), (244.0, -84.0, 212.0)),
    ):
        feather = chain(((172.0, -80.0, 150.0), bend, tip), (50.0, 33.0, 5.0), blend_mm=24.0)
        brow = smooth_min(brow, feather(p), 6.0)
    return brow


def _tuft_barbs(p: Points) -> Field:
    """Comb grooves along brows and tufts; they run with the tuft, so they vary across it only."""
    x, y, z = p
    clear = np.sqrt((x / 275.0) ** 2 + (y / 225.0) ** 2 + (z / 212.0) ** 2)
    fade = ramp(clear, 1.05, 1.16) * ramp(x, 75.0, 115.0) * ramp(z, 75.0, 115.0)
    return 4.0 * np.cos(2.0 * np.pi * (0.82 * x - 0.42 * z + 0.4 * y) / 27.0) * fade


def _beak(p: Points) -> Field:
    """Return a beak whose upper half hooks over the lower."""
    upper = chain(
        (
            (0.0, -205.0, 22.0),
            (0.0, -240.0, 2.0),
            (0.0, -262.0, -38.0),
            (0.0, -260.0, -78.0),
            (0.0, -246.0, -102.0),
        ),
        (35.0, 39.0, 35.0, 22.0, 6.0),
        blend_mm=14.0,
    )(p)
    lower = cone((0.0, -205.0, -60.0), (0.0, -228.0, -88.0), 26.0, 9.0)(p)
    return smooth_min(upper, lower, 3.0)


def _feet(clay: Clay) -> None:
    """Curl three toes of each foot over the front of the top book, in the book's own frame."""
    top = STACK[-1]
    box = ((-260.0, -370.0, 225.0), (260.0, 0.0, 420.0))
    origin = tuple(np.add(top.place, top.turn @ (0.0, 0.0, top.thick_mm)))
    for foot in (-118.0, 118.0):
        pad = ellipsoid((foot, -top.depth_mm / 2.0 + 105.0, 0.0), (66.0, 60.0, 42.0))
        clay.add(posed(pad, top.turn, origin), box, blend_mm=20.0)
        for spread in (-1.0, 0.0, 1.0):
            clay.add(posed(_toe(foot, spread, -top.depth_mm / 2.0), top.turn, origin), box, blend_mm=9.0)


def _toe(foot: float, spread: float, edge: float) -> Shape:
    """Model one toe with knuckles and a claw; `edge` is the y of the board's edge under it."""
    start, end = foot + 22.0 * spread, foot + 62.0 * spread

    def at(t: float, y: float, z: float) -> tuple[float, float, float]:
        return start + (end - start) * t, y, z

    toe = chain(
        (
            at(0.0, edge + 105.0, 22.0),
            at(0.35, edge + 62.0, 24.0),
            at(0.7, edge + 22.0, 18.0),
            at(1.0, edge - 8.0, 0.0),
        ),
        (36.0, 31.0, 29.0, 25.0),
        blend_mm=6.0,
    )
    claw = chain(
        (at(1.0, edge - 12.0, 2.0), at(1.05, edge - 25.0, -28.0), at(1.05, edge - 21.0, -64.0)),
        (18.0, 15.0, 5.0),
        blend_mm=8.0,
    )
    return lambda p: smooth_min(toe(p), claw(p), 3.0)
