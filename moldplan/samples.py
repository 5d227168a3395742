"""Where the shipped sample meshes lie: inside the installed package, or beside it in a checkout."""

from pathlib import Path

from moldplan.errors import InputError


def sample_path(name: str) -> Path:
    """Return the path of the sample mesh called `name`.

    Raises
    ------
    InputError
        When this installation came without it.
    """
    here = Path(__file__).parent
    for folder in (here / "sample_meshes", here.parent / "sample_meshes"):
        if (folder / name).is_file():
            return folder / name
    raise InputError(f"{name}: this installation came without the sample meshes: install moldplan again")
