"""Pictures of every kind are read upright, and what is no picture is refused with one line."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from diagnose.photo.picture import CannotUse, read_picture

QUARTERS = np.array([[(250, 20, 20), (20, 250, 20)], [(20, 20, 250), (240, 240, 240)]], np.uint8)  # RGB


def scene(width: int = 64, height: int = 48) -> Image.Image:
    """Red, green / blue, white quarters, so that every turn and mirror image looks different."""
    return Image.fromarray(QUARTERS).resize((width, height), Image.Resampling.NEAREST)


def stored(image: Image.Image, format_: str, **how: object) -> bytes:
    stream = io.BytesIO()
    image.save(stream, format_, **how)
    return stream.getvalue()


def with_orientation(orientation: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x112] = orientation
    return exif


def one_line(refusal: pytest.ExceptionInfo[CannotUse]) -> str:
    message = str(refusal.value)
    assert message and "\n" not in message
    return message


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("format_", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_every_orientation_is_turned_upright_as_pillow_turns_it(format_: str, orientation: int) -> None:
    how = {"JPEG": {"quality": 95, "subsampling": 0}, "WEBP": {"lossless": True}}.get(format_, {})
    data = stored(scene(), format_, exif=with_orientation(orientation), **how)
    picture = read_picture(data)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))[:, :, ::-1]
    assert picture.bgr.shape == expected.shape
    assert picture.size == (expected.shape[1], expected.shape[0])
    assert np.abs(picture.bgr.astype(int) - expected).max() <= 12


def test_a_heic_that_was_turned_by_its_decoder_is_not_turned_again() -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    data = stored(scene(), "HEIF", exif=with_orientation(6).tobytes(), quality=95)
    picture = read_picture(data, "phone.heic")
    assert picture.size == (48, 64)
    # turned clockwise: what was bottom left (blue) is top left now
    assert np.abs(picture.bgr[5, 5].astype(int) - (250, 20, 20)).max() < 40
    assert np.abs(picture.bgr[5, -5].astype(int) - (20, 20, 250)).max() < 40


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_a_reduced_picture_keeps_pixel_centres_by_the_half_pixel_rule(factor: int) -> None:
    ramp = np.tile(np.linspace(0, 255, 256, dtype=np.uint8)[None, :, None], (64, 1, 3))
    undecoded = read_picture(stored(Image.fromarray(ramp), "JPEG", quality=100))
    small = undecoded.reduced(factor)
    assert small.shape == (64 // factor, 256 // factor, 3)
    column = np.arange(256 // factor)
    assert np.abs(small[3, :, 1] - ((column + 0.5) * factor - 0.5)).max() <= 2
    again = read_picture(stored(Image.fromarray(ramp), "PNG")).reduced(factor)
    assert np.abs(again.astype(int) - small).max() <= 3


def test_reducing_leaves_out_what_is_beyond_the_last_whole_block() -> None:
    picture = read_picture(stored(scene(67, 49), "JPEG"))
    assert picture.reduced(4).shape[:2] == (12, 16)


def test_sixteen_bit_grey_keeps_its_range() -> None:
    deep = np.tile(np.linspace(0, 65535, 256).astype(np.uint16), (8, 1))
    seen = read_picture(stored(Image.fromarray(deep), "PNG")).bgr
    assert np.abs(seen[0, :, 0].astype(int) - np.arange(256)).max() <= 1


def test_grey_palette_and_black_and_white_pictures_come_out_as_colour() -> None:
    for mode in ("L", "P", "1", "LA"):
        assert read_picture(stored(scene().convert(mode), "PNG")).bgr.shape == (48, 64, 3)


def test_floating_point_pictures_are_stretched_to_their_own_range() -> None:
    values = np.linspace(-3.0, 900.0, 64 * 48, dtype=np.float32).reshape(48, 64)
    values[0, 5] = np.nan
    seen = read_picture(stored(Image.fromarray(values), "TIFF")).bgr
    assert seen[0, 0, 0] == 0 and seen[-1, -1, 0] == 255


def test_what_is_transparent_is_white() -> None:
    clear = Image.new("RGBA", (8, 8), (0, 0, 0, 0))
    assert (read_picture(stored(clear, "PNG")).bgr == 255).all()


@pytest.mark.parametrize("format_", ["JPEG", "TIFF"])
def test_printers_colours_are_turned_into_screen_colours(format_: str) -> None:
    seen = read_picture(stored(scene().convert("CMYK"), format_)).bgr
    assert seen[5, 5, 2] > 200 and seen[5, 5, 0] < 80  # top left is red


def test_of_several_frames_the_first_is_read() -> None:
    frames = [Image.new("RGB", (16, 16), colour) for colour in ("red", "blue")]
    for format_ in ("WEBP", "TIFF"):
        data = stored(frames[0], format_, save_all=True, append_images=frames[1:])
        assert read_picture(data).bgr[8, 8, 2] > 200


def test_a_jpeg_with_a_second_picture_behind_it_is_whole() -> None:
    assert read_picture(stored(scene(), "JPEG") + stored(scene(), "JPEG")).size == (64, 48)


def test_the_same_bytes_have_the_same_digest_whatever_their_name(tmp_path: Path) -> None:
    data = stored(scene(), "JPEG")
    path = tmp_path / "IMG_1.jpg"
    path.write_bytes(data)
    assert read_picture(path).sha256 == read_picture(data, "other.jpg").sha256
    assert read_picture(path).name == "IMG_1.jpg" and read_picture(path).data == data


def test_a_missing_file_a_folder_and_an_empty_file_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").write_bytes(b"")
    for name, word in (("none.jpg", "not there"), ("", "folder"), ("empty.jpg", "empty")):
        with pytest.raises(CannotUse) as refusal:
            read_picture(tmp_path / name)
        assert word in one_line(refusal)


def test_a_path_that_no_file_system_takes_is_refused() -> None:
    with pytest.raises(CannotUse) as refusal:
        read_picture("a\x00b.jpg")
    one_line(refusal)


def test_text_and_pictures_of_other_kinds_are_refused_with_the_kinds_that_are_read() -> None:
    for data in (
        b"no picture at all, only words",
        stored(scene(), "GIF"),
        stored(scene(), "BMP"),
        b"\xff\xd8",
    ):
        with pytest.raises(CannotUse) as refusal:
            read_picture(data)
        assert "JPEG" in one_line(refusal)


@pytest.mark.parametrize("format_", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95])
def test_a_picture_that_is_cut_short_is_refused(format_: str, share: float) -> None:
    if format_ == "HEIF":
        pytest.importorskip("pillow_heif").register_heif_opener()
    noise = np.random.default_rng(1).integers(0, 255, (160, 200, 3), dtype=np.uint8)
    data = stored(Image.fromarray(noise), format_)
    with pytest.raises(CannotUse) as refusal:
        assert read_picture(data[: int(len(data) * share)], "cut").bgr is not None
    assert one_line(refusal).startswith("cut ")


def test_a_thumbnail_does_not_make_a_cut_jpeg_whole() -> None:
    exif = with_orientation(1).tobytes() + stored(scene(16, 12), "JPEG")  # a whole JPEG inside the header
    noise = np.random.default_rng(1).integers(0, 255, (160, 200, 3), dtype=np.uint8)
    data = stored(Image.fromarray(noise), "JPEG", exif=exif)
    assert read_picture(data).size == (200, 160)
    with pytest.raises(CannotUse):
        read_picture(data[: len(data) // 2])


def png_header(width: int, height: int) -> bytes:
    """A PNG that states a size and holds almost no data."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    body = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", body) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(20_000, 20_000), (11_000, 11_000), (100_000, 100_000)])
