"""Kept results: equal to computed ones to the last bit, not taken when anything changed, never in the way."""

import errno
import hashlib
import json
import math
import os
import stat
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
import shapely
import zoo
import zoo_files
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst
from shapely.geometry.base import BaseGeometry
from shop import shop_settings

from moldplan.cache import Cache, content_key, open_cache
from moldplan.cache.entry import MAGIC, DamagedError, entry_parts, read_entry
from moldplan.cache.folder import USUAL_LIMIT
from moldplan.cache.program import program_fingerprint, sources_fingerprint
from moldplan.cache.values import UnknownKindError, packed, unpacked
from moldplan.cards.model import Settings
from moldplan.columns.grid import Grid
from moldplan.document import plan_document
from moldplan.errors import PatternError, SettingError
from moldplan.findings import Finding
from moldplan.half.model import Gaps
from moldplan.pattern import pattern_from_arrays
from moldplan.pattern.kept import kept_pattern
from moldplan.pattern.model import Pattern
from moldplan.plan import Plan, plan_job
from moldplan.split.model import Known, Plane, Seen

MB = 1_000_000


@pytest.fixture(autouse=True)
def _usual_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let caches keep results, which other tests do not."""
    monkeypatch.delenv("MOLDPLAN_CACHE_MB", raising=False)


def same(one: Any, two: Any) -> bool:  # noqa: PLR0911 - one kind of value a line
    """Whether two values are of the same kinds and equal to the last bit, arrays laid the same way."""
    if type(one) is not type(two):
        return False
    if isinstance(one, np.ndarray):
        flags = [(a.flags.writeable, a.flags.c_contiguous, a.flags.f_contiguous) for a in (one, two)]
        alike = one.dtype == two.dtype and one.shape == two.shape and flags[0] == flags[1]
        return alike and one.tobytes() == two.tobytes()
    if isinstance(one, BaseGeometry):
        return bool(shapely.to_wkb(one) == shapely.to_wkb(two)) and shapely.get_precision(
            one
        ) == shapely.get_precision(two)
    if is_dataclass(one):
        return all(same(getattr(one, item.name), getattr(two, item.name)) for item in fields(one))
    if isinstance(one, tuple | list):
        return len(one) == len(two) and all(map(same, one, two))
    if isinstance(one, dict | MappingProxyType):
        return same(list(one.items()), list(two.items()))
    if isinstance(one, float | np.floating):
        return np.float64(one).tobytes() == np.float64(two).tobytes()
    return bool(one == two)


def again(value: object) -> Any:
    """Take a value apart, through JSON as in a file, and put it together again."""
    whole = packed(value)
    return unpacked(json.loads(json.dumps(whole.tree)), whole.blobs)


#: JSON knows one NaN, and so does moldplan.
floats = st.floats().map(lambda number: math.nan if math.isnan(number) else number)
numbers = st.one_of(
    st.none(), st.booleans(), st.integers(), floats, st.text(max_size=8),
    st.floats().map(np.float64), st.integers(-9, 9).map(np.int32), st.booleans().map(np.bool_),
)  # fmt: skip
arrays = npst.arrays(
    st.sampled_from(["f8", "f4", "i8", "i4", "u1", "?", "c16"]),
    npst.array_shapes(min_dims=0, min_side=0, max_side=4),
)
lines = st.lists(st.tuples(st.floats(-1e9, 1e9), st.floats(-1e9, 1e9)), min_size=2, max_size=5).map(
    shapely.LineString
)
others = st.sampled_from([Path("a/b"), shapely.MultiPolygon(), shapely.box(0, 0, 1, 2)])
keys = st.one_of(st.text(max_size=4), st.integers(), st.tuples(st.integers()))
values = st.recursive(
    st.one_of(numbers, arrays, lines, others),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.lists(inner, max_size=4).map(tuple),
        st.dictionaries(keys, inner, max_size=4),
        st.dictionaries(st.text(max_size=4), inner, max_size=4).map(MappingProxyType),
    ),
    max_leaves=12,
)  # fmt: skip


@settings(deadline=None, max_examples=80)
@given(values)
def test_any_value_comes_back_to_the_last_bit(value: object) -> None:
    assert same(again(value), value)


@settings(deadline=None, max_examples=40)
@given(values, values)
def test_keys_are_equal_when_contents_are(one: object, two: object) -> None:
    assert content_key(one) == content_key(again(one))
    if not same(again(one), again(two)) and content_key(one) == content_key(two):
        # only what a key does not ask for may differ: who may write into an array
        pytest.fail(f"{one!r} and {two!r} have the same key")


def test_values_of_the_stages_come_back() -> None:
    whole, broken = np.arange(5, dtype=np.int32), np.linspace(0.0, 1.0, 5)
    gaps = Gaps(
        grid=Grid(0.1, -0.2, 0.3, 4, 5),
        row=whole,
        col=whole,
        low_mm=broken,
        high_mm=broken + 1.0,
        region=whole,
    )
    seen = Seen(
        directions=np.eye(3), undercut_mm3=np.ones(3), locked_mm3=np.zeros(3), offset_mm=np.full(3, -0.0)
    )
    finding = Finding(code="a", severity="note", stage="b", advice="c", place_mm=(1.0, float("nan"), -0.0))
    for value in (gaps, seen, finding):
        assert same(again(value), value)


def test_arrays_keep_the_order_of_their_axes() -> None:
    # sums run in the order of memory, so that another order may change a last bit
    block = np.arange(24.0).reshape(2, 3, 4)
    for array in (np.asfortranarray(block), block.transpose(1, 2, 0), block.transpose(2, 0, 1)):
        back = again(array)
        assert back.strides == array.strides
        assert same(back, array)


def test_faces_take_half_their_bytes() -> None:
    faces = np.arange(3000).reshape(1000, 3)
    assert sum(blob.nbytes for blob in packed(faces).blobs) == faces.nbytes // 2
    assert same(again(faces), faces)
    for far in (2**31, -(2**31) - 1):
        assert same(again(np.array([far])), np.array([far]))


def test_one_object_in_two_places_stays_one() -> None:
    array, line = np.arange(9.0), shapely.LineString([(0, 0), (1, 1)])
    back = again((array, [array], line, {"a": line}))
    assert back[0] is back[1][0]
    assert back[2] is back[3]["a"]
    assert len(packed((array, array)).blobs) == 1


def test_read_only_stays_read_only() -> None:
    fixed, free = np.arange(3.0), np.arange(3.0)
    fixed.flags.writeable = False
    back = again((fixed, free))
    with pytest.raises(ValueError, match="read-only"):
        back[0][0] = 1.0
    back[1][0] = 7.0
    assert back[1][0] == 7.0


def test_a_grid_of_coordinates_is_kept_with_its_shape() -> None:
    shape = shapely.set_precision(shapely.Polygon([(0, 0), (1.26, 0), (1, 1.1)]), 0.25)
    assert shapely.get_precision(again(shape)) == 0.25
    assert same(again(shape), shape)


@dataclass(frozen=True)
class _Stranger:
    """A value that no stage of moldplan gives."""

    number: int = 0


@pytest.mark.parametrize(
    "value",
    [object(), _Stranger(), {1, 2}, b"raw", np.array([object()]), len, Finding, np.datetime64("2020", "D")],
)
def test_other_kinds_are_refused(value: object) -> None:
    with pytest.raises(UnknownKindError, match="kept"):
        packed(("a", [value]))
    with pytest.raises(UnknownKindError, match="kept"):
        content_key(value)


@pytest.mark.parametrize(
    "tree",
    [
        ["value", "os:system", {}],
        ["value", "moldplan.store:write_whole", {}],
        ["value", "moldplan.pattern.model:Path", {}],
        ["value", "moldplan.findings:Finding", {"code": "a"}],
        ["value", "moldplan.findings:gravest_text", {}],
        ["enum", "moldplan.findings:Finding", "a"],
        ["call", "print"],
        ["array", 0, "O", "O", [1], [0], False],
        ["number", "O", "00"],
    ],
)  # fmt: skip
def test_a_kept_value_names_nothing_but_values(tree: object) -> None:
    before = set(sys.modules)
    with pytest.raises(UnknownKindError, match=r"kept|fields"):
        unpacked(tree, [np.zeros(8, dtype=np.uint8)])
    assert set(sys.modules) == before


# -- entries ------------------------------------------------------------------------------------------------


def sealed(path: Path, body: bytes) -> None:
    """Write `body` with the checksum that makes it look whole."""
    path.write_bytes(MAGIC + hashlib.sha256(body).digest() + body)


def some_value() -> object:
    return {
        "mask": np.zeros(9000, dtype=bool),
        "noise": np.random.default_rng(1).normal(size=700),
        "text": "a",
    }


def written(folder: Path) -> tuple[Path, bytes]:
    """Return an entry's file and its bytes."""
    path = folder / "one.stage"
    data = b"".join(piece.tobytes() for piece in entry_parts("one", "k", some_value()))
    path.write_bytes(data)
    return path, data


