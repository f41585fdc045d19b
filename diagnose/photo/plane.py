"""Where does the printed card or staff lie in the picture, and how do its millimetres map to pixels?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

import cv2
import numpy as np

from diagnose.photo.layouts import CARD, STAFF, Layout
from diagnose.photo.markers import LEAST_SIDE_PX, Marker, agrees, detect, first_factor, look_near, refine
from diagnose.photo.picture import CannotUse, Picture

DEFAULT_F35 = 26.0  # main lens of common phones [mm]; common practice, no source
DEFAULT_F35_SIGMA = 0.2  # relative: from wide phone lenses to a field camera's normal lens
K1_SIGMA = 0.03  # distortion left by phones that correct it already; from memory
CURL_SIGMA = 0.0015  # of a sheet's curvature [1/mm]: a radius of 0.7 m lifts a card's short sides by 4 mm
CREEP_SIGMA = 0.5  # by which dark edges may creep inwards on white [px]
CORNER_SIGMA = 0.15  # of a refined corner [px], where the fit's own residuals do not say more
SHEET_SIGMA = 0.05  # by which print and paper depart from the model [mm]


@dataclass(frozen=True)
class Camera:
    """Pinhole camera with one radial term, in the pose that saw the plane.

    K : (3, 3) intrinsics [px]; k1 : radial distortion, x' = x (1 + k1 r^2); R, t : plane coordinates [mm] (x
    right, y down on the sheet, z out of the sheet's back, so that a thing lying on the sheet has negative z)
    to camera coordinates.
    """

    K: np.ndarray
    k1: float
    R: np.ndarray
    t: np.ndarray

    @property
    def centre_mm(self) -> np.ndarray:
        """The camera's place, (3,), in plane coordinates [mm]."""
        return -self.R.T @ self.t

    def project(self, xyz_mm: np.ndarray) -> np.ndarray:
        """(n, 3) plane coordinates [mm] to (n, 2) pixels."""
        seen = xyz_mm @ self.R.T + self.t
        flat = seen[:, :2] / seen[:, 2:]
        flat = flat * (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        return flat @ self.K[:2, :2].T + self.K[:2, 2]


@dataclass(frozen=True)
class Plane:
    """A metric plane in a picture: a flat or slightly curled sheet, or the plane of a coin or a known length.

    H : (3, 3) homography from plane [mm] to upright pixels (pixel (0, 0) is the centre of the top-left
    pixel); where there is a camera, `to_px` and `to_mm` follow distortion and curl too: better.
    curl : (2, 2) second derivatives of the sheet's z about `centre_mm` [1/mm].
    creep_px : by how much dark edges on this sheet look moved into the dark [px]: ink, glare and blur
    together, with light taken as pixel value to the power 2.2. seen : marker id -> (4, 2) corners as found.
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
    layout: Layout | None = None
    curl: np.ndarray = field(default_factory=lambda: np.zeros((2, 2)))
    centre_mm: tuple[float, float] = (0.0, 0.0)
    creep_px: float = 0.0
    seen: Mapping[int, np.ndarray] = field(default_factory=dict)

    def to_px(self, mm_xy: np.ndarray, lift_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """Plane [mm] to upright pixels, (n, 2) to (n, 2), for points `lift_mm` (or (n,) lifts) above it.

        Without a camera the lift cannot be followed and is left out.
        """
        mm = np.atleast_2d(np.asarray(mm_xy, float))
        if self.camera is None:
            return cv2.perspectiveTransform(mm[None], self.H)[0]
        return self.camera.project(on_sheet(mm, self.curl, self.centre_mm, lift_mm))

    def to_mm(self, px_xy: np.ndarray, lift_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """Upright pixels to plane [mm], (n, 2) to (n, 2): the inverse of `to_px` at the same lift."""
        px = np.atleast_2d(np.asarray(px_xy, float))
        mm = cv2.perspectiveTransform(px[None], np.linalg.inv(self.H))[0]
        if self.camera is None:
            return mm
        step = 0.5
        for _ in range(4):  # Newton's; the homography starts it within a millimetre or two
            here = self.to_px(mm, lift_mm)
            by_x = (self.to_px(mm + (step, 0), lift_mm) - here) / step
            by_y = (self.to_px(mm + (0, step), lift_mm) - here) / step
            miss = px - here
            size = by_x[:, 0] * by_y[:, 1] - by_x[:, 1] * by_y[:, 0]
            size = np.where(np.abs(size) < 1e-12, 1e-12, size)
            mm = mm + np.stack(
                [
                    (miss[:, 0] * by_y[:, 1] - miss[:, 1] * by_y[:, 0]) / size,
                    (by_x[:, 0] * miss[:, 1] - by_x[:, 1] * miss[:, 0]) / size,
                ],
                axis=1,
            )
        return mm

    def px_per_mm(self, mm_xy: tuple[float, float]) -> float:
        """Pixels a millimetre at a place on the sheet: the square root of the area scale."""
        at = np.array(mm_xy, float)
        corner = self.to_px(np.array([at, at + (1, 0), at + (0, 1)]))
        by_x, by_y = corner[1] - corner[0], corner[2] - corner[0]
        return float(np.sqrt(abs(by_x[0] * by_y[1] - by_x[1] * by_y[0])))

    def as_json(self) -> dict[str, object]:
        return {
            "kind": self.kind,
            "markers": self.markers,
            "residual_px": round(self.residual_px, 3),
            "view_angle_deg": round(self.view_angle_deg, 2),
        }


def on_sheet(
    mm_xy: np.ndarray, curl: np.ndarray, centre_mm: tuple[float, float], lift_mm: float | np.ndarray = 0.0
) -> np.ndarray:
    """Places on a curled sheet, (n, 2) along the paper [mm], as (n, 3) plane coordinates [mm], lifted off it.

    z = p'Mp/2 with p from the centre; the paper keeps its length, which pulls p inwards by Mp (p'Mp)/6 (the
    circle's next term: exact to third order where the sheet curls one way).
    """
    p = mm_xy - centre_mm
    slope = p @ curl
    rise = (slope * p).sum(axis=1, keepdims=True)
    surface = np.hstack([centre_mm + p - slope * rise / 6, rise / 2])
    normal = np.hstack([-slope, np.ones_like(rise)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return surface - normal * np.reshape(lift_mm, (-1, 1))


@dataclass(frozen=True)
class StaffMarkers:
    """The staff's markers in a picture, lowest first.

    ids : (n,). corners_px : (n, 4, 2) upright pixels. heights_mm : (n,) of their centres above the foot, true
    millimetres. side_mm : true side. sharp : (n, 4) whether the corner was refined.
    """

    ids: np.ndarray
    corners_px: np.ndarray
    heights_mm: np.ndarray
    side_mm: float
    sharp: np.ndarray

    @property
    def centres_px(self) -> np.ndarray:
        """Where the diagonals meet, (n, 2): the picture of the marker's centre."""
        a, b, c, d = (self.corners_px[:, k] for k in range(4))
        along, across = c - a, d - b
        gap = b - a
        way = (gap[:, 0] * across[:, 1] - gap[:, 1] * across[:, 0]) / (
            along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
        )
        return a + along * way[:, None]


def find_card(
    picture: Picture, layout: Layout = CARD, print_scale: float = 1.0, print_scale_sigma: float = 0.005
) -> Plane:
    """Find the printed card: any turn, oblique, some markers hidden, the sheet a little curled.

    print_scale : true length of a printed millimetre [mm], from the measured check bars; its sigma is 0.002
    where they were measured and 0.005 where they were only printed at "actual size" (common practice, no
    source). Raises CannotUse with the reason where the card is not there or cannot be trusted.
    """
    markers = _consistent_markers(picture, layout, enough=5)
    if len(markers) < 3:
        found = "none" if not markers else f"only {len(markers)}"
        raise CannotUse(
            f"the scale card was not found in {picture.name}: {found} of its {len(layout.markers)} markers "
            "can be read; lay the card flat, whole in the picture, in even light and in focus"
        )
    plane = _fit(picture, layout, markers, print_scale, print_scale_sigma)
    sides = [marker.side_px for marker in markers]
    if np.median(sides) < LEAST_SIDE_PX:
        raise CannotUse(
            f"the scale card is too small in {picture.name}: go closer until it fills half the picture"
        )
    if plane.residual_px > max(1.5, 0.02 * float(np.median(sides))):
        raise CannotUse(
            f"the scale card in {picture.name} does not fit its own layout (by {plane.residual_px:.1f} px): "
            "flatten it, and use the card that this tool prints"
        )
    if plane.view_angle_deg > 65:
        raise CannotUse(
            f"the scale card in {picture.name} is seen at {plane.view_angle_deg:.0f} degrees: "
            "photograph it from more nearly straight above"
        )
    return plane


def find_staff(picture: Picture, layout: Layout = STAFF, print_scale: float = 1.0) -> StaffMarkers:
    """Find the height staff's markers. Raises CannotUse where fewer than two can be read."""
    markers = _consistent_markers(picture, layout, enough=len(layout.markers), long_side=2000)
    markers = refine(picture, markers + _farther_along(picture, layout, markers))
    if len(markers) < 2:
        found = "none" if not markers else "only one"
        raise CannotUse(
            f"the height staff was not found in {picture.name}: {found} of its {len(layout.markers)} markers "
            "can be read; go closer (2 to 3 m) and keep the staff sharp and in view"
        )
    markers = sorted(markers, key=lambda marker: marker.id)
    return StaffMarkers(
        ids=np.array([marker.id for marker in markers]),
        corners_px=np.array([marker.corners_px for marker in markers]),
        heights_mm=np.array([layout.height_mm(marker.id) for marker in markers]) * print_scale,
        side_mm=layout.side_mm * print_scale,
        sharp=np.array([marker.sharp for marker in markers]),
    )


def _consistent_markers(picture: Picture, layout: Layout, enough: int, long_side: int = 1000) -> list[Marker]:
    """Refined markers that agree on one sheet, from the smallest reduction that shows `enough` of them."""
    factor = first_factor(picture, long_side)
    best: list[Marker] = []
    while True:
        found = _agreeing(detect(picture, layout, factor), layout)
        best = max(best, found, key=len)
        if len(best) >= enough or factor == 1:
            break
        factor //= 2
    if len(best) >= 2:
        best = best + _overlooked(picture, layout, best)
    return refine(picture, best)


def _homography(markers: list[Marker], layout: Layout) -> np.ndarray | None:
    mm = np.concatenate([layout.corners_mm(marker.id) for marker in markers])
    px = np.concatenate([marker.corners_px for marker in markers])
    return cv2.findHomography(mm, px, 0)[0]


def _agreeing(markers: list[Marker], layout: Layout) -> list[Marker]:
    """The largest set of markers that one flat sheet explains to half a marker's side, each id once.

    Two markers propose a sheet, the others vote: a false reading stands alone.
    """
    if len(markers) < 2:
        return markers
    best: list[Marker] = []
    best_miss = np.inf
    for pair in combinations(markers, 2):
        if pair[0].id == pair[1].id:
            continue
        H = _homography(list(pair), layout)
        if H is None:
            continue
        agreed: dict[int, tuple[float, Marker]] = {}
        for marker in markers:
            guess = cv2.perspectiveTransform(layout.corners_mm(marker.id)[None], H)[0]
            miss = float(np.abs(guess - marker.corners_px).mean() / marker.side_px)
            if miss < 0.5 and miss < agreed.get(marker.id, (np.inf, marker))[0]:
                agreed[marker.id] = (miss, marker)
        total = sum(miss for miss, _ in agreed.values())
        if pair[0].id not in agreed or pair[1].id not in agreed:
            continue
        if (len(agreed), -total) > (len(best), -best_miss):
            best, best_miss = [marker for _, marker in agreed.values()], total
        if len(best) == len(layout.markers):
            break
    return best


def _overlooked(picture: Picture, layout: Layout, found: list[Marker]) -> list[Marker]:
    """Markers that the detector missed but that stand where the found ones say."""
    H = _homography(found, layout)
    if H is None:
        return []
    width, height = picture.size
    more = []
    for marker in layout.markers.keys() - {each.id for each in found}:
        corners = cv2.perspectiveTransform(layout.corners_mm(marker)[None], H)[0]
        inside = (corners > 1).all() and (corners < (width - 2, height - 2)).all()
        if inside and agrees(picture.bgr, marker, corners) > 0.85:
            more.append(Marker(marker, corners, np.zeros(4, bool)))
    return more


def _farther_along(picture: Picture, layout: Layout, found: list[Marker]) -> list[Marker]:
    """Small or blurred markers of a staff, looked for one after the other beyond those that were read.

    A long staff's perspective cannot be carried over metres from two markers, but the next marker can be
    guessed from the nearest ones well enough to look for its pattern there.
    """
    if not found:
        return []
    known, tried = {marker.id: marker for marker in found}, set(known_ids := [marker.id for marker in found])
    while True:
        near = [id_ for id_ in layout.markers if id_ not in tried and ({id_ - 1, id_ + 1} & known.keys())]
        if not near:
            return [marker for id_, marker in known.items() if id_ not in known_ids]
        tried.add(near[0])
        nearest = sorted(known.values(), key=lambda marker: abs(marker.id - near[0]))[:2]
        mm = np.concatenate([layout.corners_mm(marker.id) for marker in nearest])
        px = np.concatenate([marker.corners_px for marker in nearest])
        affine = np.linalg.lstsq(np.hstack([mm, np.ones((len(mm), 1))]), px, rcond=None)[0]
        guess = np.hstack([layout.corners_mm(near[0]), np.ones((4, 1))]) @ affine
        if (guess < 0).any() or (guess > np.array(picture.size) - 1).any():
            continue
        score, corners = look_near(picture.bgr, near[0], guess)
        if score > 0.75:
            known[near[0]] = Marker(near[0], corners, np.zeros(4, bool))


def _fit(
    picture: Picture, layout: Layout, markers: list[Marker], print_scale: float, scale_sigma: float
) -> Plane:
    """Camera, curl and edge creep together, from all corners, by robust least squares with priors."""
    mm = np.concatenate([layout.corners_mm(marker.id) for marker in markers]) * print_scale
    px = np.concatenate([marker.corners_px for marker in markers])
    sharp = np.concatenate([marker.sharp for marker in markers])
    inward = np.concatenate([_inward(marker.corners_px) for marker in markers])
    width, height = picture.size
    centre = (layout.size_mm[0] * print_scale / 2, layout.size_mm[1] * print_scale / 2)
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    focal = picture.focal_px
    if focal is None:
        value = DEFAULT_F35 * float(np.hypot(width, height)) / 43.267
        focal_value, focal_prior = value, DEFAULT_F35_SIGMA
    else:
        focal_value, focal_prior = focal.value, focal.sigma / focal.value
    H = cv2.findHomography(mm, px, 0)[0]
    R, t = _pose(H, focal_value, middle)
    start = np.concatenate([cv2.Rodrigues(R)[0].ravel(), t, np.zeros(6)])
    prior = np.array([np.inf] * 6 + [focal_prior, K1_SIGMA, CURL_SIGMA, CURL_SIGMA, CURL_SIGMA, CREEP_SIGMA])
    if len(markers) < 4:
        prior[8:11] = 1e-6  # too few to tell a curl from a tilt
    per_mm = float(np.median([marker.side_px for marker in markers])) / (layout.side_mm * print_scale)
    sigma = np.where(sharp, np.hypot(CORNER_SIGMA, SHEET_SIGMA * per_mm), 1.0)

    def model(p: np.ndarray) -> np.ndarray:
        return _camera(p, focal_value, middle).project(on_sheet(mm, _curl(p), centre)) + p[11] * inward

    p, covariance, weight = _least_squares(model, px, sigma, start, prior)
    camera = _camera(p, focal_value, middle)
    residual = px - model(p)
    trusted = weight > 0.5
    if trusted.sum() < max(8, 0.5 * len(px)):
        raise CannotUse(
            f"the scale card in {picture.name} does not fit its own layout: flatten it, and use the card "
            "that this tool prints"
        )
    rms = float(np.sqrt((residual[trusted] ** 2).mean()))
    toward = camera.centre_mm - (*centre, 0.0)
    plane = Plane(
        kind=layout.name,
        H=H,
        markers=len(markers),
        residual_px=rms,
        view_angle_deg=float(np.degrees(np.arccos(np.clip(-toward[2] / np.linalg.norm(toward), -1, 1)))),
        camera=camera,
        focal_sigma=float(np.sqrt(covariance[6, 6])),
        print_scale=print_scale,
        print_scale_sigma=scale_sigma,
        layout=layout,
        curl=_curl(p),
        centre_mm=centre,
        creep_px=float(p[11]),
        seen={marker.id: marker.corners_px for marker in markers},
    )
    grid = np.stack(np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 7)), axis=-1).reshape(-1, 2)
    grid = grid * layout.size_mm * print_scale
    return replace(plane, H=cv2.findHomography(grid, plane.to_px(grid), 0)[0])


