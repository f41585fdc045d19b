"""Where does a round stem stand beside the scale card, and how thick is it?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.card_view import MARGIN, Line, View
from diagnose.measure.geometry import rays, robust_line, sampled
from diagnose.photo.plane import Camera, Plane

FRONT_SIGMA = 2.5  # how far the stem's front stands off the card's plane [mm]; common practice, no source
BEHIND = (1.5, 1.2)  # the same for a card that covers the stem: this much farther away, with sigma [mm]
LEAST_STRAY = 0.06  # of a straight side's points [mm]
VOTE_CELL = 0.1  # of the offsets that straight sides are sought among [mm]
VOTE_LOW = -6.0  # the innermost of them [mm]
SLOPES = np.linspace(-0.03, 0.03, 49)  # against the coarse side, outwards, that are tried
TAPER_CELLS = 9  # by how many of them the sides may differ
WRONG_SIDE = 0.0175  # of the radius, that a side is another line than the one taken; calibration
EDGE_SIGMA = 0.7  # by which a fitted side may be off [px]
BUMPY = 0.012  # of the radius: bark's own bumps and what shadow adds to a side; calibration


@dataclass(frozen=True, eq=False)
class Stem:
    """A round stem as a cylinder in the plane's coordinates.

    Parameters
    ----------
    camera, axis, toward, across
        The camera, and (3,) unit vectors: up the picture, square to that to the camera, and to the right where the axis runs
        up [no unit].
    foot, radius, distance
        (3,) point of the axis nearest the card's middle, the cylinder's radius, and its axis's distance to the camera [mm].
    scale_sigma, radius_sigma
        Relative standard uncertainties: what all lengths on the stem share, since its front stands off the card's plane by
        an unknown bit; and of the radius, that included [no unit].
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

    @property
    def limb(self) -> float:
        """Distance of its sides from its middle, in the plane through its axis [mm]."""
        return float(self.distance * np.tan(np.arcsin(self.radius / self.distance)))

    def on_surface(self, up: np.ndarray, turn: np.ndarray, radius: float | None = None) -> np.ndarray:
        """Picture of points of the surface, (..., 2) [upright px].

        Parameters
        ----------
        up, turn, radius
            (...) along the axis from its foot [mm], (...) round it, 0 to the camera [radian], and the distance from it; None
            for the stem's own [mm].
        """
        right, ahead = np.sin(turn)[..., None] * self.across, np.cos(turn)[..., None] * self.toward
        return self._seen(up[..., None] * self.axis + (self.radius if radius is None else radius) * (right + ahead))

    def on_middle(self, up: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Picture of points of the plane through the axis that faces the camera, (..., 2) [upright px].

        Parameters
        ----------
        up, right
            (...) along the axis from its foot, and to the right of it [mm].
        """
        return self._seen(up[..., None] * self.axis + right[..., None] * self.across)

    def _seen(self, from_foot: np.ndarray) -> np.ndarray:
        xyz = self.foot + from_foot
        return self.camera.project(xyz.reshape(-1, 3)).reshape(*xyz.shape[:-1], 2)

    def place(self, px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where pixels meet the surface: (n,) up the axis [mm] and (n,) turn round it [radian].

        Parameters
        ----------
        px
            (n, 2) [upright px].
        """
        ray = rays(self.camera, px)
        flat = ray - (ray @ self.axis)[:, None] * self.axis
        square, dot = (flat**2).sum(axis=1), flat @ (self.distance * self.toward)
        root = np.sqrt(np.maximum(dot**2 - square * (self.distance**2 - self.radius**2), 0.0))
        hit = self.camera.centre_mm - self.foot + ray * ((-dot - root) / square)[:, None]
        return hit @ self.axis, np.arctan2(hit @ self.across, hit @ self.toward)


def fit_stem(view: View, pair: tuple[Line, Line], near: np.ndarray, skip: tuple[float, float] = (0.0, 0.0)) -> Stem | None:
    """The cylinder between two straight edges; None where the edges do not hold up in the full picture.

    Each side of a cylinder is seen along a plane through the camera. The axis runs along both planes; that it also runs
    along the card's plane is taken for granted, since the sides of a stem that tapers converge just as those of one that
    leans. The angle between the planes gives radius / distance, the front, about in the card's plane, the distance.

    Parameters
    ----------
    view
        The card's surroundings, where the edges were found [no unit].
    pair, near, skip
        The two edges; (2,) the place beside which the radius is read; from where to where along the running coordinate the
        sides are left out, as where bark is gone [view px].
    """
    plane, camera = view.plane, view.plane.camera
    assert camera is not None
    sides = _sides(view, pair, skip)
    if any(len(side) < 12 for side in sides):
        return None
    (one, two), sides = _planes_through(plane, sides)
    middle = one + (two if one @ two > 0 else -two)
    axis = np.cross(middle, (0.0, 0.0, 1.0))
    if np.linalg.norm(axis) < 1e-9:
        return None
    axis /= np.linalg.norm(axis)
    sheet_middle = np.array([*plane.sheet_mm / 2, 0.0])
    low, high = camera.project(np.array([sheet_middle - 20 * axis, sheet_middle + 20 * axis]))
    axis *= np.sign(low[1] - high[1]) or 1.0
    toward = np.cross(axis, middle / np.linalg.norm(middle))
    toward *= -np.sign(toward[2])  # the camera is on the sheet's front, where z is negative
    across = np.cross(axis, toward)
    eye = camera.centre_mm
    behind, front_sigma = BEHIND if _card_covers(pair, view) else (0.0, FRONT_SIGMA)
    reach = behind - eye[2]
    (ray,) = rays(camera, view.to_px(near[None]))
    section = np.cross(float(ray @ axis / -(ray @ toward) * reach) * axis - toward * reach, across)
    ways = [np.cross(side, section) for side in (one, two)]
    half = float(np.mean([abs(np.arctan((way @ across) / (way @ toward))) for way in ways]))
    distance = float(reach / (-toward[2] - np.sin(half)))
    radius = float(distance * np.sin(half))
    on_axis = eye - distance * toward
    scale_sigma = float(np.hypot(front_sigma / distance, plane.print_scale_sigma))
    edge_sigma = EDGE_SIGMA * distance / camera.K[0, 0] / radius / np.sqrt(2)
    radius_sigma = float(np.linalg.norm([scale_sigma, edge_sigma, WRONG_SIDE, BUMPY]))
    foot = on_axis + ((sheet_middle - on_axis) @ axis) * axis
    sides_px = tuple(sorted(sides, key=lambda px: float((rays(camera, px) @ across).mean())))
    return Stem(camera, foot, axis, toward, across, radius, distance, scale_sigma, radius_sigma, sides_px)


def _sides(view: View, pair: tuple[Line, Line], skip: tuple[float, float]) -> list[np.ndarray]:
    """Where the two sides of a stem are seen in the full picture, (n, 2) px each, every millimetre off the card."""
    run, size = pair[0].run, np.array(view.open.shape[::-1])
    along = sum(line.along * np.sign(line.along[run]) for line in pair)
    along /= np.linalg.norm(along)
    starts = [line.at(run, sum(skip) / 2 if skip[1] > skip[0] else size[run] / 2) for line in pair]
    normal = np.array([-along[1], along[0]])
    normal *= np.sign(normal @ (starts[1] - starts[0]))
    thick = float(normal @ (starts[1] - starts[0])) / view.scale
    reach = np.arange(-0.8 * size.max(), 0.8 * size.max(), view.scale) / view.scale
    outwards, found = (-normal, normal), []
    for start, outward in zip(starts, outwards, strict=True):
        at = start + (reach * view.scale)[:, None] * along
        free = cv2.remap(view.open.astype(np.uint8), np.float32(at)[None], None, cv2.INTER_NEAREST)[0] > 0
        off_patch = free & ((at[:, run] < skip[0]) | (at[:, run] > skip[1]))
        kept = off_patch if off_patch.sum() >= 30 else free
        found.append(_steps_beside(view, at[kept], reach[kept], outward, thick))
    votes = [_votes(steps, SLOPES * sign) for steps, sign in zip(found, (-1, 1), strict=True)]
    if any(table.max() < 8 for table in votes):
        return [np.zeros((0, 2))] * 2
    heights = [cv2.dilate(table.max(axis=1), np.ones(TAPER_CELLS)).ravel() for table in votes]
    shared = int(np.argmax(heights[0] + heights[1]))
    sides = []
    for start, outward, steps, table, sign in zip(starts, outwards, found, votes, (-1, 1), strict=True):
        slope, offset = _best_line(table, SLOPES * sign, shared)
        close = steps[np.abs(steps @ (-slope, 1.0) - offset) < 0.35]
        px = view.to_px(start + view.scale * close @ [along, outward])
        sides.append(px[((px > 2) & (px < np.array(view.picture.size) - 3)).all(axis=1)])
    return sides


def _steps_beside(view: View, at: np.ndarray, reach: np.ndarray, outward: np.ndarray, thick: float) -> np.ndarray:
    """Every clear colour step near a coarse side: how far along it and outward from it, (n, 2) [mm].

    at : (m, 2) points of the side, which lie `reach` along it [mm].
    """
    if len(at) < 8:
        return np.zeros((0, 2))
    per_mm = view.plane.px_per_mm(tuple(view.to_mm(at.mean(axis=0))))
    inner, outer = float(np.clip(0.2 * thick, 1.5, 3.0)), float(np.clip(0.15 * thick, 2.0, 4.0))
    offset = np.arange(-int(inner * per_mm), int(outer * per_mm) + 1) / per_mm
    grid = at[:, None, :] + (offset * view.scale)[None, :, None] * outward
    px = view.to_px(grid.reshape(-1, 2)).reshape(grid.shape)
    lab = cv2.cvtColor(np.float32(sampled(view.picture.bgr, px)) / 255, cv2.COLOR_BGR2LAB)
    lab = cv2.GaussianBlur(lab, (0, 0), sigmaX=max(0.8, 0.1 * per_mm), sigmaY=2.0)
    size = np.linalg.norm(np.gradient(lab, axis=1), axis=2)
    size[:, [0, -1]] = 0
    floor = np.maximum(0.3 * size.max(axis=1, keepdims=True), 0.3)
    middle = size[:, 1:-1]
    row, column = np.nonzero((middle >= size[:, :-2]) & (middle > size[:, 2:]) & (middle > floor))
    before, here, after = (size[row, column + shift] for shift in range(3))
    fine = 0.5 * (before - after) / (before - 2 * here + after)
    return np.column_stack([reach[row], offset[column + 1] + fine / per_mm])


def _votes(steps: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """How many steps, (n, 2), lie on each straight line: (slopes, offsets in cells from VOTE_LOW)."""
    many = int(-2 * VOTE_LOW / VOTE_CELL)
    cell = np.clip((steps[:, 1] - slopes[:, None] * steps[:, 0] - VOTE_LOW) / VOTE_CELL, 0, many - 1).astype(int)
    votes = np.array([np.bincount(row, minlength=many) for row in cell], np.float32)
    votes[:, [0, -1]] = 0  # what lies beyond them
    return 3 * cv2.blur(votes, (3, 1))


def _best_line(votes: np.ndarray, slopes: np.ndarray, shared: int) -> tuple[float, float]:
    """The line (slope, offset) on which most rows have a step, or one farther out with nearly as many.

    Beside the card the stem's side is dark in the card's shadow: the border of the shadow is the stronger step
    there, but only there, while the side itself is a step of some kind all along. The slope stays near the one
    that both sides share.
    """
    near = np.abs(np.arange(len(slopes)) - shared) <= TAPER_CELLS // 2
    votes = np.where(near[:, None], votes, 0)
    slope, cell = np.unravel_index(int(votes.argmax()), votes.shape)
    outer = np.where(np.arange(votes.shape[1]) < cell + int(0.4 / VOTE_CELL), 0, votes)
    if outer.max() > 0.75 * votes[slope, cell]:
        slope, cell = np.unravel_index(int(outer.argmax()), outer.shape)
    return float(slopes[slope]), VOTE_LOW + (float(cell) + 0.5) * VOTE_CELL


def _planes_through(plane: Plane, sides: list[np.ndarray]) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Unit normals of the planes through the camera and each side (n, 2) px, straight on the card's plane; what agrees."""
    assert plane.camera is not None
    run = int(np.abs(np.ptp(plane.to_mm(sides[0]), axis=0)).argmax())
    order, normals, kept = [run, 1 - run], [], []
    for side in sides:
        own = plane.to_mm(side)[:, order]
        line, spread = robust_line(own)
        kept.append(side[np.abs(own[:, 1] - line[0] - line[1] * own[:, 0]) < 2.5 * max(spread, LEAST_STRAY)])
        ends = np.array([(0.0, line[0], 0.0), (100.0, line @ (1, 100), 0.0)])[:, [*order, 2]]
        normal = np.cross(*(ends - plane.camera.centre_mm))
        normals.append(normal / np.linalg.norm(normal))
    return normals, kept


def _card_covers(pair: tuple[Line, Line], view: View) -> bool:
    """Whether the card hides part of the strip between two lines, so that the stem stands behind it."""
    run, size, margin = pair[0].run, np.array(view.open.shape[::-1]), MARGIN * view.scale
    places = np.array([margin, size[run] / 2, size[run] - margin])
    low, high = (line.at(run, places)[:, 1 - run] for line in pair)
    covered = np.minimum(high, size[1 - run] - margin) - np.maximum(low, margin)
    return bool((covered > np.maximum(1.5 * view.scale, 0.1 * (high - low))).any())
