"""What does a severed twig of known shape look like on the scale card?

Simple pictures with exact truth: the printed card seen by a pinhole camera, a shaded cylinder with bark on it, its
end cut, half cut or torn, shadows of sun and sky, buds, a stub, dirt, blur, noise and JPEG. Lengths in mm, light
linear until the picture is written. Nothing here is fitted to any photograph.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from diagnose.photo.layouts import CARD
from diagnose.photo.markers import GAMMA, marker_picture

BARKS = {
    "brown": (0.20, 0.13, 0.08),
    "reddish": (0.22, 0.08, 0.05),
    "green": (0.12, 0.17, 0.05),
    "grey": (0.24, 0.22, 0.19),
}  # reflectance, red green blue; from memory, for looks only
WOOD = (0.62, 0.50, 0.32)
WEATHERED = (0.30, 0.25, 0.20)
FINE = 3  # cells of the twig's own raster a pixel of the picture
PRINT_MM = 8  # cells of the sheet's raster a millimetre


@dataclass(frozen=True)
class TwigSetting:
    """All that one simulated picture depends on.

    Parameters
    ----------
    seed, kind
        Of bark, dirt and noise; clean, half, torn or none (no twig at all) [no unit].
    theta, roll
        True slope of the cut, 0 for square, and how far the cut is rolled out of profile [degree].
    diameter, tip
        Of the stem, and its end on the sheet [mm].
    heading
        Where the stem's outward axis points on the sheet, from x towards y [degree].
    tilt, turn, swing
        Of the view from straight above, of the camera about its own axis, and towards which side of the sheet the view tilts
        [degree].
    distance, focal_35mm, print_scale
        Of the camera, the focal length that a 35 mm camera would have, and the true length of a printed millimetre [mm].
    size, blur_px
        Width and height of the picture, and its blur [px].
    sun, exposure, noise
        Share of the light that comes from the sun; light of white paper, 1 for clipped; standard deviation of the light
        where it is white [no unit].
    sun_from
        Bearing on the sheet, and height above it [degree].
    jpeg, bark, buds, stub, dirt
        Quality, 0 to 100; name of the look; how many buds; is there a stub; how many specks [no unit].
    tint, wood
        Factors on blue, green and red of the light; red, green and blue of bare wood, 0 to 1 [no unit].
    chipped
        How much bark is missing along a clean cut's rim [diameters].
    """

    seed: int = 0
    kind: str = "clean"
    theta: float = 35.0
    roll: float = 0.0
    diameter: float = 5.0
    bark: str = "brown"
    tip: tuple[float, float] = (75.0, 50.0)
    heading: float = 30.0
    tilt: float = 15.0
    turn: float = 0.0
    swing: float = 0.0
    distance: float = 260.0
    size: tuple[int, int] = (2000, 1500)
    focal_35mm: float = 27.0
    sun: float = 0.6
    sun_from: tuple[float, float] = (35.0, 50.0)
    blur_px: float = 0.6
    noise: float = 0.01
    jpeg: int = 88
    exposure: float = 0.85
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    buds: int = 1
    stub: bool = False
    dirt: int = 15
    print_scale: float = 1.0
    wood: tuple[float, float, float] = WOOD
    chipped: float = 0.0


@dataclass(frozen=True)
class Truth:
    """Exact values by the definitions of the measured quantities.

    Parameters
    ----------
    kind
        clean, half or torn [no unit].
    seen_slope_deg, true_slope_deg
        The latter None where the end has no one slope [degree].
    end_diameter_mm
        One diameter below the end [mm].
    raggedness, longest_fibre
        As measured [diameters].
    outline_px, tip_px, back_px
        (n, 2) outline, and (2,) the end and a point farther back [upright px].
    """

    kind: str
    seen_slope_deg: float
    true_slope_deg: float | None
    end_diameter_mm: float
    raggedness: float
    longest_fibre: float
    outline_px: np.ndarray
    tip_px: np.ndarray
    back_px: np.ndarray


@dataclass(frozen=True)
class _Shape:
    """The end over the stem's section: y across [radii], outermost and near edge [mm] along the axis there."""

    y: np.ndarray
    outermost: np.ndarray
    near: np.ndarray
    fibres: list[tuple[float, float, float, float]]  # y, start, length, width
    along: np.ndarray  # places [mm] along the axis
    rough: np.ndarray  # (along, y): whether the wood seen there is torn


