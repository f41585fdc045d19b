"""What did the tool see? The picture around the wound with outline, axis, fitted face, numbers and a scale bar."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from diagnose.figures import figure
from diagnose.measure.record import Measurement
from diagnose.photo.picture import CannotUse, Picture
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    from diagnose.diagnosis import Diagnosis

SIDE = 1100  # longer side of the annotated picture [px]
_INSET = 0.26  # of the shorter side
# hues that colour-blind eyes can tell apart (Okabe and Ito 2008), each over a dark halo
_ORANGE, _SKY, _YELLOW, _WHITE, _DARK = (230, 159, 0), (86, 180, 233), (240, 228, 66), (255, 255, 255), (16, 22, 20)
_LINES = {
    "outline": (_ORANGE, 3, True), "patch": (_ORANGE, 3, True), "axis": (_SKY, 2, False),
    "face_line": (_YELLOW, 5, False),
    "diameter_line": (_WHITE, 3, False), "stem_left": (_SKY, 2, False), "stem_right": (_SKY, 2, False),
    "groove_direction": (_YELLOW, 4, False), "staff_line": (_SKY, 2, False),
}  # fmt: skip
_TOLD = {
    "seen_slope_deg": "slope seen", "true_slope_deg": "true slope", "end_diameter_mm": "diameter", "end_form": "end",
    "groove_spacing_mm": "grooves", "patch_height_mm": "patch height", "patch_width_mm": "patch width",
    "bark_loss": "bark lost", "stem_diameter_mm": "stem", "wound_height_mm": "height above ground",
}  # fmt: skip


def annotate(
    picture: Picture, measurement: Measurement, px_per_mm: float | None = None, inches: bool = False
) -> np.ndarray:
    """The neighbourhood of the wound, enlarged, with what was measured: (h, w, 3) uint8 BGR.

    Without a measurement, the whole picture with the reason written on it.

    Parameters
    ----------
    picture
        The upright photo [no unit].
    measurement
        What was measured in it, with its shapes in pixels of the picture [no unit].
    px_per_mm
        At the wound, for a scale bar (Measurement.px_per_mm); None where it is not known [px per mm].
    inches
        Are lengths told in inches and feet, else in millimetres? [no unit]
    """
    x0, y0, x1, y1 = _frame(picture, measurement)
    zoom = SIDE / max(x1 - x0, y1 - y0)
    part = picture.bgr[y0:y1, x0:x1]
    filter_ = cv2.INTER_CUBIC if zoom > 1 else cv2.INTER_AREA
    shown = cv2.resize(part, (round((x1 - x0) * zoom), round((y1 - y0) * zoom)), interpolation=filter_)
    image = Image.fromarray(shown[..., ::-1])
    draw = ImageDraw.Draw(image)

    def at(points: np.ndarray) -> list[tuple[float, float]]:
        return [tuple(p) for p in ((np.atleast_2d(points) - (x0, y0) + 0.5) * zoom - 0.5).tolist()]

    for name, (colour, width, closed) in _LINES.items():
        if name in measurement.shapes:
            points = at(measurement.shapes[name])
            _line(draw, points + points[:1] if closed else points, colour, width)
    for name in ("tip", "foot"):
        if name in measurement.shapes:
            _ring(draw, at(measurement.shapes[name])[0])
    _write_numbers(draw, image.size, measurement, inches)
    if px_per_mm is not None:
        _scale_bar(draw, image.size, px_per_mm * zoom)
    if (x1 - x0) * (y1 - y0) < 0.5 * picture.size[0] * picture.size[1]:
        _inset(image, picture, (x0, y0, x1, y1))
    return np.ascontiguousarray(np.asarray(image)[..., ::-1])


def write_annotated(found: Diagnosis, path: str | Path) -> Path:
    """Writes the annotated picture of a diagnosis and returns its path.

    Parameters
    ----------
    found
        The diagnosis of one photo [no unit].
    path
        The picture's file; its ending says the format [no unit].

    Raises
    ------
    CannotUse
        Where there is no photo, and for another ending.
    """
    if found.picture is None:
        raise CannotUse("there is no photo to annotate; give one")
    if Path(path).suffix.lower() not in (".jpg", ".jpeg", ".png", ".webp"):
        raise CannotUse(f"{path} must end in .jpg, .png or .webp")
    shown = annotate(found.picture, found.measurement, found.measurement.px_per_mm(found.plane))
    _, data = cv2.imencode(Path(path).suffix, shown)
    return write_whole(path, data.tobytes())


def _frame(picture: Picture, measurement: Measurement) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of what is shown [px]: the wound with room around it, or the whole picture."""
    width, height = picture.size
    points = measurement.at_wound()
    if not len(points):
        return 0, 0, width, height
    low, high = points.min(axis=0), points.max(axis=0)
    room = 1.6 * max(float((high - low).max()), 24.0)
    middle = (low + high) / 2
    half = np.array([1.0, 0.75]) * max(room, 60.0)
    left, top = np.maximum(np.floor(middle - half), 0).astype(int)
    right, bottom = np.minimum(np.ceil(middle + half), (width, height)).astype(int)
    return int(left), int(top), int(right), int(bottom)


