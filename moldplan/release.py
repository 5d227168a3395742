"""Which moldplan this is."""

from importlib.metadata import PackageNotFoundError, version


def package_version() -> str:
    """Return the version of moldplan that is running."""
    try:
        return version("moldplan")
    except PackageNotFoundError:  # run from a folder that was never installed
        return "0+unknown"
