"""A picture of the figure with its split, halves drawn a little apart: parallel projection, by OpenGL.

Where OpenGL is missing, the 3D library does not raise but ends the process. So it is only ever used in a
child process (this module run with ``-m``), and a child that ends badly means: no picture.
"""

import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Self

import numpy as np
from numpy.typing import NDArray

from moldplan.pattern.model import axis_vector

if TYPE_CHECKING:
    import pyvista as pv

    from moldplan.plan import Plan

Floats = NDArray[np.float64]

#: What to say where there is no OpenGL.
OPENGL_ADVICE = (
    "the picture of the figure: it needs OpenGL; on Debian: apt-get install libegl1 libgl1-mesa-dri"
)
#: How long a child may take, in seconds, before the run goes on without a picture.
PROBE_SECONDS = 60.0
PICTURE_SECONDS = 180.0
#: How far the halves are drawn apart, as a share of the figure's longest side.
_APART = 0.16
#: Pixels of the picture (200 dpi on the sheet), and samples taken of each edge pixel.
SIZE = (1800, 2040)
_SAMPLES = 8
#: Two neutral tones, one a half, and the chalk line with its dark edge.
_TONES = ("#f2f2f2", "#c2c2c2")
_CHALK, _EDGE = "#ffffff", "#161616"
_MODULE = "moldplan.views.figure_picture"


@dataclass(frozen=True, kw_only=True)
class FigurePicture:
    """What the child drew.

    `rgb` (ny, nx, 3), first row at the top; `part` (ny, nx) the number of the half seen at each pixel (0, 1),
    -1 where there is none.
    """

    rgb: NDArray[np.uint8]
    part: NDArray[np.int8]


class PictureJob:
    """A picture being drawn by a child process while this one does other work.

    Use it as a context manager: leaving ends the child and removes its files.
    """

    def __init__(self, plan: "Plan") -> None:
        """Start drawing `plan`."""
        self._folder = tempfile.TemporaryDirectory(prefix="moldplan-picture-", ignore_cleanup_errors=True)
        self._result = Path(self._folder.name) / "picture.npz"
        scene = Path(self._folder.name) / "scene.npz"
        np.savez(scene, allow_pickle=False, **scene_arrays(plan))
        self._child = _start(str(scene), str(self._result))

    def __enter__(self) -> Self:
        """Return the job."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the child if it still runs, and remove its files."""
        if self._child.poll() is None:
            self._child.kill()
            self._child.wait()
        self._folder.cleanup()

    def result(self) -> FigurePicture | None:
        """Wait for the picture; None when it could not be drawn here."""
        try:
            code = self._child.wait(timeout=PICTURE_SECONDS)
        except subprocess.TimeoutExpired:
            return None
        if code != 0 or not self._result.is_file():
            return None
        with np.load(self._result) as arrays:
            return FigurePicture(rgb=arrays["rgb"], part=arrays["part"])


@cache
def opengl_ready() -> bool:
    """Return whether 3D pictures can be drawn here, by drawing one in a child process (seconds, once)."""
    child = _start("--probe")
    try:
        return child.wait(timeout=PROBE_SECONDS) == 0
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
        return False


