"""Which coasts and borders does a map of places far apart show?"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely

from diagnose.places.outlines import outlines

LEAST_STEPS = 20  # of the map's step: a shorter coast is left out


def coasts(box: tuple[float, float, float, float], step: float) -> list[list[tuple[float, float]]]:
    """Coasts and borders in a box, as lines of (longitude, latitude) [degree].

    They are off by a kilometre and more: for overviews, never for a planting.

    Parameters
    ----------
    box
        West, south, east and north [degree].
    step
        As fine as they are wanted [degree].
    """
    lines = shapely.simplify(shapely.clip_by_rect(_coarse(step), *box), 2 * step)
    return [[(float(x), float(y)) for x, y in line.coords] for line in shapely.get_parts(lines) if not line.is_empty]


@lru_cache(maxsize=4)
def _coarse(step: float) -> np.ndarray:
    """All coasts and borders with one corner in each square of that side [degree], (N,) lines; the shortest are left out."""
    corners, line = shapely.get_coordinates(shapely.get_parts(shapely.boundary(np.array(outlines().land, dtype=object))),
                                            return_index=True)
    square = np.rint(corners / step)
    first = np.diff(line, prepend=-1) != 0
    kept = first | (np.diff(square, axis=0, prepend=square[:1]) != 0).any(axis=1)
    kept &= np.bincount(line[kept])[line] > LEAST_STEPS
    lines: np.ndarray = shapely.linestrings(corners[kept], indices=np.unique(line[kept], return_inverse=True)[1])
    return lines
