"""Damaged files by the thousand: how they are made, and a child process that reads them under limits.

Run as a script it is that child: it makes the files numbered START to STOP, reads each, and prints a JSON
line before and after, so that the parent knows which file it died of. `run` is the parent.
"""

import base64
import contextlib
import copy
import io
import json
import random
import re
import signal
import struct
import subprocess
import sys
import tempfile
import time
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import zoo
from zoo_files import WRITERS, glb_bytes, gltf_parts, write_ply

from moldplan.errors import MoldplanError
from moldplan.release import package_version

#: Of computing, and by the clock: a file that makes us wait (a pipe) takes no computing.
SECONDS = 10
CLOCK_SECONDS = 90
BYTES = 4 * 1024**3
#: A pattern of a fuzzed file may have so many triangles; the seeds have a few dozen.
#: Cells along the longest side where a surface is made anew: a broken mesh is mended in a tenth of a second.
CELLS = 48
MOST_BYTES, MOST_TRIANGLES = 64 * 1024**2, 100_000
LONGEST_MESSAGE = 700
ODD_NAMES = (
    "two\nlines",
    "red \x1b[31m",
    "turned \u202e lts",
    "owl \U0001f989",
    "x" * 240,
    'it\'s "quoted" <b>&amp;',
    "\u2028",
    "%s{0}$HOME`id`",
    "-o",
    "trailing ",
)
EXTREMES = (
    "nan",
    "inf",
    "-inf",
    "1e999",
    "-1e999",
    "1e308",
    "5e-324",
    "-0.0",
    "-1",
    "0",
    "1",
    "3",
    "255",
    "65536",
    "2147483647",
    "2147483648",
    "4294967295",
    "-2147483649",
    "99999999999",
    "9223372036854775808",
    "1" * 60,
    "1_0",
    "0x10",
    "1.5.5",
    "",
    "x",
    "\u00a0",
    "\u0661",
)
SHORT_JOB = b"""title = "Owl"
pattern = "owl.stl"
height = "1.5 m"
up = "+z"
front = "-y"
cut = "0,1,0@0"
[set.mould]
skin_mm = "9 mm"
[wishes]
pull = "front"
within = "10 deg"
[[keep_clean]]
name = "face"
box = ["-120,-300,250", "120,-100,600"]
"""
WORDS = (
    b"\xff\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x00\x00\x00\x80",
    b"\0\0\0\0",
    b"\x01\0\0\0",
    b"\0\0\xc0\x7f",
    b"\0\0\x80\x7f",
    b"\0\0\0\x10",
    b"\x7f\x7f\x7f\x7f",
)
JUNK: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    1.5,
    10**30,
    1e308,
    "",
    "x",
    "\0",
    "\u202e",
    [],
    {},
    [[]],
    [0],
    {"a": 1},
    "../x",
    "file:///etc/passwd",
    "x" * 5000,
    [1, 2, 3],
    [None] * 50,
    2**31,
    2**63,
    "NaN",
)


# --- files to begin with ----------------------------------------------------------------------------------


def sound_files(folder: Path) -> dict[str, bytes]:
    """Return one small sound file of every kind that is read, by its kind."""
    from moldplan.cards import card_text  # noqa: PLC0415 - as in `read`
    from moldplan.job import new_job  # noqa: PLC0415

    mesh = zoo.frustum(6.0, 4.0, 5.0, 5)
    found = {kind: write(folder / f"sound.{kind}", mesh).read_bytes() for kind, write in WRITERS.items()}
    found["flt.ply"] = write_ply(folder / "float.ply", mesh, "float").read_bytes()
    header, binary = gltf_parts(mesh)
    header["buffers"] = [
        {"uri": "data:;base64," + base64.b64encode(binary).decode(), "byteLength": len(binary)}
    ]
    found["gltf"] = json.dumps(header).encode()
    template = new_job(folder / "job").read_text(encoding="utf-8")
    lines = [re.sub(r"^# (?=[\w\[]+.* = |\[\[)", "", line) for line in template.split("\n")]
    found["job.toml"] = "\n".join(lines).encode()
    found["short.job.toml"] = SHORT_JOB
    for name in ("silicone-addition", "glass-jacket"):
        found[f"{name}.card.toml"] = card_text(name).encode()
    found["split.json"] = json.dumps(ranking()).encode()
    return found


