"""Where does a round stem stand beside the scale card, and how thick is it?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.card_view import MARGIN, Line, View
from diagnose.measure.gaze import lab_of
from diagnose.measure.sampling import NODES, sampled, spread
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Camera, Plane

FRONT_SIGMA = 2.5  # how far the stem's front stands off the card's plane [mm]; common practice, no source
BEHIND = (1.5, 1.2)  # the same for a card that covers the stem: this much farther away, with sigma [mm]
TAPER = 0.012  # by how much the two sides of a stem may converge [mm/mm]
VOTE_CELL = 0.1  # of the offsets that straight sides are sought among [mm]
VOTE_LOW = -6.0  # the innermost of them [mm]
TAPER_CELLS = 9  # by how many of the slopes tried, 0.00125 each, the sides may differ
FAINT, FAINT_SIGMA = 2.5, 0.035  # a side so weak leaves the radius unsure by so much, relative; calibration
EDGE_SIGMA = 0.7  # by which a fitted side may be off [px]
BUMPY = 0.012  # of the radius: bark's own bumps and what shadow adds to a side; calibration


@dataclass(frozen=True, eq=False)
class Stem:
    """A round stem as a cylinder in the plane's coordinates.

    Parameters
    ----------
    camera
        That saw it [no unit].
    foot
        (3,) point of the axis nearest the card's middle [mm].
    axis, toward, across
        (3,) unit vectors: up the picture, square to that to the camera, and to the right where the axis runs up [no unit].
    radius, distance
        Of the cylinder, and from its axis to the camera [mm].
    scale_sigma
        Relative standard uncertainty that all lengths on the stem share, since its front stands off the card's plane by an
        unknown bit [no unit].
    radius_sigma
        Relative standard uncertainty of the radius, that included [no unit].
    sides_px
        Where its left and right sides were seen, (n, 2) each [upright px].
    eye_wider
        By how much thicker the eye sees it; 0 where both agree [mm].
    """

    camera: Camera
    foot: np.ndarray
    axis: np.ndarray
    toward: np.ndarray
    across: np.ndarray
    radius: float
    distance: float
    scale_sigma: float
    radius_sigma: float
    sides_px: tuple[np.ndarray, ...]
    eye_wider: float = 0.0

    def on_surface(self, up: np.ndarray, turn: np.ndarray, radius: float | None = None) -> np.ndarray:
        """Picture of points of the surface, (..., 2) [upright px].

        Parameters
        ----------
        up
            (...) along the axis from its foot [mm].
        turn
            (...) round the axis, 0 to the camera [radian].
        radius
            Distance from the axis; None for the stem's own [mm].
        """
        r = self.radius if radius is None else radius
        out = np.cos(turn)[..., None] * self.toward + np.sin(turn)[..., None] * self.across
        xyz = self.foot + up[..., None] * self.axis + r * out
        return self.camera.project(xyz.reshape(-1, 3)).reshape(*xyz.shape[:-1], 2)

    def on_middle(self, up: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Picture of points of the plane through the axis that faces the camera, (..., 2) [upright px].

        Parameters
        ----------
        up
            (...) along the axis from its foot [mm].
        right
            (...) to the right of it [mm].
        """
        xyz = self.foot + up[..., None] * self.axis + right[..., None] * self.across
        return self.camera.project(xyz.reshape(-1, 3)).reshape(*xyz.shape[:-1], 2)

    def place(self, px: np.ndarray, radius: float | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Where pixels meet the surface: (n,) up the axis [mm] and (n,) turn round it [radian].

        Parameters
        ----------
        px
            (n, 2) [upright px].
        radius
            Distance of the surface from the axis; None for the stem's own [mm].
        """
        r = self.radius if radius is None else radius
        ray = rays(self.camera, px)
        along = ray @ self.axis
        flat = ray - along[:, None] * self.axis
        square = (flat**2).sum(axis=1)
        eye = self.camera.centre_mm - self.foot
        eye_flat = self.distance * self.toward
        dot = flat @ eye_flat
        root = np.sqrt(np.maximum(dot**2 - square * (self.distance**2 - r**2), 0.0))
        reach = (-dot - root) / square
        hit = eye + ray * reach[:, None]
        return hit @ self.axis, np.arctan2(hit @ self.across, hit @ self.toward)


def rays(camera: Camera, px: np.ndarray) -> np.ndarray:
    """Directions of the rays through pixels, unit vectors (n, 3) in the plane's coordinates.

    Parameters
    ----------
    camera
        Where it stands, how it is turned, and its lens [no unit].
    px
        (n, 2) [upright px].
    """
    seen = (np.asarray(px, float) - camera.K[:2, 2]) / np.diag(camera.K)[:2]
    flat = seen.copy()
    for _ in range(6):  # fixed point of x' = x (1 + k1 r^2); k1 r^2 is a few per cent
        flat = seen / (1 + camera.k1 * (flat**2).sum(axis=1, keepdims=True))
    ray = np.column_stack([flat, np.ones(len(flat))]) @ camera.R
    return ray / np.linalg.norm(ray, axis=1, keepdims=True)


def fit_stem(
    picture: Picture,
    plane: Plane,
    view: View,
    pair: tuple[Line, Line],
    near_px: np.ndarray | None = None,
    skip: tuple[float, float] = (0.0, 0.0),
) -> Stem | None:
    """The cylinder between two straight edges; None where the edges do not hold up in the full picture.

    Each side of a cylinder is seen along a plane through the camera. The axis runs along both planes; that it
    also runs along the card's plane is taken for granted, since the sides of a stem that tapers converge just as
    those of one that leans. The angle between the planes gives radius / distance, and the front, which stands
    about in the card's plane, gives the distance.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    view
        Of the stem, in which the edges were found [no unit].
    pair
        The two edges [view px].
    near_px
        Beside which the radius is read, (2,); None for beside the card [upright px].
    skip
        From where to where along the running view coordinate the sides are left out, as where bark is gone [view px].
    """
    camera = plane.camera
    if camera is None or plane.layout is None:
        return None
    sides = _sides(picture, plane, view, pair, skip)
    if any(len(side) < 12 for side in sides):
        return None
    (one, two), (one_px, two_px) = _planes_through(plane, sides)
    middle = one + (two if one @ two > 0 else -two)
    axis = np.cross(middle, (0.0, 0.0, 1.0))
    if np.linalg.norm(axis) < 1e-9:
        return None
    axis /= np.linalg.norm(axis)
    width, height = plane.sheet_mm
    sheet_middle = np.array([width / 2, height / 2, 0.0])
    low, high = camera.project(np.array([sheet_middle - 20 * axis, sheet_middle + 20 * axis]))
    if high[1] > low[1] or (high[1] == low[1] and high[0] > low[0]):
        axis = -axis
    toward = np.cross(axis, middle / np.linalg.norm(middle))
    toward *= -np.sign(toward[2])  # the camera is on the sheet's front, where z is negative
    across = np.cross(axis, toward)
    eye = camera.centre_mm
    behind, front_sigma = BEHIND if _card_covers(plane, pair, view) else (0.0, FRONT_SIGMA)
    reach = behind - eye[2]
    up = (sheet_middle - eye) @ axis
    if near_px is not None:
        ray = rays(camera, near_px[None])[0]
        up = float(ray @ axis / -(ray @ toward) * reach)
    ahead = up * axis - toward * reach
    section = np.cross(ahead, across)
    halves = []
    for side in (one, two):
        along = np.cross(side, section)
        halves.append(abs(float(np.arctan((along @ across) / (along @ toward)))))
    half = float(np.mean(halves))
    distance = reach / (-toward[2] - np.sin(half))
    radius = float(distance * np.sin(half))
    on_axis = eye - distance * toward
    scale_sigma = float(np.hypot(front_sigma / distance, plane.print_scale_sigma))
    edge_sigma = EDGE_SIGMA * distance / camera.K[0, 0] / radius / np.sqrt(2)
    weaker = min(pair[0].strength, pair[1].strength)
    wrong_sigma = FAINT_SIGMA * min(1.5, FAINT / weaker)  # that a faint side is another line than the one taken
    return Stem(
        camera=camera,
        foot=on_axis + ((sheet_middle - on_axis) @ axis) * axis,
        axis=axis,
        toward=toward,
        across=across,
        radius=radius,
        distance=float(distance),
        scale_sigma=scale_sigma,
        radius_sigma=float(np.sqrt(scale_sigma**2 + edge_sigma**2 + wrong_sigma**2 + BUMPY**2)),
        sides_px=tuple(sorted((one_px, two_px), key=lambda px: float((rays(camera, px) @ across).mean()))),
    )


def _sides(
    picture: Picture, plane: Plane, view: View, pair: tuple[Line, Line], skip: tuple[float, float]
) -> list[np.ndarray]:
    """Where the two sides of a stem are seen in the full picture, (n, 2) px each, every millimetre off the card."""
    run = pair[0].run
    along = sum(line.along * np.sign(line.along[run]) for line in pair)
    along /= np.linalg.norm(along)
    middle = sum(skip) / 2 if skip[1] > skip[0] else view.open.shape[1 - run] / 2
    starts = [line.at(run, middle) for line in pair]
    between = starts[1] - starts[0]
    normal = np.array([-along[1], along[0]])
    normal *= np.sign(normal @ between)
    thick = float(normal @ between) / view.scale
    reach = np.arange(-0.8 * max(view.open.shape), 0.8 * max(view.open.shape), view.scale) / view.scale
    found = []
    for start, outward in zip(starts, (-normal, normal), strict=True):
        at = start + (reach * view.scale)[:, None] * along
        cell = np.round(at).astype(int)
        inside = (cell >= 0).all(axis=1) & (cell[:, 0] < view.open.shape[1]) & (cell[:, 1] < view.open.shape[0])
        free = inside.copy()
        free[inside] = view.open[cell[inside, 1], cell[inside, 0]]
        off_patch = free & ((at[:, run] < skip[0]) | (at[:, run] > skip[1]))
        kept = off_patch if off_patch.sum() >= 30 else free
        found.append(_side_steps(picture, plane, view, at[kept], reach[kept], outward, thick))
    slopes = np.linspace(-0.03, 0.03, 49)
    votes = [_votes(one.along, one.across, slopes * sign) for one, sign in zip(found, (-1, 1), strict=True)]
    if any(table.max() < 8 for table in votes):
        return [np.zeros((0, 2))] * 2
    heights = [cv2.dilate(table.max(axis=1), np.ones(TAPER_CELLS)).ravel() for table in votes]
    shared = int(np.argmax(heights[0] + heights[1]))
    width, height = picture.size
    sides = []
    for one, table, sign in zip(found, votes, (-1, 1), strict=True):
        slope, start = _best_line(table, slopes * sign, shared)
        close = np.abs(one.across - slope * one.along - start) < 0.35
        mm = view.to_mm(one.base[close] + (one.across[close] * view.scale)[:, None] * one.outward)
        px = plane.to_px(mm)
        sides.append(px[((px > 2) & (px < (width - 3, height - 3))).all(axis=1)])
    return sides


@dataclass(frozen=True, eq=False)
class _Steps:
    """Colour steps near a coarse side: along it and outward from it [mm], and the view points they start from."""

    along: np.ndarray
    across: np.ndarray
    base: np.ndarray
    outward: np.ndarray


def _side_steps(
    picture: Picture,
    plane: Plane,
    view: View,
    at: np.ndarray,
    reach: np.ndarray,
    outward: np.ndarray,
    thick: float,
) -> _Steps:
    if len(at) < 8:
        return _Steps(np.zeros(0), np.zeros(0), np.zeros((0, 2)), outward)
    per_mm = plane.px_per_mm(tuple(view.to_mm(at.mean(axis=0))))
    inner, outer = float(np.clip(0.2 * thick, 1.5, 3.0)), float(np.clip(0.15 * thick, 2.0, 4.0))
    offset = np.arange(-int(inner * per_mm), int(outer * per_mm) + 1) / per_mm
    grid = at[:, None, :] + (offset[::NODES] * view.scale)[None, :, None] * outward
    nodes = plane.to_px(view.to_mm(grid.reshape(-1, 2))).reshape(grid.shape).astype(np.float32)
    px = np.stack([nodes[..., k] @ spread(len(offset)).T for k in (0, 1)], axis=2)
    lab = lab_of(sampled(picture.bgr, px))
    lab = cv2.GaussianBlur(lab, (0, 0), sigmaX=max(0.8, 0.1 * per_mm), sigmaY=2.0)
    row, across = _steps(lab, offset)
    return _Steps(reach[row], across, at[row], outward)


def _steps(lab: np.ndarray, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every clear colour step of each row (n, m, 3): its row and its offset [mm]."""
    size = np.linalg.norm(np.gradient(lab, axis=1), axis=2)
    size[:, [0, -1]] = 0
    floor = np.maximum(0.3 * size.max(axis=1, keepdims=True), 0.3)
    middle = size[:, 1:-1]
    row, column = np.nonzero((middle >= size[:, :-2]) & (middle > size[:, 2:]) & (middle > floor))
    column += 1
    before, here, after = (size[row, column + shift] for shift in (-1, 0, 1))
    fine = 0.5 * (before - after) / (before - 2 * here + after)
    return row, offset[column] + fine * (offset[1] - offset[0])


def _votes(along: np.ndarray, across: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """How many steps lie on each straight line: (slopes, offsets in cells from VOTE_LOW)."""
    votes = np.zeros((len(slopes), int(-2 * VOTE_LOW / VOTE_CELL)), np.float32)
    for k, slope in enumerate(slopes):
        place = ((across - slope * along - VOTE_LOW) / VOTE_CELL).astype(int)
        inside = (place >= 0) & (place < votes.shape[1])
        votes[k] = np.convolve(np.bincount(place[inside], minlength=votes.shape[1]), (1, 1, 1), "same")
    return votes


def _best_line(votes: np.ndarray, slopes: np.ndarray, shared: int) -> tuple[float, float]:
    """The line (slope, offset) on which most rows have a step, or one farther out with nearly as many.

    Beside the card the stem's side is dark in the card's shadow: the border of the shadow is the stronger step
    there, but only there, while the side itself is a step of some kind all along. The slope stays near the one
    that both sides share.
    """
    near = np.abs(np.arange(len(slopes)) - shared) <= TAPER_CELLS // 2
    votes = np.where(near[:, None], votes, 0)
    best = np.unravel_index(int(votes.argmax()), votes.shape)
    outer = votes.copy()
    outer[:, : int(best[1]) + int(0.4 / VOTE_CELL)] = 0
    rival = np.unravel_index(int(outer.argmax()), outer.shape)
    if outer[rival] > 0.75 * votes[best]:
        best = rival
    return float(slopes[best[0]]), VOTE_LOW + (float(best[1]) + 0.5) * VOTE_CELL


def _straight(x: np.ndarray, y: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Slope and offset of the straight line through most of the points, and each point's weight, 0 to 1."""
    weight = np.ones(len(x))
    slope = offset = 0.0
    for _ in range(12):
        total = weight.sum()
        mean_x, mean_y = weight @ x / total, weight @ y / total
        weighted = weight * (x - mean_x)
        slope = weighted @ (y - mean_y) / (weighted @ (x - mean_x))
        offset = mean_y - slope * mean_x
        miss = np.abs(y - slope * x - offset)
        spread = max(0.06, 1.5 * float(np.median(miss)))
        weight = np.clip(1 - (miss / (3 * spread)) ** 2, 0, None) ** 2 + 1e-6
    return float(slope), float(offset), weight


def _planes_through(plane: Plane, sides: list[np.ndarray]) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Unit normals of the planes through the camera and each side (n, 2) px, and the pixels that agree.

    The sides are fitted as straight lines on the card's plane. They should run within TAPER of each other there;
    where they do not, the less certain one is laid along the other.
    """
    assert plane.camera is not None
    on_card = [plane.to_mm(side) for side in sides]
    run = int(np.ptp(on_card[0][:, 1]) > np.ptp(on_card[0][:, 0]))
    fits, doubts, kept = [], [], []
    for mm in on_card:
        slope, offset, weight = _straight(mm[:, run], mm[:, 1 - run])
        good = weight > 0.1
        spread = float(np.sqrt((weight * (mm[:, 1 - run] - slope * mm[:, run] - offset) ** 2).sum() / weight.sum()))
        doubts.append(spread / np.sqrt(good.sum()) / (np.std(mm[good, run]) + 1) / float(good.mean()))
        fits.append((slope, offset))
        kept.append(good)
    if abs(fits[0][0] - fits[1][0]) > TAPER:
        worse = int(np.argmax(doubts))
        slope = fits[1 - worse][0]
        rest = on_card[worse][:, 1 - run] - slope * on_card[worse][:, run]
        crowd = np.exp(-0.5 * ((rest[:, None] - rest) / 0.3) ** 2).sum(axis=1)
        near = np.abs(rest - rest[crowd.argmax()]) < 0.6
        fits[worse] = (slope, float(np.median(rest[near])))
        kept[worse] = near
    eye = plane.camera.centre_mm
    normals = []
    for slope, offset in fits:
        ends = np.zeros((2, 3))
        ends[:, run] = (0.0, 100.0)
        ends[:, 1 - run] = (offset, offset + 100 * slope)
        normal = np.cross(ends[0] - eye, ends[1] - eye)
        normals.append(normal / np.linalg.norm(normal))
    return normals, [side[good] for side, good in zip(sides, kept, strict=True)]


def _card_covers(plane: Plane, pair: tuple[Line, Line], view: View) -> bool:
    """Whether the card hides part of the strip between two lines, so that the stem stands behind it."""
    height, width = view.open.shape
    run = pair[0].run
    across = (width, height)[1 - run]
    near, far = MARGIN * view.scale, across - MARGIN * view.scale
    along = (width, height)[run]
    for place in (MARGIN * view.scale, along / 2, along - MARGIN * view.scale):
        low, high = (line.at(run, place)[1 - run] for line in pair)
        if min(high, far) - max(low, near) > max(1.5 * view.scale, 0.1 * (high - low)):
            return True
    return False