def any_setting(seed: int, kind: str | None = None) -> TwigSetting:
    """A setting drawn at random over the range that the tool is meant for.

    Parameters
    ----------
    seed
        Of the random draw [no unit].
    kind
        Form of the end: clean, half or torn; None for any [no unit].
    """
    rng = np.random.default_rng(seed)
    kind = kind or str(rng.choice(["clean", "half", "torn"], p=[0.5, 0.25, 0.25]))
    diameter = float(np.exp(rng.uniform(np.log(1.5), np.log(12))))
    heading = float(rng.uniform(-180, 180))
    light = rng.choice(["sun", "shade", "overcast"])
    return TwigSetting(
        seed=seed,
        kind=kind,
        theta=float(rng.uniform(0, 58)),
        roll=float(rng.choice([0, 180]) + rng.normal(0, 28)),
        diameter=diameter,
        bark=str(rng.choice(list(BARKS), p=[0.3, 0.25, 0.3, 0.15])),
        tip=(float(rng.uniform(30, 120)), float(rng.uniform(28, 72))),
        heading=heading,
        tilt=float(rng.uniform(0, 40)),
        turn=float(rng.uniform(-180, 180)),
        swing=float(rng.uniform(-180, 180)),
        distance=float(rng.uniform(210, 380)),
        focal_35mm=float(rng.integers(24, 30)),
        sun=float(rng.uniform(0.45, 0.75)) if light == "sun" else 0.0,
        sun_from=(float(rng.uniform(-180, 180)), float(rng.uniform(30, 75))),
        blur_px=float(rng.uniform(0.35, 0.9)),
        noise=float(np.exp(rng.uniform(np.log(0.004), np.log(0.03)))),
        jpeg=int(rng.integers(78, 95)),
        exposure=float(rng.uniform(0.6, 1.02)),
        tint=tuple(float(v) for v in rng.uniform(0.9, 1.1, 3)),  # type: ignore[arg-type]
        buds=int(rng.integers(0, 3)),
        stub=bool(rng.random() < 0.25),
        dirt=int(rng.integers(0, 40)),
        wood=_any_wood(rng),
        chipped=_between(rng, 0.003, 0.04),
    )


def _any_wood(rng: np.random.Generator) -> tuple[float, float, float]:
    """Reflectance of a face: most are fresh, some have weathered towards grey."""
    lighter, redder, greener = rng.normal(0, (0.12, 0.06, 0.04))
    fresh = np.array(WOOD) * np.exp(lighter + np.array([redder - greener / 2, greener, -redder - greener / 2]))
    old = max(float(rng.uniform(-1.5, 0.8)), 0.0)
    return tuple(float(v) for v in (1 - old) * fresh + old * np.array(WEATHERED))  # type: ignore[return-value]


