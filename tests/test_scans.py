"""Broken scans come out as the clean figure would, or are refused with advice."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import scans
import zoo
from scan_figures import OPEN_FIGURES, OPEN_MESHES
from scans import DAMAGES, LAID, Scan

from moldplan.errors import PatternError
from moldplan.half import cut
from moldplan.pattern import Mending, Pattern, load_pattern, pattern_from_arrays
from moldplan.pattern.remarks import pattern_findings
from moldplan.split import Plane, SearchOptions, find_splits

CASES = 20
SOAK_CASES = 200
#: A thin search: the split it finds is held against the clean mesh's best of the same search.
FEW = SearchOptions(level=2, cells=64, refine_cells=96, final_cells=192, keep=6)
#: Of the halves, whose volumes do not depend on it.
CELLS = 64
ACCEPT = Mending(accept=True, cells=192)

#: Volume, share of the clean one.
VOLUME = 0.02
#: Undercut of the clean mesh along the split found on the mended one: this much more than its own best ...
BEST_REL, BEST_SHARE = 1.05, 0.002
#: ... and what the mended mesh shows along it: within the larger of these shares of undercut and volume.
SEEN_REL, SEEN_SHARE = 0.05, 0.003
#: The least share of mild cases that are planned.
MILD_PLANNED = 0.8


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of a broken scan."""

    seed: int
    scan: Scan
    refused: str = ""
    faults: tuple[str, ...] = ()
    volume_off: float = 0.0
    repairs: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """planned, refused or failed."""
        return "failed" if self.faults else "refused" if self.refused else "planned"

    def line(self) -> str:
        """Return the outcome in one line."""
        done = ", ".join(self.scan.done)
        said = self.refused or "; ".join(self.faults) or f"volume {100.0 * self.volume_off:+.3f} %"
        return f"{self.seed:4d} {self.kind:8s} {self.scan.strength:6s} {self.scan.figure:5s} {done}: {said}"


def loaded(scan: Scan, folder: Path, mending: Mending = ACCEPT) -> Pattern:
    """Write a scan and load it: by its height where the file's numbers are no mm."""
    path = scans.write(scan, folder)
    if scan.mm == 1.0:
        return load_pattern(path, unit="mm", mending=mending)
    height = float(np.ptp(scan.truth[0][:, "xyz".index(scan.up[1])]))
    return load_pattern(path, height_mm=height, up=scan.up, mending=mending)


@cache
def _best(points: bytes, faces: bytes) -> tuple[Pattern, Plane]:
    """Return a clean mesh as a pattern with its own best split."""
    mesh = np.frombuffer(points).reshape(-1, 3), np.frombuffer(faces, dtype=np.int64).reshape(-1, 3)
    pattern = pattern_from_arrays(*mesh)
    return pattern, find_splits(pattern, options=FEW).candidates[0].plane


def best_of(mesh: zoo.Mesh) -> tuple[Pattern, Plane]:
    """Return a clean mesh as a pattern with its own best split, searched once."""
    return _best(mesh[0].tobytes(), np.ascontiguousarray(mesh[1]).tobytes())


def undercut(pattern: Pattern, plane: Plane, off: float = 0.0) -> float:
    """Return what a flat split locks in a pattern, mm3, exactly; `off` moves it along its normal, mm.

    Not from the search's columns: noise on a flat that they see edge on comes out twice as large as it is.
    """
    halves = cut(pattern, replace(plane, offset_mm=plane.offset_mm + off), cells=CELLS)
    return sum(half.undercut.volume_mm3 for half in halves)


def middle(mesh: zoo.Mesh) -> np.ndarray:
    """Return the middle of a mesh's bounding box."""
    return 0.5 * (mesh[0].min(axis=0) + mesh[0].max(axis=0))