def ranking() -> dict[str, Any]:
    """Return the least of a ranking that an answer can be taken from."""
    answers = [
        {"number": k, "normal": [0.0, 1.0, 0.0], "offset_mm": 2.0 * k, "measures": {"undercut_l": 0.5 * k}}
        for k in (1, 2, 3)
    ]
    pattern = {"sha256": "0" * 64, "size_mm": [10.0, 20.0, 30.0], "up": "+z", "front": "-y"}
    return {"moldplan": package_version(), "pattern": pattern, "answers": answers}


# --- damage -----------------------------------------------------------------------------------------------


def damaged(number: int, sound: dict[str, bytes]) -> tuple[str, str, bytes]:
    """Return kind, file name without ending and content of damaged file `number`; always the same."""
    dice = random.Random(number)
    kinds = list(sound)
    kind = kinds[number % len(kinds)]
    content = sound[kind]
    for _ in range(dice.choice((1, 1, 1, 2, 3, 5))):
        blunt = [flip, cut, double, words, numbers, splice_of(sound, kind)]
        fitting = list(BY_KIND.get(kind, ()))
        ways = fitting if fitting and dice.random() < 0.7 else blunt
        content = dice.choice(ways)(content, dice) or b"\0"
    name = dice.choice(ODD_NAMES) if number % 20 == 7 else f"damaged {number}"
    return kind, name, content[:2_000_000]


def flip(content: bytes, dice: random.Random) -> bytes:
    """Change single bytes."""
    body = bytearray(content)
    letters = b" \t\n#\\/\"'[]{}=,.:-+0123456789eExyzvf\0\x1b" if content.isascii() else bytes(range(256))
    for _ in range(dice.randint(1, 6)):
        body[dice.randrange(len(body))] = dice.choice(letters)
    return bytes(body)


def cut(content: bytes, dice: random.Random) -> bytes:
    """Cut a piece out, or the end off."""
    start = dice.randrange(len(content))
    stop = len(content) if dice.random() < 0.4 else start + dice.randint(1, 40)
    return content[:start] + content[stop:]


def double(content: bytes, dice: random.Random) -> bytes:
    """Say a piece again, once or many times."""
    start = dice.randrange(len(content))
    piece = content[start : start + dice.randint(1, 60)]
    return content[:start] + piece * dice.choice((2, 3, 1000)) + content[start:]


def words(content: bytes, dice: random.Random) -> bytes:
    """Put extreme numbers of four bytes in, as counts and places have."""
    body = bytearray(content)
    for _ in range(dice.randint(1, 3)):
        place = dice.randrange(len(body))
        place -= place % 4 if dice.random() < 0.7 else 0
        body[place : place + 4] = dice.choice(WORDS)
    return bytes(body)


def numbers(content: bytes, dice: random.Random) -> bytes:
    """Put extreme numbers in the place of written ones."""
    found = list(re.finditer(rb"[-+]?\d[\d.e+-]*", content))[:2000]
    for match in sorted(
        dice.sample(found, min(len(found), dice.randint(1, 4))), key=lambda one: -one.start()
    ):
        content = content[: match.start()] + dice.choice(EXTREMES).encode() + content[match.end() :]
    return content


def splice_of(sound: dict[str, bytes], kind: str) -> Callable[[bytes, random.Random], bytes]:
    """Return a way to join the beginning of one file to the end of another, of its own kind or not."""

    def splice(content: bytes, dice: random.Random) -> bytes:
        other = sound[dice.choice([kind, *sound])]
        return content[: dice.randrange(len(content))] + other[dice.randrange(len(other)) :]

    return splice


def lines(content: bytes, dice: random.Random) -> bytes:
    """Drop, double, swap or carry on lines."""
    rows = content.split(b"\n")
    first, second = dice.randrange(len(rows)), dice.randrange(len(rows))
    way = dice.randrange(5)
    if way == 0:
        del rows[first]
    elif way == 1:
        rows.insert(second, rows[first])
    elif way == 2:
        rows[first], rows[second] = rows[second], rows[first]
    elif way == 3:
        rows[first : first + 1] = [rows[first]] * dice.choice((2, 500))
    else:
        rows[first] += b" " + rows[second]
    ending = dice.choice((b"\n", b"\n", b"\n", b"\r\n", b"\r"))
    return ending.join(rows)


def header_words(content: bytes, dice: random.Random) -> bytes:
    """Take words of a PLY header for others."""
    known = (
        b"list",
        b"uchar",
        b"char",
        b"int",
        b"uint",
        b"float",
        b"double",
        b"short",
        b"x",
        b"vertex",
        b"face",
        b"tristrips",
        b"property",
        b"element",
        b"ascii",
        b"binary_big_endian",
        b"binary_little_endian",
        b"vertex_indices",
    )
    head, end, body = content.partition(b"end_header")
    found = list(re.finditer(rb"[a-z_]+", head))
    if not found:
        return content
    match = dice.choice(found)
    return head[: match.start()] + dice.choice(known) + head[match.end() :] + end + body


