"""How are the outlines of countries, their parts and islands kept in one small file?"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import shapely

FOLDER = Path(__file__).parent
STEP = 0.001  # coordinates are kept in whole steps of this [degree], about 100 m; finer than the outlines are


@dataclass(frozen=True)
class Outlines:
    """Pieces of land, the largest first, and the parts of some countries.

    Parameters
    ----------
    countries, islands
        For each piece of land its ISO 3166-1 code and the code of the island it belongs to ('' for none) [no unit].
    land, parts
        The pieces, and the parts, as polygons, x being the longitude [degree].
    part_codes
        ISO 3166-2 codes [no unit].
    """

    countries: list[str]
    islands: list[str]
    land: list[Any]
    part_codes: list[str]
    parts: list[Any]


def save(outlines: Outlines) -> None:
    """Write the outlines into the package.

    Parameters
    ----------
    outlines
        Land and parts with their codes [degree].
    """
    kept: dict[str, Any] = {
        "countries": np.array(outlines.countries), "islands": np.array(outlines.islands),
        "part_codes": np.array(outlines.part_codes),
    }
    for name, shapes in (("land", outlines.land), ("parts", outlines.parts)):
        many = [shapely.MultiPolygon(polygons(shape)) for shape in shapes]
        _, coordinates, offsets = shapely.to_ragged_array(many)
        steps = np.rint(coordinates / STEP).astype(np.int32)
        kept[f"{name}_steps"] = np.diff(steps, axis=0, prepend=np.zeros((1, 2), np.int32)).T
        for level, values in enumerate(offsets):
            kept[f"{name}_offsets_{level}"] = values.astype(np.int32)
    # as numpy.savez_compressed writes it, a twelfth smaller
    with zipfile.ZipFile(FOLDER / "outlines.npz", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        for name, values in kept.items():
            with file.open(f"{name}.npy", "w", force_zip64=True) as one:
                np.lib.format.write_array(one, values)


def polygons(shape: Any) -> list[Any]:
    """The polygons that a shape consists of; lines and points in it are left out.

    Parameters
    ----------
    shape
        A polygon, or several [degree].
    """
    return [one for one in shapely.get_parts(shapely.get_parts(shape)) if one.geom_type == "Polygon"]


@cache
def outlines() -> Outlines:
    """The outlines of the package; read once, so they are not to be changed."""
    with (files("diagnose.places") / "outlines.npz").open("rb") as file, np.load(file) as kept:
        shapes = {}
        for name in ("land", "parts"):
            coordinates = np.cumsum(kept[f"{name}_steps"].T, axis=0) * STEP
            offsets = tuple(kept[f"{name}_offsets_{level}"] for level in range(3))
            shapes[name] = shapely.from_ragged_array(shapely.GeometryType.MULTIPOLYGON, coordinates, offsets)
        return Outlines(list(map(str, kept["countries"])), list(map(str, kept["islands"])), list(shapes["land"]),
                        list(map(str, kept["part_codes"])), list(shapes["parts"]))