def wrong(scan: Scan, mended: Pattern) -> Iterable[str]:
    """Walk over what a mended scan is off by, beyond the bounds."""
    edges = np.sort(mended.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    if set(np.unique(edges, axis=0, return_counts=True)[1].tolist()) != {2}:
        yield "not closed"
    volume = zoo.volume(scan.truth)
    off = zoo.volume((mended.vertices, mended.faces)) / volume - 1.0
    if abs(off) > VOLUME:
        yield f"volume {100.0 * off:+.2f} %"
    clean, best = best_of(scan.truth)
    found = find_splits(mended, options=FEW).candidates[0].plane
    # Offsets are measured from the middles of two bounding boxes, which differ a little.
    apart = np.array(mended.middle_file) * mended.scale_mm - middle(scan.truth)
    there = undercut(clean, found, float(apart @ found.array()))
    least = undercut(clean, best)
    if there > BEST_REL * least + BEST_SHARE * volume:
        yield f"split locks {100.0 * there / volume:.3f} %, best {100.0 * least / volume:.3f} %"
    seen = undercut(mended, found)
    if abs(seen - there) > max(SEEN_REL * there, SEEN_SHARE * volume):
        yield f"undercut seen {100.0 * seen / volume:.3f} %, true {100.0 * there / volume:.3f} %"


def tried(scan: Scan, folder: Path, seed: int = 0) -> Outcome:
    """Return what becomes of a broken scan; anything but a refusal with advice is a fault."""
    try:
        mended = loaded(scan, folder)
    except PatternError as error:
        text = str(error)
        bare = () if "\n" not in text and "; " in text else ("refused without advice",)
        return Outcome(seed=seed, scan=scan, refused=text, faults=bare)
    return Outcome(
        seed=seed,
        scan=scan,
        faults=tuple(wrong(scan, mended)),
        volume_off=zoo.volume((mended.vertices, mended.faces)) / zoo.volume(scan.truth) - 1.0,
        repairs=tuple(f"{repair.count} x {repair.what}" for repair in mended.survey.repairs),
    )


def table(outcomes: list[Outcome]) -> str:
    """Return the outcomes counted by damage and by strength."""
    rows = [f"{'':14s} planned refused failed"]
    groups = {name: [o for o in outcomes if name in o.scan.done] for name in DAMAGES}
    groups |= {strength: [o for o in outcomes if o.scan.strength == strength] for strength in scans.STRENGTHS}
    for name, group in {**groups, "all": outcomes}.items():
        counts = Counter(outcome.kind for outcome in group)
        rows.append(f"{name:14s} {counts['planned']:7d} {counts['refused']:7d} {counts['failed']:6d}")
    return "\n".join(rows)


def held(outcomes: list[Outcome]) -> None:
    """Hold that nothing failed, and that refusing is rare where the damage is mild."""
    failed = [outcome.line() for outcome in outcomes if outcome.kind == "failed"]
    assert not failed, "\n".join(failed)
    mild = [outcome for outcome in outcomes if outcome.scan.strength == "mild"]
    planned = sum(outcome.kind == "planned" for outcome in mild)
    assert planned >= MILD_PLANNED * len(mild), "\n".join(outcome.line() for outcome in mild)


def test_twenty_broken_scans(tmp_path: Path) -> None:
    """Volume, best split and undercut are those of the clean figure, or the scan is refused with advice."""
    held([tried(scans.case(seed), tmp_path, seed) for seed in range(CASES)])


@pytest.mark.soak
def test_two_hundred_broken_scans(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    outcomes = [tried(scans.case(seed), tmp_path, seed) for seed in range(SOAK_CASES)]
    with capsys.disabled():
        for outcome in outcomes:
            print(outcome.line())  # noqa: T201 - the record of the run
        print(table(outcomes))  # noqa: T201 - the record of the run
    held(outcomes)


@pytest.mark.parametrize("name", [name for name in DAMAGES if name not in LAID])
def test_each_damage_by_itself(name: str, tmp_path: Path) -> None:
    """One mild damage alone is never refused."""
    scan = scans.damaged(scans.clean_scan("ring", 4), (name,), np.random.default_rng(4))
    outcome = tried(scan, tmp_path)
    assert outcome.kind == "planned", outcome.line()


@pytest.mark.soak
@pytest.mark.meshes
@pytest.mark.skipif(not OPEN_MESHES.is_dir(), reason="the open meshes are not here")
@pytest.mark.parametrize("name", OPEN_FIGURES)
@pytest.mark.parametrize("done", [("holes", "flipped", "soup"), ("open below", "noise", "islands")])
def test_broken_open_meshes(name: str, done: tuple[str, ...], tmp_path: Path) -> None:
    """Figures made by others, with mild damage, are planned."""
    mesh = OPEN_FIGURES[name](0)
    scan = scans.damaged(Scan(mesh=mesh, truth=mesh, figure=name), done, np.random.default_rng(6))
    outcome = tried(scan, tmp_path)
    assert outcome.kind == "planned", outcome.line()


# --- the generator itself ---------------------------------------------------------------------------------


def test_a_case_is_the_same_every_time() -> None:
    for seed in (3, 11):
        one, two = scans.case(seed), scans.case(seed)
        assert one.done == two.done
        assert one.mesh[0].tobytes() == two.mesh[0].tobytes()
        assert one.mesh[1].tobytes() == two.mesh[1].tobytes()


@pytest.mark.parametrize("name", DAMAGES)
def test_the_truth_stays_a_solid(name: str) -> None:
    """Whatever is done to the mesh, the clean one stays closed, wound outward and in the mesh's own place."""
    scan = scans.damaged(scans.clean_scan("doll", 1, strength="heavy"), (name,), np.random.default_rng(5))
    truth = pattern_from_arrays(*scan.truth)
    assert truth.volume_mm3 > 0.0
    assert np.abs(middle(scan.truth) - middle(scan.mesh)).max() <= 0.25 * scans.longest(scan.truth)


@pytest.mark.parametrize("name", DAMAGES)
def test_every_damage_does_damage(name: str) -> None:
    """What it leaves is another mesh, or another reading of it."""
    clean = scans.clean_scan("ring", 2, strength="plain")
    scan = scans.damaged(clean, (name,), np.random.default_rng(5))
    same = scan.mesh[0].shape == clean.mesh[0].shape and scan.mesh[1].shape == clean.mesh[1].shape
    same = (
        same and bool((scan.mesh[0] == clean.mesh[0]).all()) and bool((scan.mesh[1] == clean.mesh[1]).all())
    )
    assert not same or scan.mm != clean.mm


# --- axes and scale: nothing in the mesh tells, so somebody must be asked ---------------------------------


def codes(pattern: Pattern) -> dict[str, str]:
    """Return the findings' codes with their severities."""
    return {finding.code: finding.severity for finding in pattern_findings(pattern)}


def laid(name: str, seed: int = 0) -> Scan:
    """Return a figure with nothing wrong but how it lies in the file."""
    return scans.damaged(scans.clean_scan("doll", 0), (name,), np.random.default_rng(seed))


def test_a_sound_file_with_all_said_has_no_finding(tmp_path: Path) -> None:
    path = scans.write(scans.clean_scan("doll", 0), tmp_path)
    pattern = load_pattern(path, height_mm=900.0, up="+z", front="-y")
    assert codes(pattern) == {}


def test_a_mirrored_file_is_told_of(tmp_path: Path) -> None:
    """Two axes swapped leave the faces inside out: that is turned, and the mirror image is asked after."""
    assert codes(loaded(laid("mirrored"), tmp_path))["perhaps-mirrored"] == "check"


def test_a_mirrored_soup_is_told_of(tmp_path: Path) -> None:
    scan = replace(laid("mirrored"), soup=True)
    assert codes(loaded(scan, tmp_path))["perhaps-mirrored"] == "check"


def test_a_file_all_of_whose_faces_are_flipped_is_told_of(tmp_path: Path) -> None:
    """It cannot be told from a mirrored one."""
    scan = scans.damaged(
        scans.clean_scan("doll", 0, strength="heavy"), ("flipped",), np.random.default_rng(0)
    )
    assert codes(loaded(scan, tmp_path))["perhaps-mirrored"] == "check"


def test_a_few_flipped_faces_are_no_mirror(tmp_path: Path) -> None:
    scan = scans.damaged(scans.clean_scan("doll", 0), ("flipped",), np.random.default_rng(0))
    assert "perhaps-mirrored" not in codes(loaded(scan, tmp_path))


def test_a_figure_lying_down_is_told_of(tmp_path: Path) -> None:
    """Nobody said which way is up: the custom is taken and said, as a figure lying on its back."""
    pattern = loaded(laid("turned"), tmp_path)
    assert codes(pattern)["direction-assumed"] == "note"
    assert "+z up" in next(f.advice for f in pattern_findings(pattern) if f.code == "direction-assumed")


@pytest.mark.parametrize(
    ("mm", "severity"), [(25.4, "check"), (10.0, "check"), (0.1, "check"), (1.0, "note")]
)
def test_a_unit_that_may_be_wrong_is_told_of(mm: float, severity: str, tmp_path: Path) -> None:
    """Numbers in inches, centimetres or tenths of a millimetre, read as mm, scale the figure."""
    scan = replace(scans.clean_scan("doll", 0), mm=mm)
    pattern = load_pattern(scans.write(scan, tmp_path), unit="mm")
    assert codes(pattern)["size-from-unit"] == severity
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(scan.truth) / mm**3, rel=1e-5)
    finding = next(f for f in pattern_findings(pattern) if f.code == "size-from-unit")
    assert finding.value == pytest.approx(900.0 / mm, rel=1e-6)


def test_metres_read_as_millimetres_are_refused(tmp_path: Path) -> None:
    """A figure of 0.9 mm is no figure."""
    scan = replace(scans.clean_scan("doll", 0), mm=1000.0)
    with pytest.raises(PatternError, match=r"would be 0\.9 mm at its longest; .* check the unit"):
        load_pattern(scans.write(scan, tmp_path), unit="mm")


@pytest.mark.parametrize("mm", [25.4, 10.0, 1000.0])
def test_a_height_makes_the_unit_of_no_matter(mm: float, tmp_path: Path) -> None:
    scan = replace(scans.clean_scan("doll", 0), mm=mm)
    pattern = loaded(scan, tmp_path)
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(scan.truth), rel=1e-5)
    assert "size-from-unit" not in codes(pattern)