def test_an_entry_comes_back_whole_and_masks_are_small(tmp_path: Path) -> None:
    path, data = written(tmp_path)
    assert same(read_entry(path, "one", "k", most=MB), some_value())
    assert len(data) < 700 * 8 + 2000


def test_any_changed_byte_is_noticed(tmp_path: Path) -> None:
    path, data = written(tmp_path)
    for place in (*range(64), *range(64, len(data), 97), len(data) - 1):
        path.write_bytes(data[:place] + bytes([data[place] ^ 0x10]) + data[place + 1 :])
        with pytest.raises(DamagedError, match=r"no entry|not those that were written"):
            read_entry(path, "one", "k", most=MB)


def test_any_cut_is_noticed(tmp_path: Path) -> None:
    path, data = written(tmp_path)
    for length in (0, 1, 15, 16, 40, 47, 48, 56, 57, *range(64, len(data), 211), len(data) - 1):
        path.write_bytes(data[:length])
        with pytest.raises(DamagedError, match=r"no entry|not those that were written"):
            read_entry(path, "one", "k", most=MB)


def head_of(tree: str, blobs: str = "[]", *, stage: str = "one", key: str = "k") -> bytes:
    return f'{{"stage": "{stage}", "key": "{key}", "tree": {tree}, "blobs": {blobs}}}'.encode()


