"""Coverage-guided fuzzing of one reader (Linux only): KIND CORPUS RUNS, with the corpus folder filled before.

Every input is read in this process. A refusal is fine; anything else that is raised, an input that takes over
10 s or more than 4 GB ends the process with a report, and leaves the input beside the corpus.
"""

import importlib
import pkgutil
import sys
import tempfile
from pathlib import Path

import atheris

import moldplan.columns

for module in pkgutil.iter_modules(moldplan.columns.__path__):  # compiled, which what watches would break
    importlib.import_module(f"moldplan.columns.{module.name}")

with atheris.instrument_imports(
    include=[
        "moldplan.pattern",
        "moldplan.cards",
        "moldplan.job",
        "moldplan.wishfile",
        "moldplan.chosen",
        "tomllib",
    ]
):
    from moldplan import chosen, job  # noqa: F401 - imported here so that they are watched
    from moldplan.cards import lines  # noqa: F401
    from moldplan.pattern import read  # noqa: F401

import fuzzing  # noqa: E402 - after what is watched

from moldplan.errors import MoldplanError  # noqa: E402 - the same


def main() -> None:
    """Read what the fuzzer thinks up, as many times as asked for."""
    kind, corpus, runs = sys.argv[1], Path(sys.argv[2]), sys.argv[3]
    folder = Path(tempfile.mkdtemp(dir=corpus.parent))

    def one(content: bytes) -> None:
        try:
            fuzzing.read(kind, folder, "fuzzed", content, mend=False)
        except MoldplanError as error:
            said = str(error)
            if not (said.isprintable() and "fuzzed" in said and len(said) <= fuzzing.LONGEST_MESSAGE):
                raise AssertionError(f"refused badly: {said!r}") from error

    limits = [
        f"-timeout={fuzzing.SECONDS}",
        f"-rss_limit_mb={fuzzing.BYTES >> 20}",
        "-max_len=20000",
        "-seed=1",
    ]
    quiet = ["-verbosity=0", f"-artifact_prefix={corpus.parent}/found-", "-print_final_stats=1"]
    atheris.Setup([sys.argv[0], str(corpus), f"-runs={runs}", *limits, *quiet], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
