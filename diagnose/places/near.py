"""Which outlines lie within so many kilometres of a position, and where do they come nearest?"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import shapely.affinity

KM_A_DEGREE = 111.2  # of latitude, on a sphere of 6371 km


@dataclass(frozen=True)
class Near:
    """An outline near a position.

    Parameters
    ----------
    index
        Its own [no unit].
    km
        How far away it is [km].
    latitude, longitude
        Of its nearest point [degree].
    """

    index: int
    km: float
    latitude: float
    longitude: float


def within_reach(
    shapes: np.ndarray, tree: shapely.STRtree, latitude: float, longitude: float, reach_km: float
) -> list[Near]:
    """The outlines within reach of a position, the nearest first.

    Parameters
    ----------
    shapes : ndarray of object, shape (N,)
        Outlines, x being the longitude [degree].
    tree : shapely.STRtree
        Their index [no unit].
    latitude, longitude : float
        The position [degree].
    reach_km : float
        How far to look [km].

    Notes
    -----
    Within reach the earth is taken as flat, with degrees of longitude as long as they are at the position.
    """
    here = shapely.Point(0, 0)
    boxes = [shapely.box(*box) for box, _ in _windows(latitude, longitude, reach_km)]
    found = []
    for index in sorted({int(one) for box in boxes for one in tree.query(box)}):
        shape = flat(shapes[index], latitude, longitude, reach_km)
        if shape.is_empty or (km := float(shapely.distance(shape, here))) > reach_km:
            continue
        at = here if km == 0 else shapely.get_point(shapely.shortest_line(shape, here), 0)
        east = longitude + at.x / (KM_A_DEGREE * _narrowing(latitude))
        found.append(Near(index, km, min(90.0, max(-90.0, latitude + at.y / KM_A_DEGREE)), (east + 180) % 360 - 180))
    return sorted(found, key=lambda one: (one.km, one.index))


def flat(shape: Any, latitude: float, longitude: float, reach_km: float) -> Any:
    """What of an outline lies round a position, in km east and north of it.

    Parameters
    ----------
    shape
        An outline [degree].
    latitude
        Of the position, WGS 84 [degree].
    longitude
        Of the position, WGS 84 [degree].
    reach_km
        What lies within this is kept [km].
    """
    wide, high = KM_A_DEGREE * _narrowing(latitude), KM_A_DEGREE
    pieces = [shapely.affinity.affine_transform(piece, (wide, 0, 0, high, (shift - longitude) * wide, -latitude * high))
              for box, shift in _windows(latitude, longitude, reach_km)
              if not (piece := shapely.clip_by_rect(shape, *box)).is_empty]
    return pieces[0] if len(pieces) == 1 else shapely.union_all(pieces)


def _windows(
    latitude: float, longitude: float, reach_km: float
) -> Iterator[tuple[tuple[float, float, float, float], float]]:
    """West, south, east and north [degree] of what lies within reach, and how much to add to its longitudes.

    One window, and another beyond the line where longitudes start anew.
    """
    high = 1.01 * reach_km / KM_A_DEGREE
    wide = min(180.0, high / max(math.cos(math.radians(min(90.0, abs(latitude) + high))), 1e-9))
    for shift in (0.0, 360.0, -360.0):
        west, east = longitude - wide - shift, longitude + wide - shift
        if west <= 180 and east >= -180:
            yield (west, latitude - high, east, latitude + high), shift


def _narrowing(latitude: float) -> float:
    """How much shorter a degree of longitude is than one of latitude; never nothing, so that a pole is a position too."""
    return max(math.cos(math.radians(latitude)), 1e-4)