def picture_of(setting: TwigSetting) -> tuple[bytes, Truth]:
    """The picture as the bytes of a JPEG file with its focal length in EXIF, and the truth about it.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    bgr, truth = raster_of(setting)
    return as_jpeg(bgr, setting), truth


def raster_of(setting: TwigSetting) -> tuple[np.ndarray, Truth]:
    """The picture before it is compressed, (h, w, 3) uint8 blue green red, and the truth about it.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    rng = np.random.default_rng(setting.seed + 77)
    K, R, t = _camera(setting)
    scale = setting.print_scale
    H = K @ np.column_stack([R[:, 0], R[:, 1], t])
    radius = setting.diameter / 2
    heading = np.radians(setting.heading)
    along = np.array([np.cos(heading), np.sin(heading), 0.0])
    tip = np.array([*setting.tip, -radius])
    view = tip + R.T @ t
    view /= np.linalg.norm(view)
    across = np.cross(view, along)
    across /= np.linalg.norm(across)
    lean = float(-view @ along)
    shape = _end_shape(setting, rng, -lean / np.sqrt(1 - lean**2))
    length = _length_on(setting)

    sheet = _sheet(setting, rng)
    light = _shadowed(sheet, setting, shape, length)
    mm_per_cell = scale / PRINT_MM
    to_mm = np.array([[mm_per_cell, 0, mm_per_cell / 2], [0, mm_per_cell, mm_per_cell / 2], [0, 0, 1]])
    scene = _ground(setting, rng)
    coverage = np.full(light.shape[:2], 1.0, np.float32)
    H_sheet = H @ to_mm
    seen = cv2.warpPerspective(light, H_sheet, setting.size, flags=cv2.INTER_LINEAR)
    covered = cv2.warpPerspective(coverage, H_sheet, setting.size, flags=cv2.INTER_LINEAR)[..., None]
    scene = scene * (1 - covered) + seen * covered

    def project(xy: np.ndarray) -> np.ndarray:
        space = tip + xy[:, :1] * along + xy[:, 1:] * across
        camera = space @ R.T + t
        return (camera[:, :2] / camera[:, 2:]) @ K[:2, :2].T + K[:2, 2]

    if setting.kind != "none":
        scene = _lay_twig(scene, setting, rng, shape, length, project, across, along, view)
    return _exposed(scene, setting, rng), _truth(setting, shape, project, length)


def _camera(setting: TwigSetting) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    width, height = setting.size
    focal = setting.focal_35mm * float(np.hypot(width, height)) / 43.267
    K = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    turn, swing, tilt = np.radians([setting.turn, setting.swing, setting.tilt])
    about = cv2.Rodrigues(np.array([np.cos(swing), np.sin(swing), 0]) * tilt)[0]
    R = cv2.Rodrigues(np.array([0, 0, turn]))[0] @ about
    centre = np.array([75.0, 50.0, 0.0]) * setting.print_scale
    t = np.array([0, 0, setting.distance]) - R @ centre
    return K, R, t


def _length_on(setting: TwigSetting) -> float:
    """How long the stem is: it reaches beyond the sheet's edge."""
    heading = np.radians(setting.heading)
    back = -np.array([np.cos(heading), np.sin(heading)])
    width, height = (side * setting.print_scale for side in CARD.size_mm)
    reach = [
        (edge - place) / step
        for place, step, edges in ((setting.tip[0], back[0], (0, width)), (setting.tip[1], back[1], (0, height)))
        for edge in edges
        if abs(step) > 1e-6 and (edge - place) / step > 0
    ]
    return min(reach) + 25.0