def test_a_huge_picture_is_refused_from_its_header(size: tuple[int, int]) -> None:
    with pytest.raises(CannotUse) as refusal:
        read_picture(png_header(*size), "huge.png")  # decoding these would fail otherwise: there are no data
    assert "120 million" in one_line(refusal)


def test_the_focal_length_follows_the_35_mm_equivalent() -> None:
    """26 mm on a 4:3 picture: F35 x diagonal / 43.267, the diagonal of 36 x 24 mm."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    picture = read_picture(stored(scene(400, 300), "JPEG", exif=exif))
    assert picture.focal_px is not None
    assert picture.focal_px.value == pytest.approx(26 * 500 / (36**2 + 24**2) ** 0.5, rel=1e-3)
    assert 0.01 < picture.focal_px.sigma / picture.focal_px.value < 0.06
    assert read_picture(stored(scene(400, 300), "JPEG")).focal_px is None


def test_a_cropped_picture_has_a_focal_length_that_says_little() -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0xA405: 26, 0xA002: 4032, 0xA003: 3024})
    whole = read_picture(stored(scene(400, 300), "JPEG", exif=exif))
    part = read_picture(stored(scene(400, 200), "JPEG", exif=exif))
    assert not whole.cropped and part.cropped
    assert whole.focal_px is not None and part.focal_px is not None
    assert part.focal_px.sigma / part.focal_px.value > 5 * whole.focal_px.sigma / whole.focal_px.value
