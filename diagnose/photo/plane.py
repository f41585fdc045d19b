"""Where does the printed card or staff lie in the picture, and how do its millimetres map to pixels?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Camera:
    """Pinhole camera with one radial term, in the pose that saw the plane.

    K : (3, 3) intrinsics [px]; k1 : radial distortion; R, t : plane coordinates [mm] (x right, y down on the
    sheet, z out of the sheet's back, so that a thing lying on the sheet has negative z) to camera coordinates.
    """

    K: np.ndarray
    k1: float
    R: np.ndarray
    t: np.ndarray


@dataclass(frozen=True)
class Plane:
    """A metric plane in a picture.

    H : (3, 3) homography from plane [mm] to upright pixels (pixel (0, 0) is the centre of the top-left pixel).
    """

    kind: str
    H: np.ndarray
    markers: int
    residual_px: float
    view_angle_deg: float
    camera: Camera | None = None
    focal_sigma: float = 0.05  # relative standard uncertainty of the focal length
    print_scale: float = 1.0  # true length of a printed millimetre [mm]
    print_scale_sigma: float = 0.005

    def as_json(self) -> dict[str, object]:
        return {
            "kind": self.kind,
            "markers": self.markers,
            "residual_px": round(self.residual_px, 3),
            "view_angle_deg": round(self.view_angle_deg, 2),
        }