def _end_shape(setting: TwigSetting, rng: np.random.Generator, shear: float) -> _Shape:
    """The end's edges as seen; `shear` : how far a point nearer the camera appears along the axis, per mm.

    The end is a height over the stem's round section: the cut's plane, and over a torn part splinters that start
    before or behind it. A half end is clean over 40 to 70 % of the section, as often from a lip of the cut on as from
    any side. Its tear begins where the cut stopped, and leaves the cut's plane at once, for wood splits along the
    grain, or little by little.
    """
    radius = setting.diameter / 2
    y = np.linspace(-0.999, 0.999, 401)
    section = np.linspace(-1.0, 1.0, 41)[:, None] * np.sqrt(1 - y**2)  # depths [radii], towards the camera the last
    theta = setting.theta if setting.kind != "torn" else float(rng.uniform(0, 55))
    steep, roll = np.tan(np.radians(theta)), np.radians(setting.roll)
    height = (steep * (np.cos(roll) * y + np.sin(roll) * section) + shear * section) * radius
    torn = np.full(height.shape, setting.kind == "torn")
    grown = np.ones(height.shape)  # how far the tear has left the cut's plane
    if setting.kind == "half":
        lip = roll + float(rng.choice([0, np.pi]) + rng.normal(0, np.radians(30)))
        split = lip if rng.random() < 0.5 else float(rng.uniform(-np.pi, np.pi))
        place = np.cos(split) * y + np.sin(split) * section
        beyond = place - np.quantile(place, float(rng.uniform(0.4, 0.7)))
        torn = beyond > 0
        grown = 1 - np.exp(-np.clip(beyond, 0, None) / float(rng.uniform(0.02, 0.4)))
    bared = _chipped(setting, y)
    fibres: list[tuple[float, float, float, float]] = []
    if torn.any():
        splinters = _splinters(y, section, rng) * setting.diameter
        height = np.where(torn, height + grown * splinters, height)
        # bark that went with the torn piece, beyond the wood, or less than the wood that went [diameters]
        pieces = int(rng.integers(5, 20))
        bare = rng.normal(0.15, _between(rng, 0.08, 0.5), pieces)
        bared = np.where(torn[-1], np.interp(y, np.linspace(-1, 1, pieces), bare) * setting.diameter, bared)
        rows, columns = np.nonzero(torn)
        longest = _between(rng, 0.3, 1.6)
        for k in rng.integers(0, len(rows), int(rng.integers(0, 35))):
            width = float(rng.uniform(0.01, 0.05)) * setting.diameter
            reach = float(rng.uniform(0.1, 1.0)) * longest * setting.diameter
            fibres.append((0.97 * float(y[columns[k]]), float(height[rows[k], columns[k]]), reach, width))
    outermost = height.max(axis=0)
    if torn.any() and rng.random() < (0.4 if setting.kind == "torn" else 0.1):
        at, width = float(rng.choice(y[torn.any(axis=0)])), float(rng.uniform(0.2, 0.6))
        tongue = np.clip(1 - ((y - at) / (width / 2)) ** 2, 0, None) ** 0.5 * rng.uniform(0.6, 2.2)
        outermost = outermost + tongue * setting.diameter
    near = np.minimum(height[-1] - bared, outermost)
    along = np.linspace(float(height.min()), float(outermost.max()) + 0.01, 150)
    return _Shape(y, outermost, near, fibres, along, _seen_torn(height, torn, along))


def _chipped(setting: TwigSetting, y: np.ndarray) -> np.ndarray:
    """How far bark has chipped off behind the wood along a clean cut's rim [mm]."""
    own = np.random.default_rng(setting.seed + 79)
    pieces = int(own.integers(6, 40))
    chips = np.abs(own.normal(0, setting.chipped, pieces))
    return np.interp(y, np.linspace(-1, 1, pieces), chips) * setting.diameter