def values(content: bytes, dice: random.Random) -> bytes:
    """Put other things in the place of TOML values and names."""
    rows = content.split(b"\n")
    places = [k for k, row in enumerate(rows) if b" = " in row and not row.startswith(b"#")] or [0]
    k = dice.choice(places)
    name, sign, value = rows[k].partition(b" = ")
    junk = (
        b"[]",
        b"{}",
        b"true",
        b"nan",
        b"-inf",
        b"1e400",
        b"9" * 5000,
        b"1979-05-27",
        b"[[[[]]]]",
        b'"\\u202e\\n"',
        b'""',
        b"{a.b.c.d = 1}",
        b"'''\n[x]\n'''",
        b'"' + b"x" * 5000 + b'"',
        b'"1,5 m"',
        b'"-1 mm"',
        b'"1e308 ft"',
        b"[" * 3000,
        b"99999999999999999999",
        b"0x_1",
        b"\xff",
        b'"\\ud800"',
        value[:3],
        value + value,
    )
    if dice.random() < 0.8:
        rows[k] = name + sign + dice.choice(junk)
    else:
        odd = (
            b"a." * 40 + b"b",
            b'""',
            b'"\\u202e"',
            name + b"." + name,
            b"value",
            b"x" * 3000,
            b"cards",
            b"set",
        )
        rows[k] = dice.choice(odd) + sign + value
    return b"\n".join(rows)


def tree(content: bytes, dice: random.Random) -> bytes:
    """Drop, double, re-type and nest what a JSON text holds."""
    try:
        document = json.loads(content)
        for _ in range(dice.randint(1, 3)):
            document = _changed(document, dice)
        text = json.dumps(document)
    except (ValueError, RecursionError):  # damaged or nested before
        return flip(content, dice)
    return (text.replace("0", "1e999", 1) if dice.random() < 0.05 else text).encode()


def _changed(document: Any, dice: random.Random) -> Any:
    """Change one thing somewhere in a JSON value."""
    if isinstance(document, dict | list) and document and dice.random() < 0.85:
        key = dice.choice(list(document)) if isinstance(document, dict) else dice.randrange(len(document))
        way = dice.random()
        if way < 0.1:
            del document[key]
        elif way < 0.15 and isinstance(document, list):
            document.extend(copy.deepcopy(document[key]) for _ in range(dice.choice((1, 300))))
        elif way < 0.2 and isinstance(document, dict):
            document[dice.choice(("x", "", "sparse", "uri", "matrix", "children", "mode"))] = dice.choice(
                JUNK
            )
        else:
            document[key] = _changed(document[key], dice)
        return document
    if dice.random() < 0.03:
        nested: Any = document
        for _ in range(dice.choice((10, 500))):
            nested = [nested]
        return nested
    if isinstance(document, int | float) and dice.random() < 0.6:
        return dice.choice((-1, 0, 1, 2, 7, document + 1, document * 2, 2**31, 2**62, 0.5, -document))
    return copy.deepcopy(dice.choice(JUNK))


def glb_header(content: bytes, dice: random.Random) -> bytes:
    """Change the header of a GLB and pack it again."""
    try:
        size = struct.unpack_from("<I", content, 12)[0]
        changed = tree(content[20 : 20 + size], dice)
        return glb_bytes(json.loads(changed), content[28 + size :])
    except (struct.error, ValueError, RecursionError):
        return words(content, dice)


