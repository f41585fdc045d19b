"""Where does something stand, or was left behind, that would ruin a saw or a mower, and is it metal?"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.upkeep.fence import BUFFER_M, MARKS, UNNOTED_ERROR_M, _geopandas, keep_off_m, shapes_of
from diagnose.upkeep.rules import forms, known_form, trait
from diagnose.whole_file import beside, write_whole

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

_COLUMNS = ("id", "site", "plant", "label", "form", "material", "built", "removed", "left_behind", "lat", "lon", "error_m",
            "pieces", "embedded", "found", "note", "figures")
_KEPT = ("id", "site", "label", "form", "material", "state", "what", "metal", "error_m", "buffer_m", "keep_off_m", "pieces",
         "note")
_GPX = "http://www.topografix.com/GPX/1/1"


def metal(log: Log, site: str | None = None) -> pd.DataFrame:
    """Every wire, post and stake not yet removed, what was left behind of removed ones, and what is grown in.

    Parameters
    ----------
    log : Log
        The log whose barriers are listed [no unit].
    site : str or None
        Only this planting [no unit].

    Returns
    -------
    DataFrame
        A row a barrier, with `state` (standing, left behind, embedded), `what` is there, and whether that is `metal` (True,
        False, or None where nobody said). A removed barrier that left nothing is gone, unless it was grown in: that stays
        for good. So is a deleted record.
    """
    rows = log.records("barrier") if site is None else log.records("barrier", site=site)
    there = [told for row in rows.to_dict("records") if (told := _there(row)) is not None]
    return pd.DataFrame(there, columns=[*_COLUMNS, "state", "what", "metal"])


def _there(row: dict[str, Any]) -> dict[str, Any] | None:
    """The row with its state and what is there; None where nothing is."""
    gone, form = isinstance(row["removed"], str), known_form(row["form"])
    if not gone and not row["embedded"]:
        hard = str(trait(form, "hard") or "") or (row["material"] if is_metal("other", row["material"]) else "")
        return {**row, "state": "standing", "what": hard, "metal": is_metal(form, row["material"])} if hard else None
    state = "embedded" if row["embedded"] else "left behind"
    what = row["left_behind"] or (f"{row['form']} grown into the stem" if row["embedded"] else "")
    if not what:
        return None
    of = is_metal("other", what)  # what was left says more than what stood there
    return {**row, "state": state, "what": what, "metal": is_metal(form, row["material"]) if of is None else of}


def is_metal(form: str, material: str) -> bool | None:
    """Is what a saw or a mower can hit there metal?

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    material : str
        As somebody wrote it; it goes before what is usual of the form [no unit].

    Returns
    -------
    bool or None
        None where nobody said and the form may be of either.

    Examples
    --------
    >>> is_metal("cage", ""), is_metal("tree shelter", "oak stake"), is_metal("tree shelter", "steel stake")
    (True, False, True)
    >>> is_metal("fence", "cedar rails"), is_metal("tree shelter", "") is None
    (False, True)
    """
    said = material.lower()
    if any(re.search(rf"\b{word}", said) for word in forms()["of_metal"]):
        return True
    if any(re.search(rf"\b{word}", said) for word in forms()["not_metal"]):
        return False
    return True if trait(known_form(form), "metal") else None


def sort_of(is_of_metal: bool | None) -> str:
    """What a map calls a thing by its metal: `metal`, `no metal` or `perhaps metal`.

    Parameters
    ----------
    is_of_metal : bool or None
        As `is_metal` says [no unit].
    """
    return "perhaps metal" if is_of_metal is None or is_of_metal != is_of_metal else "metal" if is_of_metal else "no metal"


def write_metal(rows: pd.DataFrame, place: str | Path, buffer_m: float = BUFFER_M) -> Path:
    """Writes what stands and was left for the receiver of a mower or a saw crew; fences as lines.

    Parameters
    ----------
    rows : DataFrame
        Of `metal` [no unit].
    place : str or Path
        .gpx (GPX 1.1), .gpkg (GeoPackage) or .geojson (RFC 7946) [no unit].
    buffer_m : float
        To stay off, beyond the error of each place [m]. Buffer, error and their sum are written with each.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    CannotUse
        For another ending, and no buffer.
    """
    target, ending = Path(place), Path(place).suffix.lower()
    told = [(shape, _about(row, buffer_m)) for row in rows.to_dict("records") for shape in shapes_of(row, buffer_m)]
    if ending == ".gpx":
        write_whole(target, _as_gpx(told))
    elif ending in (".geojson", ".json"):
        features = [{"type": "Feature", "id": f"{about['id']}-{number}", "geometry": shape["geometry"],
                     "properties": {"kind": shape["kind"], **about}} for number, (shape, about) in enumerate(told)]
        write_whole(target, json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False,
                                       allow_nan=False).encode())
    elif ending == ".gpkg":
        _write_geopackage(told, target)
    else:
        raise CannotUse(f"'{target.name}' must end with .gpx, .geojson or .gpkg")
    return target


def _about(row: dict[str, Any], buffer_m: float) -> dict[str, Any]:
    """What is told of each shape of a barrier."""
    told = {**row, "label": row["label"] or row["plant"], "buffer_m": buffer_m,
            "keep_off_m": keep_off_m(row["error_m"], buffer_m), "metal": sort_of(row["metal"])}
    return {name: None if told[name] is None or told[name] != told[name] else told[name] for name in _KEPT}


def _as_gpx(told: list[tuple[dict[str, Any], dict[str, Any]]]) -> bytes:
    ElementTree.register_namespace("", _GPX)
    root = ElementTree.Element(f"{{{_GPX}}}gpx", version="1.1", creator="browse-diagnose")
    tracks = []
    for shape, about in told:
        geometry = shape["geometry"]
        if geometry is None or shape["kind"] == "keep off":
            continue
        if geometry["type"] == "Point":
            at = ElementTree.SubElement(root, f"{{{_GPX}}}wpt", _at(geometry["coordinates"]))
            _described(at, shape["kind"], about)
        else:
            track = ElementTree.Element(f"{{{_GPX}}}trk")
            _described(track, "fence", about)
            segment = ElementTree.SubElement(track, f"{{{_GPX}}}trkseg")
            for corner in geometry["coordinates"]:
                ElementTree.SubElement(segment, f"{{{_GPX}}}trkpt", _at(corner))
            tracks.append(track)
    root.extend(tracks)  # the schema has all waypoints before the tracks
    whole: bytes = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return whole


def _at(place: list[float]) -> dict[str, str]:
    lon, lat = place
    return {"lat": f"{lat:.7f}", "lon": f"{lon if lon < 180 else -180.0:.7f}"}  # the schema's longitudes end below 180


def _described(element: ElementTree.Element, kind: str, about: dict[str, Any]) -> None:
    what = about["what"] if kind in ("place", "fence") else kind
    own = kind if kind in MARKS else ""
    name = " ".join(part for part in (about["site"], about["label"] or about["form"], own) if part)
    error = f"place good to {about['error_m']:g} m" if about["error_m"] is not None else \
        f"nobody noted how well the place is known, {UNNOTED_ERROR_M:g} m are taken"
    off = f"keep {about['keep_off_m']:g} m off: {about['buffer_m']:g} m, and {error}"
    parts = (what, about["material"], off, about["note"])
    for tag, text in (("name", name), ("desc", "; ".join(part for part in parts if part)),
                      ("type", f"{about['metal'].upper()} {about['state']}")):
        ElementTree.SubElement(element, f"{{{_GPX}}}{tag}").text = "".join(
            sign for sign in text if sign in "\t\n\r" or 0x20 <= ord(sign) < 0xD800 or 0xE000 <= ord(sign) <= 0xFFFD
            or ord(sign) >= 0x10000)


def _write_geopackage(told: list[tuple[dict[str, Any], dict[str, Any]]], target: Path) -> None:
    """A layer a sort of shape: lines, points (places, gates and braces) and keep_off."""
    from shapely.geometry import shape as shape_of

    geopandas = _geopandas()
    layers = {"lines": ("fence",), "points": ("place", "gate", "brace"), "keep_off": ("keep off",)}
    with beside(target) as temporary:
        made = Path(f"{temporary}.gpkg")
        try:
            for layer, kinds in layers.items():
                some = [({"kind": shape["kind"], **about}, shape["geometry"]) for shape, about in told
                        if shape["kind"] in kinds and shape["geometry"] is not None]
                if not some and layer != "points":
                    continue
                frame = geopandas.GeoDataFrame(
                    pd.DataFrame([about for about, _ in some], columns=["kind", *_KEPT]),
                    geometry=[shape_of(geometry) for _, geometry in some], crs="EPSG:4326")
                frame.to_file(made, layer=layer, driver="GPKG", engine="pyogrio",
                              **({} if some else {"geometry_type": "Point"}))
            Path(temporary).write_bytes(made.read_bytes())
        finally:
            made.unlink(missing_ok=True)
