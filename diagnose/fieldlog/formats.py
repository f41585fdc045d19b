"""Which function writes a file of this name?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.darwin_core import write_archive
from diagnose.fieldlog.data_package import DESCRIPTOR, write_data_package
from diagnose.fieldlog.exchange import Rows, write_csv, write_geojson, write_gpx
from diagnose.fieldlog.geopackage import write_geopackage


def writer(name: str) -> Callable[[Rows, str | Path], Path]:
    """The function that writes files of this name.

    They end with .csv, .geojson, .gpkg, .gpx or .zip (Darwin Core archive), or are called datapackage.json.

    Parameters
    ----------
    name
        Of the file that is written [no unit].

    Raises
    ------
    CannotUse
        For another ending.
    """
    known: dict[str, Callable[[Rows, str | Path], Path]] = {
        ".csv": write_csv, ".geojson": write_geojson, ".json": write_geojson, ".gpkg": write_geopackage,
        ".gpx": write_gpx, ".zip": write_archive,
    }
    if Path(name).name == DESCRIPTOR:
        return write_data_package
    if (ending := Path(name).suffix.lower()) not in known:
        raise CannotUse(f"'{name}' must end with one of {', '.join(known)}, or be {DESCRIPTOR}")
    return known[ending]