def _start(*arguments: str) -> subprocess.Popen[bytes]:
    """Run this module in a child that finds the same packages and says nothing."""
    paths = os.pathsep.join(path for path in sys.path if path)
    return subprocess.Popen(  # noqa: S603 - our own interpreter and module, no shell
        [sys.executable, "-m", _MODULE, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": paths, "PYTHONWARNINGS": "ignore", "PYVISTA_OFF_SCREEN": "true"},
    )


def scene_arrays(plan: "Plan") -> dict[str, NDArray[np.generic]]:
    """Return the halves in the figure's axes, moved apart along the normal, their rims, and the camera.

    Keys: ``vertices0``, ``faces0``, ``rim0`` (n, 2, 3) segments, the same with 1; ``towards`` (3,) from the
    figure to the eye; ``up`` (3,).
    """
    normal = plan.plane.array()
    arrays: dict[str, NDArray[np.generic]] = {}
    for number, half in enumerate(plan.halves):
        back = np.linalg.inv(half.to_half)
        vertices = half.vertices @ back[:3, :3].T + back[:3, 3]
        side = (0.5 if half.name == "A" else -0.5) if len(plan.halves) > 1 else 0.0
        shift = side * _APART * float(np.ptp(vertices, axis=0).max()) * normal
        arrays[f"vertices{number}"] = vertices + shift
        arrays[f"faces{number}"] = half.faces
        rings = [ring for part in half.section.geoms for ring in (part.exterior, *part.interiors)]
        segments = [_segments(np.array(ring.coords)[:, :2]) for ring in rings]
        flat = np.concatenate(segments) if segments else np.zeros((0, 2, 3))
        arrays[f"rim{number}"] = flat @ back[:3, :3].T + back[:3, 3] + shift
    up, front = axis_vector(plan.pattern.up), axis_vector(plan.pattern.front)
    arrays["up"] = up
    arrays["towards"] = eye_direction(normal, up=up, front=front)
    return arrays


def _segments(ring: Floats) -> Floats:
    """Return a closed ring (n, 2) on the board as segments (n - 1, 2, 3)."""
    flat = np.column_stack([ring, np.zeros(len(ring))])
    return np.stack([flat[:-1], flat[1:]], axis=1)


def eye_direction(normal: Floats, *, up: Floats, front: Floats) -> Floats:
    """Return the unit direction from the figure to the eye.

    From the figure's front, somewhat above, and the further round to its side the more the split faces the
    front, so that the gap is seen.
    """
    side = np.cross(up, front)
    round_to = 0.55 + 0.6 * abs(float(normal @ front))
    towards = front + round_to * side + 0.38 * up
    return np.asarray(towards / np.linalg.norm(towards), dtype=np.float64)


def main(arguments: list[str]) -> int:
    """Draw in this process: ``--probe``, or the scene file and the result file."""
    if arguments == ["--probe"]:
        return _probe()
    scene, result = arguments
    with np.load(scene) as arrays:
        rgb, part = _draw({key: arrays[key] for key in arrays.files})
    np.savez(result, rgb=rgb, part=part)
    return 0


def _probe() -> int:
    """Draw one triangle; ends the process where OpenGL is missing."""
    import pyvista as pv  # noqa: PLC0415 - the heavy library is for the child only

    plotter = pv.Plotter(off_screen=True, window_size=[8, 8])
    plotter.add_mesh(pv.Triangle())
    plotter.show(auto_close=False)
    plotter.close()
    return 0


def _draw(arrays: dict[str, NDArray[np.generic]]) -> tuple[NDArray[np.uint8], NDArray[np.int8]]:
    """Return the picture and the half seen at each pixel."""
    import pyvista as pv  # noqa: PLC0415 - the heavy library is for the child only

    plotter = pv.Plotter(off_screen=True, window_size=list(SIZE), lighting="none")
    plotter.enable_anti_aliasing("msaa", multi_samples=_SAMPLES)
    plotter.set_background("white")
    numbers = [number for number in (0, 1) if f"vertices{number}" in arrays]
    actors = [_add_half(plotter, arrays, number) for number in numbers]
    rims = [_add_rim(plotter, arrays[f"rim{number}"]) for number in numbers]
    _look(plotter, np.asarray(arrays["towards"]), np.asarray(arrays["up"]))
    plotter.show(auto_close=False)
    rgb = np.asarray(plotter.screenshot(return_img=True), dtype=np.uint8)[:, :, :3]
    part = _parts(plotter, actors, [rim for pair in rims for rim in pair])
    plotter.close()
    return rgb, part


def _add_half(plotter: "pv.Plotter", arrays: dict[str, NDArray[np.generic]], number: int) -> "pv.Actor":
    import pyvista as pv  # noqa: PLC0415 - as above

    faces = arrays[f"faces{number}"]
    mesh = pv.PolyData.from_regular_faces(arrays[f"vertices{number}"], faces)
    smooth = mesh.compute_normals(split_vertices=True, feature_angle=35.0, consistent_normals=False)
    return plotter.add_mesh(
        smooth, color=_TONES[number], smooth_shading=True, ambient=0.22, diffuse=0.85, specular=0.0
    )


def _add_rim(plotter: "pv.Plotter", rim: NDArray[np.generic]) -> list["pv.Actor"]:
    """Draw the chalk line round a sawn face: white, with a dark edge so that it shows on white paper."""
    import pyvista as pv  # noqa: PLC0415 - as above

    if len(rim) == 0:
        return []
    lines = pv.line_segments_from_points(rim.reshape(-1, 3))
    return [
        plotter.add_mesh(lines, color=colour, line_width=width, lighting=False)
        for colour, width in ((_EDGE, 8.0), (_CHALK, 4.0))
    ]


def _look(plotter: "pv.Plotter", towards: Floats, up: Floats) -> None:
    """Set the eye (parallel projection, everything in view) and a light over its left shoulder."""
    import pyvista as pv  # noqa: PLC0415 - as above

    plotter.enable_parallel_projection()
    middle = np.array(plotter.bounds).reshape(3, 2).mean(axis=1)
    plotter.camera_position = [tuple(middle + towards), tuple(middle), tuple(up)]
    plotter.reset_camera()
    plotter.camera.zoom(1.15)
    left = np.cross(towards, up)
    for place, strength in ((towards + 0.9 * left + 0.9 * up, 0.8), (towards - 0.8 * left, 0.45)):
        light = pv.Light(position=tuple(place), focal_point=(0.0, 0.0, 0.0), intensity=strength)
        light.positional = False
        plotter.add_light(light)


def _parts(plotter: "pv.Plotter", actors: list["pv.Actor"], rims: list["pv.Actor"]) -> NDArray[np.int8]:
    """Draw again, each half in one flat tone, and return which half is seen where."""
    for rim in rims:
        rim.visibility = False
    for number, actor in enumerate(actors):
        actor.prop.lighting = False
        actor.prop.color = ("black", "#808080")[number]
    plotter.render()
    grey = np.asarray(plotter.screenshot(return_img=True))[:, :, 0]
    part = np.full(grey.shape, -1, dtype=np.int8)
    part[grey < 32] = 0
    part[(grey > 96) & (grey < 160)] = 1
    return part


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