def packed(content: bytes, dice: random.Random) -> bytes:
    """Change the XML in a 3MF, or its list of files, and pack it again."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        name = dice.choice(list(files))
        files[name] = dice.choice((markup, markup, markup, numbers, flip, cut, double))(files[name], dice)
        names = {one: one for one in files}
        if dice.random() < 0.15:
            odd = (
                "../x.model",
                "/3D/x.model",
                "C:\\x.model",
                "3D/body.model\0x",
                "3d/BODY.model",
                "a/./b.model",
            )
            names[name] = dice.choice(odd)
        out = io.BytesIO()
        packing = dice.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))
        with warnings.catch_warnings(), zipfile.ZipFile(out, "w", packing) as archive:
            warnings.simplefilter("ignore")  # names that are there twice are meant to be
            for one, body in files.items():
                archive.writestr(names[one], body)
        return out.getvalue()
    except (
        zipfile.BadZipFile,
        ValueError,
        OSError,
        KeyError,
        NotImplementedError,
        RuntimeError,
        EOFError,
        zipfile.zlib.error,
    ):
        return flip(content, dice)


def markup(content: bytes, dice: random.Random) -> bytes:
    """Drop, double or nest elements and attributes of an XML text."""
    found = list(re.finditer(rb"<[^>]*>" if dice.random() < 0.6 else rb'\w+="[^"]*"', content))[:500]
    if not found:
        return flip(content, dice)
    match = dice.choice(found)
    piece = match[0]
    entity = b"<!DOCTYPE x [<!ENTITY a 'aaaaaaaa'><!ENTITY b '&a;&a;&a;'>]>"
    said = dice.choice(
        (
            b"",
            piece * 2,
            piece * 2000,
            b"<a>" * dice.choice((3, 300)),
            b"&b;",
            piece.replace(b'"', b"'"),
            b"<x:y/>",
            b"\0",
            b"<![CDATA[x]]>",
            b'id="1" id="1"',
            b"<!-- -- -->",
            b'transform="1 0 0"',
        )
    )
    changed = content[: match.start()] + said + content[match.end() :]
    return entity + changed if dice.random() < 0.05 else changed


BY_KIND: dict[str, tuple[Callable[[bytes, random.Random], bytes], ...]] = {
    "txt.stl": (lines, numbers),
    "bin.ply": (header_words, lines, numbers),
    "flt.ply": (header_words, words),
    "txt.ply": (header_words, lines, numbers),
    "obj": (lines, numbers),
    "off": (lines, numbers),
    "3mf": (packed, packed),
    "glb": (glb_header, glb_header),
    "gltf": (tree, tree),
    "job.toml": (values, lines),
    "short.job.toml": (values, lines),
    "silicone-addition.card.toml": (values, lines),
    "glass-jacket.card.toml": (values, lines),
    "split.json": (tree, tree),
}


# --- reading ----------------------------------------------------------------------------------------------


def read(kind: str, folder: Path, name: str, content: bytes, *, mend: bool = True) -> None:
    """Write a file into `folder` and read it as moldplan does; refusals come through."""
    from moldplan.cards import resolve_settings  # noqa: PLC0415 - a child that is only watched starts quickly
    from moldplan.chosen import read_chosen  # noqa: PLC0415
    from moldplan.job import read_job  # noqa: PLC0415
    from moldplan.pattern import Limits, Mending, survey_file  # noqa: PLC0415
    from moldplan.pattern.read import read_mesh  # noqa: PLC0415

    if kind.endswith("job.toml"):
        path = folder / f"{name}.toml"
        path.write_bytes(content)
        resolve_settings(job=read_job(path))
    elif kind.endswith("card.toml"):
        path = folder / "cards" / f"{name}.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
        resolve_settings(cards_dir=path.parent)
    elif kind == "split.json":
        path = folder / f"{name}.json"
        path.write_bytes(content)
        read_chosen(path, 2)
    else:
        path = folder / f"{name}.{kind.rpartition('.')[2]}"
        path.write_bytes(content)
        if mend:
            limits = Limits(bytes=MOST_BYTES, triangles=MOST_TRIANGLES)
            survey_file(path, limits=limits, mending=Mending(cells=CELLS))
        else:
            read_mesh(path, limits=Limits(bytes=MOST_BYTES, triangles=MOST_TRIANGLES))


def verdict(kind: str, folder: Path, name: str, content: bytes) -> tuple[str, str]:
    """Return how reading a file ended: read, refused, badly refused or crashed; and what was said."""
    try:
        read(kind, folder, name, content)
    except MoldplanError as error:
        said = str(error)
        plain = said.isprintable() and 0 < len(said) <= LONGEST_MESSAGE
        named = name in ODD_NAMES or name in said
        return ("refused" if plain and named else "badly refused"), said
    except Exception as error:  # noqa: BLE001 - this is what is looked for
        return "crashed", f"{type(error).__name__}: {error}"
    finally:
        for path in (*folder.glob("*"), *(folder / "cards").glob("*")):
            if path.is_file():
                path.unlink()
    return "read", ""


def warm(folder: Path) -> None:
    """Have the compiled parts ready: compiling takes longer than any file may."""
    points, faces = zoo.sphere(6.0, 2)
    broken = np.concatenate([faces[::2], faces[1::6, ::-1]])
    crossing = np.concatenate([faces, faces + len(points)]), np.concatenate([points, points + 3.0])
    meshes = ((points, faces), (points, faces[3:]), (points, broken), (crossing[1], crossing[0]))
    for number, mesh in enumerate(meshes):
        with contextlib.suppress(MoldplanError):
            read("bin.ply", folder, "warm", write_ply(folder / f"warm{number}.ply", mesh).read_bytes())


def child(start: int, stop: int, folder: Path) -> None:
    """Make and read the files numbered `start` to `stop` under limits, telling of each."""
    import resource  # noqa: PLC0415 - there is none on Windows

    folder = Path(tempfile.mkdtemp(dir=folder))
    sound = sound_files(folder)
    (folder / "one").mkdir()
    resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warm(folder / "one")
    for sign in (signal.SIGALRM, signal.SIGPROF):
        signal.signal(sign, signal.SIG_DFL)  # ends the process wherever it is
    for number in range(start, stop):
        kind, name, content = damaged(number, sound)
        tell(number=number, kind=kind)
        signal.alarm(CLOCK_SECONDS)
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        began = time.process_time()
        ended, said = verdict(kind, folder / "one", name, content)
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        took = time.process_time() - began
        tell(number=number, kind=kind, ended=ended, said=said.replace(name, "NAME"), seconds=took)


def tell(**fields: Any) -> None:
    """Tell the parent."""
    sys.stdout.write(json.dumps(fields) + "\n")
    sys.stdout.flush()


# --- the parent -------------------------------------------------------------------------------------------


@dataclass
class Tally:
    """What came of many files."""

    ended: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By kind and how it ended."""
    reasons: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By kind and what was said, numbers and names left out."""
    faults: list[str] = field(default_factory=list)
    slowest: tuple[float, int, str] = (0.0, -1, "")

    def lines(self) -> Iterator[str]:
        """Walk over the counts in words."""
        kinds = sorted({kind for kind, _ in self.ended})
        for kind in kinds:
            counts = ", ".join(
                f"{ended} {count}" for (one, ended), count in sorted(self.ended.items()) if one == kind
            )
            yield f"{kind}: {counts}"
            for (one, why), count in self.reasons.most_common():
                if one == kind:
                    yield f"    {count:5d}  {why}"
        yield f"slowest: {self.slowest[0]:.1f} s, file {self.slowest[1]} ({self.slowest[2]})"


def run(start: int, stop: int, folder: Path, *, script: Path = Path(__file__)) -> Tally:
    """Read the files numbered `start` to `stop` in child processes; a new one follows each that dies."""
    tally = Tally()
    noise = folder / "noise.txt"
    at = start
    while at < stop:
        command = [sys.executable, str(script), str(at), str(stop), str(folder)]
        flying: dict[str, Any] | None = None
        with (
            noise.open("wb") as aside,  # a pipe that nobody empties would stop the child
            subprocess.Popen(command, stdout=subprocess.PIPE, stderr=aside, text=True) as process,
        ):
            assert process.stdout is not None
            for line in process.stdout:
                told = json.loads(line)
                flying = None if "ended" in told else told
                if flying is None:
                    _note(tally, told)
                    at = told["number"] + 1
        said = noise.read_text(errors="replace")[-500:]
        if at < stop and flying is None:
            raise AssertionError(f"the child ended before file {at}: {said}")
        if flying is not None:
            hung = process.returncode in (-signal.SIGALRM, -signal.SIGPROF)
            ended = f"took over {SECONDS} s" if hung else f"died ({process.returncode})"
            _note(tally, {**flying, "ended": ended, "said": said, "seconds": float(SECONDS)})
            at = flying["number"] + 1
    return tally


def _note(tally: Tally, told: dict[str, Any]) -> None:
    """Count what came of one file."""
    kind, ended, said = told["kind"], told["ended"], told["said"]
    tally.ended[kind, ended] += 1
    if ended not in ("read", "refused"):
        tally.faults.append(f"file {told['number']} ({kind}): {ended}: {said}")
    elif said:
        tally.reasons[kind, reason(said)] += 1
    tally.slowest = max(tally.slowest, (told["seconds"], told["number"], kind))


def reason(said: str) -> str:
    """Return a message with its numbers, names and quoted words left out."""
    plain = re.sub(r"NAME(\.\w+)*(, line \d+)?:?", "", said)
    plain = re.sub(r"'[^']*'|\"[^\"]*\"|b'[^']*'", "'.'", plain)
    return re.sub(r"[-+]?\d[\d.e+-]*", "0", plain).strip()[:70]


if __name__ == "__main__":
    child(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