def _seen_torn(height: np.ndarray, torn: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Whether the foremost wood that reaches to each place along the axis is torn, (along, y) of 0 and 1."""
    if torn.all() or not torn.any():
        return np.full((len(along), torn.shape[1]), torn.all(), np.float32)
    reach = np.maximum.accumulate(height[::-1], axis=0)  # from the camera's side inwards
    first = np.array([(reach < x).sum(axis=0) for x in along]).clip(0, len(height) - 1)
    return np.take_along_axis(torn[::-1], first, axis=0).astype(np.float32)


def _splinters(y: np.ndarray, section: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """How far a torn end's splinters stand out from its plane over the section, in diameters.

    They are bundles of fibres that end at unlike heights, most of them pointed.
    """
    bundles = int(rng.integers(8, 45))
    sites = rng.uniform(-1, 1, (bundles, 2))
    away = np.hypot(y[None, None, :] - sites[:, :1, None], section[None] - sites[:, 1:, None])
    own = np.argmin(away, axis=0)
    taper = float(rng.uniform(0.0, 2.5)) * np.sqrt(bundles / 20) * np.min(away, axis=0)
    ends = rng.normal(0, 1, bundles)[own] - taper
    return _between(rng, 0.1, 0.45) * (ends - ends.mean()) + float(rng.normal(0, 0.25))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Any size between two, each ratio as likely."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _sheet(setting: TwigSetting, rng: np.random.Generator) -> np.ndarray:
    """The printed sheet's reflectance, (100, 150, 3) times PRINT_MM squared, blue green red."""
    width, height = (int(side * PRINT_MM) for side in CARD.size_mm)
    sheet = np.full((height, width), 0.9, np.float32)
    side = int(CARD.side_mm * PRINT_MM)
    for marker, (x, y) in CARD.markers.items():
        ink = marker_picture(marker, side)
        grey = cv2.resize(ink, (side, side), interpolation=cv2.INTER_NEAREST) > 127
        u, v = int(x * PRINT_MM - side / 2), int(y * PRINT_MM - side / 2)
        sheet[v : v + side, u : u + side] = np.where(grey, 0.9, 0.04)
    for tick in range(10, 141):
        u = tick * PRINT_MM
        sheet[height - (20 if tick % 10 else 32) : height - 6, u - 1 : u + 1] = 0.05
    for step in range(4):
        u = (94 + 8 * step) * PRINT_MM
        sheet[int(90 * PRINT_MM) : int(94 * PRINT_MM), u : u + 6 * PRINT_MM] = 0.15 + 0.18 * step
    sheet = np.repeat(sheet[..., None], 3, axis=2)
    for _ in range(setting.dirt):
        at = (int(rng.uniform(0, width)), int(rng.uniform(0, height)))
        cv2.circle(sheet, at, int(rng.uniform(1, 5)), (0.05, 0.08, 0.12), cv2.FILLED, cv2.LINE_AA)
    return sheet


def _shadowed(sheet: np.ndarray, setting: TwigSetting, shape: _Shape, length: float) -> np.ndarray:
    """The sheet in the setting's light: the sun's cast shadow, and the sky hidden close beside the stem."""
    height, width = sheet.shape[:2]
    scale = PRINT_MM / setting.print_scale
    heading = np.radians(setting.heading)
    along = np.array([np.cos(heading), np.sin(heading)])
    across = np.array([along[1], -along[0]])
    tip = np.array(setting.tip)
    radius = setting.diameter / 2
    lit = np.ones((height // 2, width // 2), np.float32)
    closeness = np.ones((height // 2, width // 2), np.float32)
    if setting.kind != "none":
        rim = np.stack([shape.outermost, shape.y * radius], axis=1)
        stem = np.vstack([rim, [(-length, radius), (-length, -radius)]])
        ground = tip + stem[:, :1] * along + stem[:, 1:] * across
        bearing, rise = np.radians(setting.sun_from)
        throw = radius / np.tan(rise) * -np.array([np.cos(bearing), np.sin(bearing)])
        if setting.sun > 0:
            for part in np.linspace(0.1, 1.6, 6):
                points = np.round((ground + throw * part) * scale / 2 * 16).astype(np.int32)
                cv2.fillPoly(lit, [points], 0.0, cv2.LINE_AA, 4)
            lit = cv2.GaussianBlur(lit, (0, 0), 0.5 + 0.04 * radius * scale)
        body = np.zeros_like(lit)
        cv2.fillPoly(body, [np.round(ground * scale / 2 * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        wide = max(0.7 * radius * scale / 2, 0.8)
        closeness = 1 - 0.75 * cv2.GaussianBlur(body, (0, 0), wide)
    lit = cv2.resize(lit, (width, height))[..., None]
    closeness = cv2.resize(closeness, (width, height))[..., None]
    sky = np.array([1.15, 1.0, 0.9], np.float32) * (1 - setting.sun)
    sun = np.array([0.95, 1.0, 1.03], np.float32) * setting.sun
    return sheet * (sky * closeness + sun * lit)


def _ground(setting: TwigSetting, rng: np.random.Generator) -> np.ndarray:
    width, height = setting.size
    rough = rng.uniform(0.3, 1.7, (height // 24, width // 24, 1)).astype(np.float32)
    rough = cv2.resize(rough, (width, height), interpolation=cv2.INTER_CUBIC)[..., None]
    colour = np.array([(0.05, 0.09, 0.13), (0.04, 0.12, 0.08)][int(rng.integers(2))], np.float32)
    return rough * colour


def _lay_twig(
    scene: np.ndarray,
    setting: TwigSetting,
    rng: np.random.Generator,
    shape: _Shape,
    length: float,
    project,
    across: np.ndarray,
    along: np.ndarray,
    view: np.ndarray,
) -> np.ndarray:
    """Draw the stem in its own plane, finely, and lay it over the scene."""
    radius = setting.diameter / 2
    ends = project(np.array([(0.0, 0.0), (0.0, 1.0), (-1.0, 0.0)]))
    per_mm = float(np.linalg.norm(ends[1] - ends[0])) * FINE
    ahead = float(max(shape.outermost.max(), max((f[1] + f[2] for f in shape.fibres), default=0))) + 1.0
    aside = 2.2 * radius + 1.0
    behind = length
    w, h = int((behind + ahead) * per_mm), int(2 * aside * per_mm)

    def cells(xy: np.ndarray) -> np.ndarray:
        return (xy + (behind, aside)) * per_mm - 0.5

    x = (np.arange(w) + 0.5) / per_mm - behind
    y = (np.arange(h) + 0.5) / per_mm - aside
    near = np.interp(y / radius, shape.y, shape.near, left=-99, right=-99)
    mask = np.zeros((h, w), np.uint8)
    rim = np.stack([shape.outermost, shape.y * radius], axis=1)
    outline = np.vstack([rim, [(-behind - 1, radius), (-behind - 1, -radius)]])
    cv2.fillPoly(mask, [np.round(cells(outline) * 64).astype(np.int32)], 255, cv2.LINE_8, 6)
    own = np.random.default_rng(setting.seed + 78)  # what is new here must not change all else that is drawn
    stiff = _between(own, 0.05, 0.3)
    for place, start, reach, width in shape.fibres:
        bend = float(rng.normal(0, stiff)) * reach
        strand = np.array(
            [(start - 0.2 * reach, place * radius - width / 2), (start + reach, place * radius + bend),
             (start - 0.2 * reach, place * radius + width / 2)]
        )
        cv2.fillPoly(mask, [np.round(cells(strand) * 64).astype(np.int32)], 255, cv2.LINE_8, 6)
    for _ in range(setting.buds):
        at = (-float(rng.uniform(1.2, 5)) * setting.diameter, float(rng.choice([-1, 1])) * radius)
        axes = (int(0.35 * setting.diameter * per_mm), int(0.16 * setting.diameter * per_mm))
        cv2.ellipse(mask, tuple(int(v) for v in cells(np.array([at]))[0]), axes, 0, 0, 360, 255, cv2.FILLED)
    if setting.stub:
        side = float(rng.choice([-1, 1]))
        foot = np.array([-float(rng.uniform(2, 6)) * setting.diameter, 0.0])
        head = foot + np.array([0.8, side * 1.0]) * setting.diameter
        thick = max(1, int(0.5 * setting.diameter * per_mm))
        cv2.line(mask, *[tuple(int(v) for v in cells(p[None])[0]) for p in (foot, head)], 255, thick)
    alpha = mask.astype(np.float32) / 255
    shown = _shown(mask, setting, cells, project)  # elsewhere no colour need be worked out
    rows, columns = shown

    level = y[rows] / radius
    depth = np.sqrt(np.clip(1 - level**2, 0, 1))[:, None]
    normal = level.clip(-1, 1)[:, None, None] * across + depth[..., None] * np.cross(across, along)
    bearing, rise = np.radians(setting.sun_from)
    to_sun = np.array([np.cos(bearing) * np.cos(rise), np.sin(bearing) * np.cos(rise), -np.sin(rise)])
    lambert = np.clip(normal @ to_sun, 0, None) / np.sin(rise)
    open_sky = 0.35 + 0.65 * (1 - normal[..., 2]) / 2
    sky = np.array([1.15, 1.0, 0.9], np.float32) * (1 - setting.sun)
    sun = np.array([0.95, 1.0, 1.03], np.float32) * setting.sun
    bark_light = (open_sky[..., None] * sky + np.minimum(lambert, 1.5)[..., None] * sun).astype(np.float32)  # (h, 1, 3)
    grain = rng.normal(0, 1, (max(h // 3, 4), max(w // 30, 4))).astype(np.float32)
    grain = cv2.resize(grain, (w, h), interpolation=cv2.INTER_CUBIC)
    fleck = rng.normal(0, 1, (max(h // 8, 4), max(w // 12, 4))).astype(np.float32)
    fleck = cv2.resize(fleck, (w, h), interpolation=cv2.INTER_CUBIC)
    texture = np.exp(0.22 * grain[shown] + 0.15 * fleck[shown])[..., None]
    bark = np.array(BARKS[setting.bark][::-1], np.float32)
    colour = bark * texture * bark_light
    coarse = max(0.25 * setting.diameter * per_mm, 2.0)
    blotch = rng.normal(0, 1, (int(h / coarse) + 2, int(w / (1.6 * coarse)) + 2)).astype(np.float32)
    blotch = cv2.resize(blotch, (w, h), interpolation=cv2.INTER_CUBIC) + 0.5 * grain
    lichen = ((fleck[shown] > 2.2) | (blotch[shown] > rng.uniform(1.2, 3.5)))[..., None]
    colour = np.where(lichen, np.float32([0.25, 0.3, 0.28]) * (1 + 0.15 * grain[shown][..., None]) * bark_light, colour)
    to_shape = np.array([
        [1 / np.ptp(shape.along[:2]), 0, -shape.along[0] / np.ptp(shape.along[:2])],
        [0, 1 / np.ptp(shape.y[:2]) / radius, -shape.y[0] / np.ptp(shape.y[:2])],
    ]) @ np.array([[1 / per_mm, 0, x[0]], [0, 1 / per_mm, y[0]], [0, 0, 1]])
    rough = cv2.warpAffine(np.ascontiguousarray(shape.rough.T), to_shape, (w, h),
                           flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    strands = cv2.GaussianBlur(rng.normal(0, 1, (h, 1)).astype(np.float32), (0, 0), 0.02 * setting.diameter * per_mm + 0.5)
    strands = strands / (strands.std() + 1e-6) + 0.6 * fleck
    fine = max(0.03 * setting.diameter * per_mm, 1.0)
    rings = rng.normal(0, 1, (int(h / fine) + 2, int(w / fine) + 2)).astype(np.float32)
    rings = cv2.resize(rings, (w, h), interpolation=cv2.INTER_LINEAR) * rng.uniform(0.02, 0.25)
    # a torn face is of splinters that look each its own way, with dark clefts between them
    cleft = own.normal(0, 1, (int(own.integers(8, 50)), int(w / per_mm / setting.diameter) + 4)).astype(np.float32)
    cleft = cv2.resize(np.minimum(cleft, 0.6), (w, h), interpolation=cv2.INTER_CUBIC)
    face = x[columns][None, :] > near[rows][:, None]
    clefts = float(own.uniform(0.1, 0.7)) * cleft[shown]
    toned = np.exp(0.06 * grain[shown] + rings[shown] + rough[shown] * (0.3 * strands[shown] + clefts))[..., None]
    wood = np.array(setting.wood[::-1], np.float32) * toned * (0.75 * sky + 0.6 * sun)
    colour = np.where(face[..., None], wood, colour).astype(np.float32)

    layer = np.zeros((h, w, 4), np.float32)
    layer[shown] = np.concatenate([colour * alpha[shown][..., None], alpha[shown][..., None]], axis=2)
    layer = cv2.GaussianBlur(layer, (0, 0), 0.35 * FINE)
    corners = np.array([(-behind, -aside), (ahead, -aside), (ahead, aside), (-behind, aside)])
    px = project(corners)
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 3, setting.size)
    H = cv2.getPerspectiveTransform(cells(corners).astype(np.float32), (px - (x0, y0)).astype(np.float32))
    laid = cv2.warpPerspective(layer, H, (int(x1 - x0), int(y1 - y0)), flags=cv2.INTER_LINEAR)
    part = scene[y0:y1, x0:x1]
    scene[y0:y1, x0:x1] = part * (1 - laid[..., 3:]) + laid[..., :3]
    return scene


def _shown(mask: np.ndarray, setting: TwigSetting, cells, project) -> tuple[slice, slice]:
    """The rows and columns of the stem's own raster in which there is something and which the picture shows."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    plane = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    back = cv2.getPerspectiveTransform(project(plane).astype(np.float32), cells(plane).astype(np.float32))
    width, height = setting.size
    frame = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)]) @ back.T
    first, last = columns[0], columns[-1]
    if (frame[:, 2] > 0).all():  # else the picture shows the plane's horizon
        along = frame[:, 0] / frame[:, 2]
        first, last = max(first, int(along.min()) - 60), min(last, int(along.max()) + 60)
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(first), int(last) + 1)


def _exposed(scene: np.ndarray, setting: TwigSetting, rng: np.random.Generator) -> np.ndarray:
    """Lens blur, noise and tone curve."""
    scene = cv2.GaussianBlur(scene, (0, 0), max(setting.blur_px, 0.2))
    scene = scene * (np.array(setting.tint, np.float32) * setting.exposure / 0.9)
    tile = rng.normal(0, setting.noise, (512, 512, 3)).astype(np.float32)
    width, height = setting.size
    noise = np.tile(tile, (height // 512 + 1, width // 512 + 1, 1))[:height, :width]
    scene = scene + noise * np.sqrt(np.clip(scene, 0.02, None))
    curve = (255 * (np.linspace(0, 1, 4096) ** (1 / GAMMA))).round().astype(np.uint8)
    return np.asarray(curve[(np.clip(scene, 0, 1) * 4095).astype(np.uint16)])


def as_jpeg(bgr: np.ndarray, setting: TwigSetting) -> bytes:
    """A JPEG file of the setting's quality with its focal length in EXIF.

    Parameters
    ----------
    bgr
        The picture, (h, w, 3) uint8 [no unit].
    setting
        Of the scene [no unit].
    """
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = round(setting.focal_35mm)
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])).save(out, "JPEG", quality=setting.jpeg, exif=exif)
    return out.getvalue()


def _truth(setting: TwigSetting, shape: _Shape, project, length: float) -> Truth:
    radius, diameter = setting.diameter / 2, setting.diameter
    middle = np.abs(shape.y) <= 0.8
    y, x = shape.y[middle] * radius, shape.outermost[middle]
    slope, offset = np.polyfit(y, x, 1)
    residual = x - offset - slope * y
    reach = [start + long - offset - slope * at * radius for at, start, long, _ in shape.fibres]
    reach.append(float(residual.max()))
    rim = np.stack([shape.outermost, shape.y * radius], axis=1)
    outline = np.vstack([rim, [(-length, radius), (-length, -radius)]])
    ends = project(np.array([(float(x.mean()), 0.0), (-5 * diameter, 0.0)]))
    return Truth(
        kind=setting.kind,
        seen_slope_deg=float(np.degrees(np.arctan(abs(slope)))),
        true_slope_deg=setting.theta if setting.kind == "clean" else None,
        end_diameter_mm=diameter,
        raggedness=float(np.sqrt((residual**2).mean())) / diameter,
        longest_fibre=max(reach) / diameter,
        outline_px=project(outline),
        tip_px=ends[0],
        back_px=ends[1],
    )