def _camera(p: np.ndarray, focal: float, middle: np.ndarray) -> Camera:
    f = focal * float(np.exp(np.clip(p[6], -2, 2)))
    K = np.array([[f, 0, middle[0]], [0, f, middle[1]], [0, 0, 1.0]])
    return Camera(K, float(p[7]), cv2.Rodrigues(p[:3].reshape(3, 1))[0], p[3:6])


def _curl(p: np.ndarray) -> np.ndarray:
    return np.array([[p[8], p[9]], [p[9], p[10]]])


def _pose(H: np.ndarray, focal: float, middle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and translation from a homography and a focal length (Zhang 2000, section 3.1)."""
    B = H.copy()
    B[:2] = (B[:2] - middle[:, None] * B[2]) / focal
    B = B * (np.sign(B[2, 2]) or 1.0) / np.sqrt(np.linalg.norm(B[:, 0]) * np.linalg.norm(B[:, 1]))
    U, _, Vt = np.linalg.svd(np.stack([B[:, 0], B[:, 1], np.cross(B[:, 0], B[:, 1])], axis=1))
    return U @ np.diag([1, 1, np.linalg.det(U @ Vt)]) @ Vt, B[:, 2]


def _inward(quad: np.ndarray) -> np.ndarray:
    """How a square's corners move, (4, 2), when each side moves inwards by one pixel."""
    along = np.roll(quad, -1, axis=0) - quad
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    out = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return np.array([np.linalg.solve(np.stack([out[k - 1], out[k]]), (-1.0, -1.0)) for k in range(4)])


def _least_squares(
    model, px: np.ndarray, sigma: np.ndarray, start: np.ndarray, prior: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Robust Gauss-Newton with damping: parameters, their covariance, and each corner's weight, 0 to 1.

    prior : standard deviation of each parameter about zero (infinite: none). Corners far off count little
    (Cauchy weights at three sigma).
    """
    steps = np.array([1e-5] * 3 + [1e-3] * 3 + [1e-5, 1e-5, 1e-7, 1e-7, 1e-7, 1e-3])
    inverse = np.where(np.isfinite(prior), 1.0 / prior, 0.0)
    p, damping = start.copy(), 1e-3

    def cost(p: np.ndarray, weight: np.ndarray) -> float:
        miss = (px - model(p)) / sigma[:, None]
        return float((weight[:, None] * miss**2).sum() + ((p * inverse) ** 2)[6:].sum())

    weight = np.ones(len(px))
    for _ in range(30):
        here = model(p)
        miss = (px - here) / sigma[:, None]
        weight = 1.0 / (1.0 + (miss**2).sum(axis=1) / 9.0)
        jacobian = np.stack(
            [((model(p + step) - here) / sigma[:, None]).ravel() for step in np.diag(steps)], 1
        )
        jacobian /= steps
        both = np.repeat(weight, 2)[:, None] * jacobian
        normal = jacobian.T @ both + np.diag(inverse**2)
        gradient = both.T @ miss.ravel() - inverse**2 * np.where(np.isfinite(prior), p, 0.0)
        before = cost(p, weight)
        for _ in range(6):
            move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            if cost(p + move, weight) <= before:
                damping = max(damping / 10, 1e-9)
                break
            damping *= 10
        else:
            break
        p = p + move
        if float(move @ normal @ move) < 1e-6:
            break
    return p, np.linalg.inv(normal), weight