@pytest.mark.parametrize(
    "head",
    [
        b"", b"[]", b"{}", b"\xff\xfe", b"[" * 100_000,
        head_of('["array", 0, "<f8", "<f8", [99], [0], false]', "[[0, 8, 8]]"),
        head_of('["array", 0, "<f8", "<f8", [1], [0], false]', "[[0, 4, 1e12]]"),
        head_of('["same", 3]'),
        head_of('["geometry", 0, 0.0]', "[[0, 8, 8]]"),
        head_of("1", key="other"),
        head_of("1", stage="two"),
    ],
    ids=range(11),
)  # fmt: skip
def test_a_sealed_entry_of_somebody_else_is_refused(tmp_path: Path, head: bytes) -> None:
    path = tmp_path / "one.stage"
    sealed(path, len(head).to_bytes(8, "little") + head + b"\0" * 64)
    with pytest.raises(DamagedError, match=r"one\.stage|holds"):
        read_entry(path, "one", "k", most=MB)


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    path, data = written(tmp_path)
    with pytest.raises(DamagedError, match="larger than any entry"):
        read_entry(path, "one", "k", most=len(data) - 1)


# -- the folder ---------------------------------------------------------------------------------------------


class Counted:
    """Compute a value and count how often."""

    def __init__(self, value: object) -> None:
        self.value, self.count = value, 0

    def __call__(self) -> object:
        """Return the value."""
        self.count += 1
        return self.value


def test_a_stage_is_computed_once_and_again_when_a_part_changes(tmp_path: Path) -> None:
    compute = Counted(np.arange(5.0))
    for _ in range(3):
        assert same(open_cache(tmp_path).stage("one", (1, "a"), compute), np.arange(5.0))
    assert compute.count == 1
    for number, parts in enumerate(
        [(2, "a"), (1, "b"), (1.0, "a"), (True, "a"), (1,), (1, "a", None), ((1, "a"),)]
    ):
        open_cache(tmp_path).stage("one", parts, compute)
        assert compute.count == number + 2
    open_cache(tmp_path).stage("two", (1, "a"), compute)
    assert compute.count == 9


def test_taken_names_what_was_found(tmp_path: Path) -> None:
    cache = open_cache(tmp_path)
    assert cache.stage("one", (), lambda: 1) == 1
    assert cache.taken == ()
    assert cache.stage("one", (), lambda: 2) == 1
    assert cache.taken == ("one",)
    assert cache.notes == ()


def test_fresh_computes_and_keeps_that(tmp_path: Path) -> None:
    open_cache(tmp_path).stage("one", (), lambda: 1)
    assert open_cache(tmp_path, fresh=True).stage("one", (), lambda: 2) == 2
    assert open_cache(tmp_path).stage("one", (), lambda: 3) == 2


