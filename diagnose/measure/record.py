"""What did one measurement of one picture yield?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from diagnose.measure.bark_round import SeenRound
from diagnose.signs import Sign

if TYPE_CHECKING:
    from diagnose.photo.plane import Plane

END_SIGNS = ("seen_slope_deg", "true_slope_deg", "end_diameter_mm", "raggedness", "longest_fibre", "end_form")
NEAR = ("face_line", "diameter_line", "patch", "tip", "foot")  # shapes that lie at the wound
_MOST_POINTS = 200  # of a line that is kept: as fine as it is drawn
_STEP_PX = 20.0  # over which the scale is read


@dataclass(frozen=True)
class Measurement:
    """Signs measured from a picture.

    Parameters
    ----------
    measured
        Sign name -> value with its uncertainty, in the unit that the name ends with.
    not_measured
        Sign name -> why, and what to do [no unit].
    shapes
        Named point lists, (n, 2) each, for the annotated picture: outline, axis, face_line, diameter_line, patch, tip, foot
        and others [upright px].
    remarks
        Lines about the picture itself (blur, glare, too small, roll the twig), each saying what to do next time [no unit].
    round
        Of a gnawed patch, what was seen of the stem's circumference [degree].
    """

    measured: dict[str, Sign] = field(default_factory=dict)
    not_measured: dict[str, str] = field(default_factory=dict)
    shapes: dict[str, np.ndarray] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    round: SeenRound | None = None

    def with_more(self, more: Measurement) -> Measurement:
        """The measurement and what another one of the same picture adds.

        Parameters
        ----------
        more
            Its values stand where both measured a sign, each sign in its own unit.
        """
        return Measurement(
            self.measured | more.measured, self.not_measured | more.not_measured, self.shapes | more.shapes,
            self.remarks + more.remarks, self.round or more.round,
        )  # fmt: skip

    def at_wound(self) -> np.ndarray:
        """Points at the wound, (n, 2), n = 0 where none was found [upright px]."""
        near = [np.atleast_2d(self.shapes[name]) for name in NEAR if name in self.shapes]
        return np.vstack(near) if near else np.empty((0, 2))

    def px_per_mm(self, plane: Plane | None) -> float | None:
        """How many pixels a millimetre takes along the picture's rows at the wound; None where that is not known.

        Parameters
        ----------
        plane
            That was measured in, or None [no unit].
        """
        near = self.at_wound()
        if plane is None or not self.measured or not len(near):
            return None
        middle = near.mean(axis=0)
        sides = np.vstack([plane.to_mm(middle), plane.to_mm(middle + (_STEP_PX, 0.0))])
        return _STEP_PX / max(float(np.linalg.norm(sides[1] - sides[0])), 1e-6)

    def lines(self) -> dict[str, list[list[float]]]:
        """The shapes as plain lists that are kept beside the figures, thinned to what a picture shows [upright px]."""
        lines = {}
        for name, shape in self.shapes.items():
            points = np.atleast_2d(np.asarray(shape, dtype=float))
            if points.ndim == 2 and points.shape[1] == 2 and np.isfinite(points).all():
                lines[name] = points[:: -(-len(points) // _MOST_POINTS)].round(1).tolist()
        return lines


def shapes_of(lines: Mapping[str, list[list[float]]]) -> dict[str, np.ndarray]:
    """Shapes as `Measurement.lines` kept them, (n, 2) each [upright px].

    Parameters
    ----------
    lines
        Name -> points [upright px].
    """
    return {name: np.asarray(points, dtype=float) for name, points in lines.items()}
