"""What did one measurement of one picture yield?"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from diagnose.measure.bark_round import SeenRound
from diagnose.signs import Sign


@dataclass(frozen=True)
class Measurement:
    """Signs measured from a picture.

    measured : sign name -> value with its uncertainty. not_measured : sign name -> why, and what to do.
    shapes : named point lists, (n, 2) in upright pixels, for the annotated picture
    (outline, axis, face_line, diameter_line, patch, tip, foot, ...). remarks : lines about the picture itself
    (blur, glare, too small, roll the twig...), each saying what to do next time. round : of a gnawed patch, what was seen
    of the stem's circumference.
    """

    measured: dict[str, Sign] = field(default_factory=dict)
    not_measured: dict[str, str] = field(default_factory=dict)
    shapes: dict[str, np.ndarray] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    round: SeenRound | None = None

    def with_more(self, more: Measurement) -> Measurement:
        """This measurement and what another one of the same picture adds.

        Parameters
        ----------
        more
            Its values stand where both measured a sign, each sign in its own unit.
        """
        return Measurement(
            {**self.measured, **more.measured}, {**self.not_measured, **more.not_measured},
            {**self.shapes, **more.shapes}, self.remarks + more.remarks, self.round or more.round,
        )  # fmt: skip
