"""What did one measurement of one picture yield?"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from diagnose.measure.bark_round import SeenRound
from diagnose.signs import Sign


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
