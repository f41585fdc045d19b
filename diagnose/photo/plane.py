"""Where does the printed card or staff lie in the picture, and how do its millimetres map to pixels?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

import cv2
import numpy as np

from diagnose.photo.camera import Camera, Fit, Marks, fit_sheet, on_sheet
from diagnose.photo.layouts import CARD, STAFF, Layout
from diagnose.photo.markers import LEAST_SIDE_PX, Marker, agrees, detect, first_factor, hinted, look_near, refine
from diagnose.photo.picture import CROPPED_FOCAL_SIGMA, DIAGONAL_35MM, CannotUse, Picture

__all__ = ["Camera", "Plane", "StaffMarkers", "StaffView", "find_card", "find_staff"]

FINE = 1400  # longer side of a picture that shows at least a square where a finer one shows markers [px]
SETTLED = 1e-6  # miss of a place on the sheet that is good enough [px]
PLAIN_PX = 16.0  # a staff's markers that are read so large are all read, or looked for one after the other
DEFAULT_F35 = 26.0  # main lens of common phones [mm]; common practice, no source
DEFAULT_F35_SIGMA = 0.2  # relative: from wide phone lenses to a field camera's normal lens


@dataclass(frozen=True)
class Plane:
    """A metric plane in a picture: a flat or slightly curled sheet, or the plane of a coin or a known length.

    Parameters
    ----------
    kind
        Such as card, staff or coin [no unit].
    H
        (3, 3) homography from plane [mm] to upright pixels (pixel (0, 0) is the centre of the top-left pixel); where there
        is a camera, `to_px` and `to_mm` follow distortion and curl too: better.
    markers, layout
        How many were found, and the printed sheet; None where it is none [no unit].
    residual_px, creep_px
        RMS of the corners, and by how much dark edges on this sheet look moved into the dark: ink, glare and blur together,
        with light taken as pixel value to the power 2.2 [px].
    view_angle_deg
        Between the view and the plane's normal [degree].
    camera, focal_sigma
        That saw it, None where that is not known, and the relative standard uncertainty of its focal length [no unit].
    print_scale, print_scale_sigma
        True length of a printed millimetre [mm], and its standard uncertainty.
    curl, centre_mm
        (2, 2) second derivatives of the sheet's z [1/mm], and about where [mm].
    scale_sigma
        Relative standard uncertainty of lengths in the sheet's middle that comes from the corners (the print's comes on top)
        [no unit].
    seen
        Marker id -> (4, 2) corners as found [upright px].
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
    scale_sigma: float = 0.0
    seen: Mapping[int, np.ndarray] = field(default_factory=dict)

    @property
    def sheet_mm(self) -> np.ndarray:
        """True width and height of the sheet, (2,) [mm]; the scale card's where the plane is of no sheet."""
        return np.array((self.layout or CARD).size_mm) * self.print_scale

    def is_on_sheet(self, mm_xy: np.ndarray, beyond_mm: float = 0.0) -> np.ndarray:
        """Whether places of the plane lie on the sheet or less than so far beyond its edge, (...,) bool.

        Parameters
        ----------
        mm_xy
            Places on the plane, (..., 2) [mm].
        beyond_mm
            How far beyond the edge still counts [mm].
        """
        width, height = self.sheet_mm
        x, y = np.moveaxis(np.asarray(mm_xy, float), -1, 0)
        inside = (x > -beyond_mm) & (x < width + beyond_mm) & (y > -beyond_mm) & (y < height + beyond_mm)
        return np.asarray(inside)

    def to_px(self, mm_xy: np.ndarray, lift_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """Upright pixels of places on or above the plane, (n, 2) [px].

        Without a camera the lift cannot be followed and is left out.

        Parameters
        ----------
        mm_xy
            Places on the plane, (n, 2) [mm].
        lift_mm
            How far above the plane, one for all or (n,) [mm].
        """
        mm = np.atleast_2d(np.asarray(mm_xy, float))
        if self.camera is None:
            return cv2.perspectiveTransform(mm[None], self.H)[0]
        return self.camera.project(on_sheet(mm, self.curl, self.centre_mm, lift_mm))

    def to_mm(self, px_xy: np.ndarray, lift_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """Places on the plane behind upright pixels, (n, 2) [mm]: the inverse of `to_px` at the same lift.

        Parameters
        ----------
        px_xy
            Upright pixels, (n, 2) [px].
        lift_mm
            How far above the plane, one for all or (n,) [mm].
        """
        px = np.atleast_2d(np.asarray(px_xy, float))
        mm = cv2.perspectiveTransform(px[None], np.linalg.inv(self.H))[0]
        if self.camera is None:
            return mm
        step = 0.5
        here = self.to_px(mm, lift_mm)
        by_x = (self.to_px(mm + (step, 0), lift_mm) - here) / step
        by_y = (self.to_px(mm + (0, step), lift_mm) - here) / step
        size = by_x[:, 0] * by_y[:, 1] - by_x[:, 1] * by_y[:, 0]
        size = np.where(np.abs(size) < 1e-12, 1e-12, size)
        for _ in range(5):  # Newton's with the first slopes: the homography starts it within a millimetre or two
            miss = px - here
            if np.abs(miss).max(initial=0.0) < SETTLED:
                break
            mm = mm + np.stack(
                [
                    (miss[:, 0] * by_y[:, 1] - miss[:, 1] * by_y[:, 0]) / size,
                    (by_x[:, 0] * miss[:, 1] - by_x[:, 1] * miss[:, 0]) / size,
                ],
                axis=1,
            )
            here = self.to_px(mm, lift_mm)
        return mm

    def px_per_mm(self, mm_xy: tuple[float, float]) -> float:
        """Pixels per millimetre at a place on the sheet, the image scale: the square root of the area scale.

        Parameters
        ----------
        mm_xy
            The place on the sheet [mm].
        """
        at = np.array(mm_xy, float)
        corner = self.to_px(np.array([at, at + (1, 0), at + (0, 1)]))
        by_x, by_y = corner[1] - corner[0], corner[2] - corner[0]
        return float(np.sqrt(abs(by_x[0] * by_y[1] - by_x[1] * by_y[0])))

    def as_json(self) -> dict[str, object]:
        """The plane as the command prints it."""
        return {
            "kind": self.kind,
            "markers": self.markers,
            "residual_px": round(self.residual_px, 3),
            "view_angle_deg": round(self.view_angle_deg, 2),
        }


@dataclass(frozen=True)
class StaffMarkers:
    """The staff's markers in a picture, lowest first.

    Parameters
    ----------
    ids, sharp
        (n,) numbers, and (n, 4) was the corner refined? [no unit]
    corners_px
        (n, 4, 2) [upright px].
    heights_mm, side_mm
        (n,) of their centres above the foot, and their side, true millimetres [mm].
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

    A homography of the markers that agree comes first, then camera pose and curl by least squares on the corners.

    Parameters
    ----------
    picture
        That is searched [no unit].
    layout
        Of the card [no unit].
    print_scale
        True length of a printed millimetre, from the measured check bars [mm].
    print_scale_sigma
        Of it: 0.002 where the bars were measured, 0.005 where they were only printed at "actual size" (common practice,
        no source) [mm].

    Raises
    ------
    CannotUse
        With the reason where the card is not there or cannot be trusted.

    References
    ----------
    R. Hartley and A. Zisserman, Multiple View Geometry, chapter 4: homography (from memory). Curl and what is believed:
    our own.
    """
    markers = _consistent_markers(picture, layout, enough=5)
    if len(markers) < 3:
        found = "none" if not markers else f"only {len(markers)}"
        raise CannotUse(
            f"the scale card was not found in {picture.name}: {found} of its {len(layout.markers)} markers "
            "can be read; lay the card flat, whole in the picture, in even light and in focus"
        )
    return _plane(picture, layout, markers, print_scale, print_scale_sigma)


@dataclass(frozen=True)
class StaffView:
    """What a height needs of a picture.

    Parameters
    ----------
    staff
        The staff's markers: corners [upright px], heights [mm].
    size, focal_px
        Width and height, and the focal length [px].
    focal_sigma
        Its relative standard uncertainty [no unit].
    """

    staff: StaffMarkers
    size: tuple[int, int]
    focal_px: float
    focal_sigma: float


def find_staff(picture: Picture, layout: Layout = STAFF, print_scale: float = 1.0) -> StaffMarkers:
    """Find the height staff's markers.

    Parameters
    ----------
    picture
        That is searched [no unit].
    layout
        Of the staff [no unit].
    print_scale
        True length of a printed millimetre, from the measured check bars [mm].

    Raises
    ------
    CannotUse
        Where fewer than two can be read.
    """
    markers = _consistent_markers(picture, layout, enough=len(layout.markers), long_side=1500, plain_px=PLAIN_PX)
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


def _consistent_markers(
    picture: Picture, layout: Layout, enough: int, long_side: int = 500, plain_px: float = np.inf
) -> list[Marker]:
    """Refined markers that agree on one sheet, from the smallest reduction that shows `enough` of them.

    plain_px : side on the reduced picture from which on a finer one shows no more of them.
    """
    factor = first_factor(picture, long_side)
    best: list[Marker] = []
    thorough = long_side > 500
    while True:
        found = _agreeing(detect(picture, layout, factor, thorough), layout)
        best = max(best, found, key=len)
        plain = len(best) >= 2 and min(marker.side_px for marker in best) >= plain_px * factor
        fine = max(picture.size) / factor >= FINE and not hinted(picture, factor)
        if len(best) >= enough or factor == 1 or plain or fine:
            break
        factor, thorough = factor // 2, True
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
    ids = {marker.id for marker in markers}
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
        if len(best) == len(ids):
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


def _plane(
    picture: Picture, layout: Layout, markers: list[Marker], print_scale: float, scale_sigma: float
) -> Plane:
    """The plane of the markers found. Raises CannotUse where it cannot be trusted."""
    side = float(np.median([marker.side_px for marker in markers]))
    marks = Marks(
        mm=np.concatenate([layout.corners_mm(marker.id) for marker in markers]) * print_scale,
        px=np.concatenate([marker.corners_px for marker in markers]),
        sharp=np.concatenate([marker.sharp for marker in markers]),
        centre_mm=(layout.size_mm[0] * print_scale / 2, layout.size_mm[1] * print_scale / 2),
        per_mm=side / (layout.side_mm * print_scale),
    )
    fit = _best_fit(picture, marks)
    name = f"the scale card in {picture.name}"
    if side < LEAST_SIDE_PX:
        raise CannotUse(f"{name} is too small: go closer until it fills half the picture")
    if fit.trusted.mean() < 0.6 or fit.residual_px > max(1.0, 0.015 * side):
        raise CannotUse(f"{name} does not fit its layout: flatten it, and use the card that this tool prints")
    if fit.scale_sigma > 0.02:
        raise CannotUse(
            f"too little of {name} is seen (lengths would be unsure by {100 * fit.scale_sigma:.0f} %): "
            "show markers on opposite sides of the twig"
        )
    plane = Plane(
        kind=layout.name,
        H=np.eye(3),
        markers=len(markers),
        residual_px=fit.residual_px,
        view_angle_deg=fit.camera.view_angle_deg(marks.centre_mm),
        camera=fit.camera,
        focal_sigma=fit.focal_sigma,
        print_scale=print_scale,
        print_scale_sigma=scale_sigma,
        layout=layout,
        curl=fit.curl,
        centre_mm=marks.centre_mm,
        creep_px=fit.creep_px,
        scale_sigma=fit.scale_sigma,
        seen={marker.id: marker.corners_px for marker in markers},
    )
    if plane.view_angle_deg > 65:
        raise CannotUse(
            f"{name} is seen at {plane.view_angle_deg:.0f} degrees: "
            "photograph it more nearly from straight above"
        )
    grid = np.stack(np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 7)), axis=-1).reshape(-1, 2)
    grid = grid * layout.size_mm * print_scale
    return replace(plane, H=cv2.findHomography(grid, plane.to_px(grid), 0)[0])


def _best_fit(picture: Picture, marks: Marks) -> Fit:
    """The fit of an ordinary picture, or of a cropped one where that explains the marks far better."""
    focal = picture.focal_px
    if focal is None:
        length, sigma = DEFAULT_F35 * float(np.hypot(*picture.size)) / DIAGONAL_35MM, DEFAULT_F35_SIGMA
    else:
        length, sigma = focal.value, focal.sigma / focal.value
    if not picture.cropped:
        fit = fit_sheet(marks, picture.size, length, sigma)
        if fit.residual_px < 0.25 and fit.trusted.mean() > 0.9:
            return fit
    loose = fit_sheet(marks, picture.size, length, CROPPED_FOCAL_SIGMA, cropped=True)
    if picture.cropped or loose.trusted.sum() > fit.trusted.sum() + 2:
        return loose
    better = loose.residual_px < 0.7 * fit.residual_px and loose.trusted.sum() >= fit.trusted.sum()
    return loose if better else fit