def test_another_program_takes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    open_cache(tmp_path).stage("one", (), lambda: 1)
    monkeypatch.setattr("moldplan.cache.folder.program_fingerprint", lambda: "0" * 64)
    assert open_cache(tmp_path).stage("one", (), lambda: 2) == 2


def test_the_program_is_known_by_every_source_and_card(tmp_path: Path) -> None:
    (tmp_path / "cards").mkdir()
    for name in ("a.py", "cards/b.toml", "c.txt"):
        (tmp_path / name).write_text("x = 1\n")
    seen = {sources_fingerprint(tmp_path)}
    (tmp_path / "c.txt").write_text("x = 2\n")
    assert sources_fingerprint(tmp_path) in seen
    (tmp_path / "a.py").write_text("x = 2\n")
    seen.add(sources_fingerprint(tmp_path))
    (tmp_path / "cards/b.toml").write_text("x = 2\n")
    seen.add(sources_fingerprint(tmp_path))
    (tmp_path / "a.py").rename(tmp_path / "d.py")
    seen.add(sources_fingerprint(tmp_path))
    assert len(seen) == 4
    assert program_fingerprint() == program_fingerprint()


def test_a_damaged_entry_is_computed_again_and_mended(tmp_path: Path) -> None:
    open_cache(tmp_path).stage("one", (), lambda: "right")
    (path,) = (tmp_path / "stages").iterdir()
    whole = path.read_bytes()
    for broken in (b"", whole[:-1], whole[:70], b"text" * 99):
        path.write_bytes(broken)
        cache = open_cache(tmp_path)
        assert cache.stage("one", (), lambda: "right") == "right"
        assert (cache.taken, cache.notes) == ((), ())
        assert path.read_bytes() == whole


def test_an_entry_under_another_name_is_not_taken(tmp_path: Path) -> None:
    cache = open_cache(tmp_path)
    cache.stage("one", (1,), lambda: "first")
    (first,) = cache.folder.iterdir()
    cache.stage("one", (2,), lambda: "second")
    (second,) = set(cache.folder.iterdir()) - {first}
    second.write_bytes(first.read_bytes())
    assert open_cache(tmp_path).stage("one", (2,), lambda: "second") == "second"


def test_only_the_owner_reads_it(tmp_path: Path) -> None:
    cache = open_cache(tmp_path / "not" / "there")
    assert not cache.folder.exists()
    cache.stage("one", (), lambda: 1)
    if os.name == "posix":
        assert stat.S_IMODE(cache.folder.stat().st_mode) == 0o700
        assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in cache.folder.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="asks who may write into a folder")
def test_a_folder_that_others_may_write_into_is_not_trusted(tmp_path: Path) -> None:
    open_cache(tmp_path).stage("one", (), lambda: 1)
    (tmp_path / "stages").chmod(0o777)
    cache = open_cache(tmp_path)
    assert cache.stage("one", (), lambda: 2) == 2
    assert len(cache.notes) == 1
    assert "others may write there" in cache.notes[0]
    (tmp_path / "stages").chmod(0o700)
    assert open_cache(tmp_path).stage("one", (), lambda: 3) == 1


