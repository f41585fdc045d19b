"""Which libraries does an optional part need beside the base installation, and what installs them?"""

from __future__ import annotations

from importlib.util import find_spec

from diagnose.cannot_use import CannotUse

# extra of pyproject.toml -> what it installs
EXTRAS = {
    "app": ("altair", "streamlit"),
    "gis": ("geopandas", "pyogrio", "rasterio"),
    "lock": ("cryptography",),
    "login": ("authlib", "httpx"),
    "many": ("distributed",),
    "server": ("psycopg[binary]",),
    "train": ("jax", "onnx"),
}


def lacking(extra: str, what: str) -> CannotUse:
    """The refusal to raise where a library of an extra is not installed: what needs it, and the command that installs it.

    Parameters
    ----------
    extra
        Of EXTRAS [no unit].
    what
        That was asked for, as the sentence begins, e.g. "a login" [no unit].

    Examples
    --------
    >>> print(lacking("gis", "a GeoDataFrame"))
    a GeoDataFrame needs more than the base installation: pip install geopandas pyogrio rasterio
    """
    named = " ".join(f'"{library}"' if "[" in library else library for library in EXTRAS[extra])
    return CannotUse(f"{what} needs more than the base installation: pip install {named}")


def need(extra: str, what: str) -> None:
    """Refuses before long work begins, or another process, where a library of an extra is not installed.

    Parameters
    ----------
    extra
        Of EXTRAS [no unit].
    what
        That was asked for, as the sentence begins [no unit].

    Raises
    ------
    CannotUse
        As `lacking` says it.
    """
    if any(find_spec(library.partition("[")[0]) is None for library in EXTRAS[extra]):
        raise lacking(extra, what)