def _line(draw: ImageDraw.ImageDraw, points: list[tuple[float, float]], colour: tuple[int, ...], width: int) -> None:
    draw.line(points, fill=_DARK, width=width + 3, joint="curve")
    draw.line(points, fill=colour, width=width, joint="curve")


def _ring(draw: ImageDraw.ImageDraw, point: tuple[float, float]) -> None:
    x, y = point
    draw.ellipse((x - 14, y - 14, x + 14, y + 14), outline=_DARK, width=7)
    draw.ellipse((x - 13, y - 13, x + 13, y + 13), outline=_YELLOW, width=4)


def _write_numbers(
    draw: ImageDraw.ImageDraw, size: tuple[int, int], measurement: Measurement, inches: bool
) -> None:
    there = {name: told for name, told in _TOLD.items() if name in measurement.measured}
    lines = [f"{told}  {_short(name, measurement, inches)}" for name, told in there.items()]
    if not lines:
        lines = list(dict.fromkeys(measurement.not_measured.values()))[:1] or ["nothing was measured"]
    font = ImageFont.load_default(max(18, size[0] // 30))
    lines = [piece for line in lines for piece in _wrapped(line, font, 0.8 * size[0])]
    tall = round(font.size * 1.35)  # type: ignore[union-attr]
    wide = round(max(font.getlength(line) for line in lines)) + 2 * tall // 3
    draw.rectangle((0, 0, wide, tall * len(lines) + tall // 2), fill=_DARK)
    for row, line in enumerate(lines):
        draw.text((tall // 3, tall // 4 + row * tall), line, fill=_WHITE, font=font)


def _wrapped(line: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: float) -> list[str]:
    pieces = [""]
    for word in line.split(" "):
        longer = f"{pieces[-1]} {word}".strip() if pieces[-1] else word
        if font.getlength(longer) > width and pieces[-1]:
            pieces.append(word)
        else:
            pieces[-1] = longer if pieces[-1] else word
    return pieces


def _short(name: str, measurement: Measurement, inches: bool) -> str:
    told = figure(name, measurement.measured[name], inches)
    return told.split(",")[0] if name == "end_form" else told


def _scale_bar(draw: ImageDraw.ImageDraw, size: tuple[int, int], per_mm: float) -> None:
    """A bar of a round length, true where the wound is. per_mm : pixels of the shown picture for a millimetre."""
    length = next((mm for mm in (1, 2, 5, 10, 20, 50, 100, 200, 500) if mm * per_mm > 0.12 * size[0]), 1000)
    x, y = 24, size[1] - 30
    font = ImageFont.load_default(max(18, size[0] // 32))
    draw.rectangle((x - 10, y - 48, x + length * per_mm + 10, y + 16), fill=_DARK)
    draw.line([(x, y), (x + length * per_mm, y)], fill=_WHITE, width=5)
    for end in (x, x + length * per_mm):
        draw.line([(end, y - 7), (end, y + 7)], fill=_WHITE, width=3)
    draw.text((x, y - 46), f"{length} mm", fill=_WHITE, font=font)


def _inset(image: Image.Image, picture: Picture, frame: tuple[int, int, int, int]) -> None:
    """The whole picture, small, in the corner, with a frame where the large part lies."""
    width, height = picture.size
    shrink = _INSET * min(image.size) / max(width, height)
    small = cv2.resize(picture.bgr, (round(width * shrink), round(height * shrink)), interpolation=cv2.INTER_AREA)
    inset = Image.fromarray(small[..., ::-1])
    draw = ImageDraw.Draw(inset)
    box = tuple(side * shrink for side in frame)
    draw.rectangle(box, outline=_DARK, width=4)
    draw.rectangle(box, outline=_YELLOW, width=2)
    draw.rectangle((0, 0, inset.width - 1, inset.height - 1), outline=_WHITE, width=2)
    image.paste(inset, (image.width - inset.width - 8, image.height - inset.height - 8))