def test_a_file_or_a_link_in_its_place_is_left_alone(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    for number, make in enumerate(
        [lambda path: path.write_text("mine"), lambda path: path.symlink_to(elsewhere)]
    ):
        base = tmp_path / str(number)
        base.mkdir()
        make(base / "stages")
        cache = open_cache(base)
        assert cache.stage("one", (), lambda: 2) == 2
        assert "is no folder" in cache.notes[0]
    assert list(elsewhere.iterdir()) == []
    assert (tmp_path / "0" / "stages").read_text() == "mine"


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_a_disk_that_refuses_costs_one_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    cache = open_cache(tmp_path)
    monkeypatch.setattr(Path, "replace", refuse)
    assert [cache.stage("one", (part,), Counted(part)) for part in range(3)] == [0, 1, 2]
    assert list(cache.folder.iterdir()) == []
    assert len(cache.notes) == 1
    assert os.strerror(number) in cache.notes[0]
    monkeypatch.setattr(tempfile, "mkstemp", refuse)
    other = open_cache(tmp_path)
    assert other.stage("one", (), lambda: 1) == 1
    assert len(other.notes) == 1


def test_what_is_not_kept_is_computed_with_a_note(tmp_path: Path) -> None:
    cache = open_cache(tmp_path)
    assert cache.stage("one", (), lambda: {1, 2}) == {1, 2}
    assert cache.notes == ("what came of one is not kept: builtins.set is no kind that is kept",)


def test_a_result_may_be_left_out(tmp_path: Path) -> None:
    cache = open_cache(tmp_path)
    assert cache.stage("one", (), lambda: 5, keep=lambda number: number > 5) == 5
    assert cache.usage().entries == 0


def test_a_name_is_plain(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="small letters and hyphens"):
        open_cache(tmp_path).stage("../one", (), lambda: 1)


def test_errors_are_not_kept(tmp_path: Path) -> None:
    def fail() -> int:
        raise PatternError("no")

    with pytest.raises(PatternError, match=r"^no$"):
        open_cache(tmp_path).stage("one", (), fail)
    assert open_cache(tmp_path).stage("one", (), lambda: 4) == 4


def ages(cache: Cache) -> None:
    """Set all entries back, so that the next use is later than any before."""
    for number, path in enumerate(sorted(cache.folder.iterdir(), key=lambda path: path.stat().st_mtime_ns)):
        os.utime(path, (1000 + number, 1000 + number))


def test_what_was_not_used_for_longest_goes_first(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(0, 256, size=200_000, dtype=np.uint8)
    cache = open_cache(tmp_path, limit=MB)
    for number in range(4):
        cache.stage("one", (number,), lambda: noise)
        ages(cache)
    assert cache.usage().entries == 4
    cache.stage("one", (0,), lambda: noise)  # used again: 1 is now the oldest
    cache.stage("one", (4,), lambda: noise)
    used = cache.usage()
    assert used.entries == 4
    assert used.size <= used.limit == MB
    fresh = Counted(noise)
    for number in (0, 2, 3, 4):
        cache.stage("one", (number,), fresh)
    assert fresh.count == 0
    cache.stage("one", (1,), fresh)
    assert fresh.count == 1


def test_an_entry_over_a_quarter_of_the_limit_is_not_kept(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(0, 256, size=MB // 4 + 1, dtype=np.uint8)
    cache = open_cache(tmp_path, limit=MB)
    cache.stage("one", (), lambda: noise)
    cache.stage("two", (), lambda: noise[: MB // 4 - 2000])
    assert cache.usage().entries == 1
    assert cache.notes == ()


def test_clearing_removes_entries_and_nothing_else(tmp_path: Path) -> None:
    cache = open_cache(tmp_path)
    for number in range(3):
        cache.stage("one", (number,), Counted(number))
    (cache.folder / ".new-cut-off").write_text("half")
    (cache.folder / "letter.txt").write_text("mine")
    before = cache.usage()
    assert before.entries == 3
    assert cache.clear() == before
    assert [path.name for path in cache.folder.iterdir()] == ["letter.txt"]
    assert cache.usage().size == 0
    assert open_cache(tmp_path / "never").clear().entries == 0


def test_what_a_killed_run_left_is_swept_away_later(tmp_path: Path) -> None:
    cache = open_cache(tmp_path)
    cache.stage("one", (), lambda: 1)
    for name, age in ((".new-old", 7200.0), (".new-young", 60.0)):
        (cache.folder / name).write_text("half")
        then = (cache.folder / name).stat().st_mtime - age
        os.utime(cache.folder / name, (then, then))
    cache.stage("two", (), lambda: 1)
    left = sorted(path.name for path in cache.folder.iterdir() if path.name.startswith("."))
    assert left == [".new-young"]


def test_place_and_limit_come_from_the_surroundings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MOLDPLAN_CACHE", str(tmp_path / "here"))
    monkeypatch.setenv("MOLDPLAN_CACHE_MB", "3")
    assert open_cache().folder == tmp_path / "here" / "stages"
    assert open_cache().limit == 3 * MB
    monkeypatch.delenv("MOLDPLAN_CACHE_MB")
    assert open_cache().limit == USUAL_LIMIT
    monkeypatch.delenv("MOLDPLAN_CACHE")
    assert "moldplan" in open_cache().folder.parts
    monkeypatch.setenv("MOLDPLAN_CACHE_MB", "0")
    assert open_cache(tmp_path).stage("one", (), lambda: 1) == 1
    assert not (tmp_path / "stages").exists()


@pytest.mark.parametrize("text", ["-1", "2 GB", "1e3", "9999999999", "\u0662"])
def test_a_limit_that_is_no_number_is_refused(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setenv("MOLDPLAN_CACHE_MB", text)
    with pytest.raises(SettingError, match=r"MOLDPLAN_CACHE_MB=.*whole number of MB"):
        open_cache()


def test_many_at_once_read_and_write(tmp_path: Path) -> None:
    # each with a cache of its own, as other processes have, and room for a few entries only
    def work(seed: int) -> bool:
        cache = open_cache(tmp_path, limit=MB)
        dice = np.random.default_rng(seed)
        good = True
        for _ in range(40):
            part = int(dice.integers(0, 12))
            got = cache.stage(
                "one", (part,), lambda part=part: np.full(20_000, 1.0 / (part + 1)) + np.arange(20_000)
            )
            good &= bool((got == np.full(20_000, 1.0 / (part + 1)) + np.arange(20_000)).all())
            if part == 0 and seed == 0:
                cache.clear()
        return good and not cache.notes

    with ThreadPoolExecutor(max_workers=4) as pool:
        assert all(pool.map(work, range(4)))
    assert open_cache(tmp_path, limit=MB).usage().size <= 2 * MB


# -- patterns and plans -------------------------------------------------------------------------------------


def lump() -> Pattern:
    """Return a figure: a mushroom."""
    return pattern_from_arrays(*zoo.mushroom(100, 300, 250, 120, 48), name="lump")


#: Through the stem, so that the cap hangs over one board.
CUT = Plane(normal=(0.0, 0.0, 1.0), offset_mm=10.0)
OTHERS = (Known(plane=Plane(normal=(1.0, 0.0, 0.0), offset_mm=0.0), undercut_mm3=1e6),)


def test_a_pattern_comes_back_as_it_was_read(tmp_path: Path) -> None:
    file = zoo_files.write_stl(tmp_path / "ring.stl", zoo.torus(300, 60, 48, 24))
    cache = open_cache(tmp_path)
    first = kept_pattern(file, cache=cache, unit="mm")
    second = kept_pattern(file, cache=cache, unit="mm")
    assert cache.taken == ("pattern",)
    assert same(first, second)
    (tmp_path / "other").mkdir()
    moved = file.rename(tmp_path / "other" / "ring.stl")
    third = kept_pattern(moved, cache=cache, unit="mm")
    assert cache.taken == ("pattern", "pattern")
    assert third == replace(third, path=moved)
    assert same(replace(third, path=first.path), first)


def test_a_pattern_is_read_again_when_anything_changes(tmp_path: Path) -> None:
    file = zoo_files.write_stl(tmp_path / "ring.stl", zoo.torus(300, 60, 48, 24))
    cache = open_cache(tmp_path)
    kept_pattern(file, cache=cache, unit="mm")
    assert kept_pattern(file, cache=cache, unit="cm").size_mm[0] == pytest.approx(7200.0, rel=1e-3)
    assert kept_pattern(file, cache=cache, height_mm=900.0).up == "+z"
    assert kept_pattern(file, cache=cache, height_mm=900.0, up="+y", front="+x").up == "+y"
    zoo_files.write_stl(file, zoo.torus(200, 60, 48, 24))
    assert kept_pattern(file, cache=cache, unit="mm").size_mm[0] == pytest.approx(520.0, rel=1e-3)
    assert cache.taken == ()


def test_a_mesh_with_a_second_file_is_read_every_time(tmp_path: Path) -> None:
    header, binary = zoo_files.gltf_parts(zoo.box(2.0, 3.0, 4.0))
    header["buffers"] = [{"byteLength": len(binary), "uri": "points.bin"}]
    (tmp_path / "box.gltf").write_text(json.dumps(header))
    (tmp_path / "points.bin").write_bytes(binary)
    cache = open_cache(tmp_path)
    for _ in range(2):
        kept_pattern(tmp_path / "box.gltf", cache=cache)
    assert cache.taken == ()
    assert cache.usage().entries == 0


def test_a_missing_pattern_is_told_of_as_ever(tmp_path: Path) -> None:
    with pytest.raises(PatternError, match=r"gone\.stl"):
        kept_pattern(tmp_path / "gone.stl", cache=open_cache(tmp_path), unit="mm")


def told(plan: Plan) -> str:
    """Return what is written of a plan, without the time."""
    document = plan_document(plan)
    del document["job"]["made"]
    return json.dumps(document, ensure_ascii=False)


class _Watched:
    """A pattern that remembers what is read of it while a stage computes."""

    def __init__(self, pattern: Pattern) -> None:
        self.pattern, self.on, self.read = pattern, False, set[str]()

    def __getattr__(self, name: str) -> Any:
        if self.on:
            self.read.add(name)
        return getattr(self.pattern, name)


class _Watching(Cache):
    """A cache that has a pattern watched while it computes."""

    def __init__(self, folder: Path, watched: _Watched) -> None:
        super().__init__(folder)
        self.watched = watched
        self.computed: list[str] = []

    def stage(
        self, name: str, parts: Any, compute: Callable[[], Any], *, keep: Callable[[Any], bool] | None = None
    ) -> Any:
        def observed() -> Any:
            self.computed.append(name)
            self.watched.on = name != "mould"  # moulds are given a half and no pattern
            try:
                return compute()
            finally:
                self.watched.on = False

        return super().stage(name, parts, observed, keep=keep)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plan, _Watching]:
    """Plan the lump once, every result kept, and give the folder, the plan and what was watched."""
    folder = tmp_path_factory.mktemp("kept-plan")
    watched = _Watched(lump())
    cache = _Watching(folder / "stages", watched)
    plan = plan_job(watched, shop_settings(), plane=CUT, others=OTHERS, cache=cache)  # type: ignore[arg-type] # stands for a pattern
    return folder, replace(plan, pattern=watched.pattern), cache


def again_planned(cache: Cache, **changed: float | str) -> Plan:
    """Plan the lump again."""
    return plan_job(lump(), shop_settings(**changed), plane=CUT, others=OTHERS, cache=cache)


def test_a_plan_from_kept_stages_is_the_same_to_the_last_bit(kept: tuple[Path, Plan, _Watching]) -> None:
    folder, plan, first = kept
    cache = open_cache(folder)
    second = again_planned(cache)
    assert sorted(cache.taken) == sorted(first.computed) == ["halves", "mould", "mould", "others"]
    assert cache.notes == ()
    assert told(second) == told(plan)
    for name in ("plane", "splits", "seam_mm", "locked_mm3", "halves", "moulds", "findings", "datums"):
        assert same(getattr(second, name), getattr(plan, name)), name


class _Reached(Exception):  # noqa: N818 - no fault: it ends a plan early
    """A mould was about to be computed."""


@pytest.mark.parametrize("part", ["value", "origin", "unit"])
def test_a_changed_setting_computes_the_moulds_alone(
    kept: tuple[Path, Plan, _Watching], monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    def reached(*_: object, **__: object) -> None:
        raise _Reached

    folder, plan, _ = kept
    by_name = dict(plan.settings)
    by_name["mould.skin_mm"] = replace(
        by_name["mould.skin_mm"], **{part: 9.5 if part == "value" else "another"}
    )
    monkeypatch.setattr("moldplan.plan.plan_mould", reached)
    cache = open_cache(folder)
    with pytest.raises(_Reached, match=r"^$"):
        plan_job(lump(), Settings(MappingProxyType(by_name)), plane=CUT, others=OTHERS, cache=cache)
    assert cache.taken == ("halves", "others")


def test_another_cut_of_the_same_pattern_takes_nothing(
    kept: tuple[Path, Plan, _Watching], monkeypatch: pytest.MonkeyPatch
) -> None:
    def reached(*_: object, **__: object) -> None:
        raise _Reached

    monkeypatch.setattr("moldplan.plan.cut", reached)
    for pattern, plane in ((lump(), replace(CUT, offset_mm=10.5)), (replace(lump(), front="+x"), CUT)):
        cache = open_cache(kept[0])
        with pytest.raises(_Reached, match=r"^$"):
            plan_job(pattern, shop_settings(), plane=plane, others=OTHERS, cache=cache)
        assert cache.taken == ()


def test_stages_read_nothing_of_the_pattern_that_their_key_lacks(kept: tuple[Path, Plan, _Watching]) -> None:
    _, _, cache = kept
    assert {"vertices", "faces"} <= cache.watched.read
    in_key = {"vertices", "faces", "up", "front", "volume_mm3", "size_mm"}
    assert cache.watched.read <= {*in_key, "name"}  # the name is for errors, and these are not kept
