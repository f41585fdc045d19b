"""Decoding keeps within a stated memory, takes the picture that is meant, and reads what its file says of it."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from diagnose.inbox.work import look_at
from diagnose.photo import picture
from diagnose.photo.decode import MEMORY_LIMIT
from diagnose.photo.picture import CannotUse, read_picture
from tests.conftest import PHOTOS
from tests.limited import peak_mb
from tests.test_picture import one_line, scene, stored

LOOKED = """
import sys
from diagnose.fieldlog.likeness import likeness
from diagnose.inbox.work import look_at
data = open(sys.argv[1], "rb").read()
likeness(data)
print(look_at(data, "picture").get("error", "measured"))
"""
SIDES = (10_900, 10_900)  # just below the limit of pixels


def _flat(mode: str) -> Image.Image:
    return Image.new(mode, SIDES, 1 if mode in ("1", "P") else tuple(range(1, 1 + len(Image.new(mode, (1, 1)).getbands()))))


@pytest.mark.parametrize(("name", "mode", "how"), [
    ("clear.png", "RGBA", {}), ("palette.png", "P", {"transparency": 1}), ("clear.webp", "RGBA", {"lossless": True}),
    ("printed.tif", "CMYK", {"compression": "tiff_adobe_deflate"}),
    ("scans.jpg", "RGB", {"progressive": True, "subsampling": 0, "quality": 5}),
])
def test_a_small_file_that_unpacks_to_a_huge_picture_never_takes_a_gigabyte(
    tmp_path: Path, name: str, mode: str, how: dict
) -> None:
    file = tmp_path / name
    _flat(mode).save(file, **how)
    assert file.stat().st_size < 2_000_000
    peak, told = peak_mb(LOOKED, str(file))
    assert peak < 1000, f"{peak:.0f} MB"
    assert "MB to decode" in told


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.webp"])
def test_a_picture_is_decoded_once_for_all_that_is_measured_on_it(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    decoded = []

    def counted(real: Callable[..., np.ndarray]) -> Callable[..., np.ndarray]:
        return lambda *told: decoded.append(real) or real(*told)

    for where in ("decode_jpeg", "decode_other"):
        monkeypatch.setattr(picture, where, counted(getattr(picture, where)))
    with Image.open(PHOTOS / "twig_on_card" / "IMG_0016.jpg") as photo:
        data = stored(photo, {"a.jpg": "JPEG", "a.png": "PNG", "a.tif": "TIFF", "a.webp": "WEBP"}[name])
    found = look_at(data, name)
    assert found["plane"] is not None and len(decoded) == 1


def test_a_picture_just_within_the_limit_is_measured_and_stays_below_a_gigabyte(tmp_path: Path) -> None:
    file = tmp_path / "large.png"
    side = int((MEMORY_LIMIT / 9.0) ** 0.5) // 16 * 16 - 160
    coarse = np.random.default_rng(3).integers(0, 255, (side // 16, side // 16, 3), dtype=np.uint8)
    Image.fromarray(np.kron(coarse, np.ones((16, 16, 1), np.uint8))).save(file, compress_level=1)
    peak, told = peak_mb(LOOKED, str(file))
    assert told.strip() == "measured"
    assert peak < 1000, f"{peak:.0f} MB"


def test_a_jpeg_of_a_thousand_scans_is_refused_before_it_is_decoded() -> None:
    data = stored(scene(640, 480), "JPEG", progressive=True)
    at = data.rindex(b"\xff\xda")
    last = data[at : data.index(b"\xff\xd9", at)]
    with pytest.raises(CannotUse) as refusal:
        read_picture(data[:at] + last * 1000 + b"\xff\xd9")
    assert "scans" in one_line(refusal)
    assert read_picture(data).bgr.shape == (480, 640, 3)


def test_sides_longer_than_a_jpeg_can_have_are_refused() -> None:
    with pytest.raises(CannotUse) as refusal:
        read_picture(stored(Image.new("L", (70_000, 2)), "PNG"))
    assert "65535" in one_line(refusal)


@pytest.mark.parametrize("size", [(1, 1), (1, 5), (400, 3)])
def test_a_picture_of_a_few_pixels_is_refused_in_one_line(size: tuple[int, int]) -> None:
    from diagnose.diagnosis import diagnose_photo
    from diagnose.fieldlog.likeness import likeness

    data = stored(Image.new("RGB", size), "PNG")
    assert likeness(data)
    with pytest.raises(CannotUse) as refusal:
        diagnose_photo(data)
    assert "too few" in one_line(refusal)


# ---- the picture that is meant ----


def test_of_a_tiff_with_a_small_first_page_the_largest_is_read() -> None:
    pages = [Image.new("RGB", (16, 12), "red"), scene(320, 240), Image.new("RGB", (32, 24), "blue")]
    picture = read_picture(stored(pages[0], "TIFF", save_all=True, append_images=pages[1:]))
    assert picture.size == (320, 240)
    assert np.array_equal(picture.bgr[:, :, ::-1], np.asarray(scene(320, 240)))


def _tiff(*directories: list[tuple[int, int, int, int]], children: dict[int, int] | None = None) -> bytes:
    """A little-endian TIFF of 8-bit grey pages (TIFF 6.0, section 2). directories : tags (tag, type, count, value) each;
    children : page -> the page that it keeps below itself, and which is then no page of its own."""
    below = children or {}
    size = [2 + 12 * (len(tags) + (page in below)) + 4 for page, tags in enumerate(directories)]
    starts = [8 + sum(size[:page]) for page in range(len(directories))]
    out = b"II*\x00" + struct.pack("<I", 8)
    for page, tags in enumerate(directories):
        tags = sorted([*tags, *([(330, 4, 1, starts[below[page]])] if page in below else [])])
        after = next((starts[other] for other in range(page + 1, len(directories)) if other not in below.values()), 0)
        out += struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *tag) for tag in tags)
        out += struct.pack("<I", 0 if page in below.values() else after)
    return out + bytes(5000)


def _page(width: int, height: int, colours: int = 1) -> list[tuple[int, int, int, int]]:
    return [(256, 3, 1, width), (257, 3, 1, height), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, colours),
            (273, 4, 1, 400), (277, 3, 1, 1), (278, 3, 1, height), (279, 4, 1, width * height)]


@pytest.mark.parametrize("data", [
    _tiff(_page(40, 30), _page(400, 300, 32803), children={0: 1}),  # colour filter array (TIFF/EP) below a preview
    _tiff([*_page(40, 30), (50706, 1, 4, 0x0401)]),  # DNG version tag (DNG 1.4)
    _tiff(_page(400, 300, 34892)),  # linear raw (DNG 1.4)
], ids=["filter array", "dng", "linear"])
def test_a_raw_file_is_refused_and_never_measured_on_its_preview(data: bytes) -> None:
    with pytest.raises(CannotUse) as refusal:
        read_picture(data, "IMG_1.dng")
    assert "raw file" in one_line(refusal)


def test_a_tiff_whose_large_picture_cannot_be_had_is_refused() -> None:
    assert read_picture(_tiff(_page(40, 30))).size == (40, 30)
    with pytest.raises(CannotUse) as refusal:
        read_picture(_tiff(_page(40, 30), _page(400, 300), children={0: 1}))
    assert "larger picture" in one_line(refusal)


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2025:04:01 10:20:30"
    exif.get_ifd(0x8825).update({1: "N", 2: (46.0, 30.0, 0.0), 3: "W", 4: (71.0, 15.0, 0.0)})
    return exif


@pytest.mark.parametrize("quality", [60, 95])
def test_an_avif_is_read_upright_with_its_place_and_time(quality: int) -> None:
    exif = _exif()
    exif[0x112] = 6
    picture = read_picture(stored(scene(320, 240), "AVIF", exif=exif.tobytes(), quality=quality, speed=10))
    assert picture.size == (240, 320)
    assert np.abs(picture.bgr[5, 5].astype(int) - (250, 20, 20)).max() < 60  # what was bottom left is top left now
    assert (picture.taken.lat, picture.taken.lon) == pytest.approx((46.5, -71.25))
    assert picture.taken.time is not None and picture.taken.time.year == 2025


def _profile(exif: bytes) -> str:
    return f"\nexif\n{len(exif):8d}\n" + "\n".join(exif.hex()[at : at + 72] for at in range(0, 2 * len(exif), 72)) + "\n"


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("key", ["Raw profile type exif", "Raw profile type APP1"])
def test_exif_that_a_png_carries_as_text_is_read(key: str, packed: bool) -> None:
    text = PngImagePlugin.PngInfo()
    text.add_text(key, _profile(_exif().tobytes()), zip=packed)
    picture = read_picture(stored(scene(), "PNG", pnginfo=text))
    assert (picture.taken.lat, picture.taken.lon) == pytest.approx((46.5, -71.25))
    assert picture.taken.time is not None and picture.taken.time.year == 2025


def test_exif_that_follows_a_pngs_pixels_is_read() -> None:
    """ISO/IEC 15948:2004 lets ancillary chunks follow the pixels; eXIf may stand anywhere before IEND."""
    data, exif = stored(scene(), "PNG"), _exif().tobytes().removeprefix(b"Exif\x00\x00")
    chunk = struct.pack(">I", len(exif)) + b"eXIf" + exif + struct.pack(">I", zlib.crc32(b"eXIf" + exif))
    picture = read_picture(data[:-12] + chunk + data[-12:])
    assert picture.taken.lat == pytest.approx(46.5)


def test_text_that_only_says_it_is_exif_leaves_the_picture_good() -> None:
    text = PngImagePlugin.PngInfo()
    text.add_text("Raw profile type exif", "\nexif\n 8\nno digits")
    picture = read_picture(stored(scene(), "PNG", pnginfo=text))
    assert picture.bgr.shape == (48, 64, 3) and picture.taken.refused


def test_a_strip_at_a_time_gives_the_same_colours_as_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    from diagnose.photo import decode

    deep = Image.fromarray(np.random.default_rng(2).integers(0, 60_000, (50, 64), dtype=np.uint16))
    clear = scene().convert("RGBA")
    clear.putalpha(90)
    for data in (stored(deep, "PNG"), stored(deep, "TIFF"), stored(clear, "PNG"), stored(scene().convert("P"), "PNG")):
        whole = read_picture(data).bgr
        with monkeypatch.context() as smaller:
            smaller.setattr(decode, "_STRIP", 64 * 7)
            assert np.array_equal(read_picture(io.BytesIO(data).getvalue()).bgr, whole)
