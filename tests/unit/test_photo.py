"""Reading photo files: every kind and orientation gives the same upright pixels; every bad file the plain error."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from keyid.errors import PhotoError
from keyid.photos.jpeg import scan_is_damaged
from keyid.photos.photo import load_photo

SIZE = (160, 120)  # 4:3, as a phone makes
JPEG_SLACK = 6  # grey levels that JPEG at quality 95 may move a smooth picture


def scene() -> Image.Image:
    """Smooth, and different in every corner and channel, so that a turn or a swap of channels shows."""
    x, y = np.meshgrid(np.linspace(0, 1, SIZE[0]), np.linspace(0, 1, SIZE[1]))
    return Image.fromarray(np.rint(np.dstack([220 * x, 220 * y, 120 * (1 - x)])).astype(np.uint8))


def saved(image: Image.Image, path: Path, **options: object) -> Path:
    image.save(path, **options)
    return path


def exif(orientation: int = 1, **camera: float) -> Image.Exif:
    tags = Image.Exif()
    tags[0x0112] = orientation
    codes = {"width": 0xA002, "height": 0xA003, "zoom": 0xA404, "focal": 0xA405}
    tags.get_ifd(0x8769).update({codes[name]: value for name, value in camera.items()})
    return tags


@pytest.mark.parametrize(
    ("name", "slack"), [("a.png", 0), ("a.tif", 0), ("a.webp", 0), ("a.jpg", JPEG_SLACK), ("png-named.jpg", 0)]
)
def test_every_format_gives_the_same_pixels(tmp_path: Path, name: str, slack: int) -> None:
    options = {"a.webp": {"lossless": True}, "a.jpg": {"quality": 95}, "png-named.jpg": {"format": "PNG"}}.get(name, {})
    photo = load_photo(saved(scene(), tmp_path / name, **options))
    off = np.abs(photo.pixels.astype(int) - np.asarray(scene())[..., ::-1])
    assert off.max() <= slack
    assert (photo.file, photo.width_px, photo.height_px) == (name, *SIZE)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_all_eight_orientations_agree_with_pillow(tmp_path: Path, orientation: int, suffix: str) -> None:
    # Outside answer: PIL.ImageOps.exif_transpose, after CIPA DC-008 (Exif 2.32), 4.6.4, Orientation.
    path = saved(scene(), tmp_path / f"turned{suffix}", exif=exif(orientation))
    expected = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB"))[..., ::-1]
    assert np.array_equal(load_photo(path).pixels, expected)


@pytest.mark.parametrize("mode", ["L", "CMYK", "P", "1", "YCbCr"])
def test_other_colour_modes_agree_with_pillow(tmp_path: Path, mode: str) -> None:
    path = saved(scene().convert(mode), tmp_path / "other.tif")
    expected = np.asarray(Image.open(path).convert("RGB"))[..., ::-1]
    assert np.array_equal(load_photo(path).pixels, expected)


def test_sixteen_bit_grey_keeps_its_levels(tmp_path: Path) -> None:
    levels = np.tile(np.linspace(0, 65535, SIZE[0]).astype(np.uint16), (SIZE[1], 1))
    photo = load_photo(saved(Image.fromarray(levels), tmp_path / "deep.png"))
    assert np.array_equal(photo.pixels[..., 0], np.rint(levels / 257))
    assert np.ptp(photo.pixels, axis=2).max() == 0


@pytest.mark.parametrize(("dtype", "full"), [(np.int32, 65535), (np.int32, 255), (np.float32, 1.0)])
def test_deeper_modes_are_scaled_to_white(tmp_path: Path, dtype: type, full: float) -> None:
    levels = np.tile(np.linspace(0, full, SIZE[0]).astype(dtype), (SIZE[1], 1))
    photo = load_photo(saved(Image.fromarray(levels), tmp_path / "deep.tif"))
    assert (photo.pixels.min(), photo.pixels.max()) == (0, 255)


def test_transparent_parts_become_white(tmp_path: Path) -> None:
    image = scene().convert("RGBA")
    image.putalpha(0)
    assert load_photo(saved(image, tmp_path / "clear.png")).pixels.min() == 255


def test_heif_is_read_upright(tmp_path: Path) -> None:
    pillow_heif = pytest.importorskip("pillow_heif", minversion="1.7")
    path = tmp_path / "phone.heic"
    turned = scene().transpose(Image.Transpose.ROTATE_90)  # stored on its side, to be turned 90 degrees clockwise
    pillow_heif.from_pillow(turned).save(path, quality=95, exif=exif(6, focal=26).tobytes())
    photo = load_photo(path)
    assert photo.pixels.shape == (120, 160, 3)
    assert np.abs(photo.pixels.astype(int) - np.asarray(scene())[..., ::-1]).mean() < JPEG_SLACK
    assert photo.focal_35mm == 26


def test_without_the_heif_part_the_error_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pillow_heif", None)
    path = tmp_path / "phone.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic" + bytes(100))
    with pytest.raises(PhotoError, match=r"HEIC is not installed.*pip install") as caught:
        load_photo(path)
    assert caught.value.code == "unreadable-file"


@pytest.mark.parametrize(
    ("size", "camera", "focal", "whole"),
    [
        ((400, 300), {"focal": 26}, 26, True),
        ((400, 300), {"focal": 26, "width": 400, "height": 300}, 26, True),
        ((300, 400), {"focal": 26, "width": 400, "height": 300}, 26, True),  # turned by an editor
        ((400, 300), {"focal": 26, "width": 800, "height": 600}, None, False),  # shrunk or cropped: nothing tells which
        ((391, 302), {"focal": 26}, None, False),  # a cropped picture's size
        ((408, 306), {"focal": 0}, None, True),  # 0: unknown (Exif 2.32)
        ((400, 300), {"focal": 2600}, None, True),
        ((400, 300), {"focal": 52, "zoom": 2.0}, None, True),
        ((400, 300), {"focal": 26, "zoom": 1.0}, 26, True),
        ((400, 300), {"focal": 26, "zoom": 0.0}, 26, True),  # 0: not used (Exif 2.32)
        ((400, 225), {}, None, True),
        ((450, 300), {}, None, True),
        ((300, 300), {}, None, True),
        ((1080, 2340), {}, None, False),  # a phone's screen
    ],
)
def test_camera_facts(
    tmp_path: Path, size: tuple[int, int], camera: dict[str, float], focal: float | None, whole: bool
) -> None:
    photo = load_photo(saved(scene().resize(size), tmp_path / "facts.jpg", exif=exif(**camera)))
    assert (photo.focal_35mm, photo.whole) == (focal, whole)


def test_of_a_cropped_photo_the_lens_of_the_whole_is_kept_apart(tmp_path: Path) -> None:
    photo = load_photo(saved(scene().resize((391, 302)), tmp_path / "crop.jpg", exif=exif(focal=26)))
    assert (photo.focal_35mm, photo.uncropped_35mm) == (None, 26)


def test_a_png_is_no_whole_photo(tmp_path: Path) -> None:
    photo = load_photo(saved(scene(), tmp_path / "screen.png", exif=exif(focal=26)))
    assert (photo.focal_35mm, photo.whole) == (None, False)


def jpeg_bytes(**options: object) -> bytes:
    buffer = io.BytesIO()
    scene().save(buffer, "JPEG", quality=95, **options)
    return buffer.getvalue()


def restarts_swapped() -> bytes:
    """A JPEG with restart markers, one of which stands out of turn."""
    return jpeg_bytes(restart_marker_rows=1).replace(b"\xff\xd1", b"\xff\xd5", 1)


def png_bytes() -> bytes:
    buffer = io.BytesIO()
    scene().save(buffer, "PNG")
    return buffer.getvalue()


def png_with_wrong_sum() -> bytes:
    data = bytearray(png_bytes())
    data[-13] ^= 0xFF  # the last byte of the last data chunk's sum, before the 12 bytes of the end chunk
    return bytes(data)


def tiff_with_damaged_data() -> bytes:
    """A TIFF whose compressed data is damaged: libtiff itself would write about it to standard error."""
    buffer = io.BytesIO()
    scene().save(buffer, "TIFF", compression="tiff_deflate")
    data = bytearray(buffer.getvalue())
    data[8:60] = bytes(52)
    return bytes(data)


BAD_FILES = {
    "empty": b"",
    "text": b"this is a shopping list, not a photo\n" * 20,
    "half-jpeg": jpeg_bytes()[: len(jpeg_bytes()) // 2],
    "half-png": png_bytes()[: len(png_bytes()) // 2],
    "damaged-jpeg": restarts_swapped(),
    "damaged-png": png_with_wrong_sum(),
    "gif": b"GIF89a" + bytes(100),
    "heif-rubbish": b"\0\0\0\x18ftypheic" + bytes(200),
    "only-a-start": b"\xff\xd8\xff",
    "tiff-damaged": tiff_with_damaged_data(),
    "tiff-rubbish": b"II*\0\x08\0\0\0" + b"\xff" * 200,
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_bad_files_give_the_plain_error(tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bad.jpg"
    path.write_bytes(BAD_FILES[name])
    with pytest.raises(PhotoError, match=r"^[A-Z][^\n]*\. Send [^\n]*\.$|pip install") as caught:
        load_photo(path)
    assert caught.value.code == "unreadable-file"
    assert capfd.readouterr() == ("", "")


def test_a_picture_of_too_many_pixels_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    path = saved(Image.new("1", (16000, 12000)), tmp_path / "huge.png")
    with pytest.raises(PhotoError, match="too large"):
        load_photo(path)


def test_a_tiny_picture_is_too_coarse(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="16 x 12 pixels") as caught:
        load_photo(saved(scene().resize((16, 12)), tmp_path / "tiny.png"))
    assert caught.value.code == "too-coarse"


def test_a_folder_is_not_a_file(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="not a file"):
        load_photo(tmp_path)


@pytest.mark.parametrize("cut", [8, 14, 20, 40])
def test_broken_exif_does_not_stop_the_reading(tmp_path: Path, cut: int, capfd: pytest.CaptureFixture[str]) -> None:
    block = exif(6, focal=26).tobytes()
    path = saved(scene(), tmp_path / "odd.jpg", exif=block[:cut] + b"\xff" * (len(block) - cut))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        photo = load_photo(path)
    assert sorted(photo.pixels.shape) == [3, 120, 160]
    assert capfd.readouterr() == ("", "")


def test_whole_scans_are_not_called_damaged() -> None:
    options = [{}, {"progressive": True}, {"restart_marker_rows": 1}, {"progressive": True, "restart_marker_blocks": 3}]
    assert [scan_is_damaged(jpeg_bytes(**each)) for each in options] == [False] * 4


def test_a_marker_that_cannot_stand_in_a_scan_is_damage() -> None:
    # ITU-T T.81 (1992), table B.1: 0x02 to 0xBF are reserved.
    data = jpeg_bytes()
    middle = data.rindex(b"\xff\xda") + (len(data) - data.rindex(b"\xff\xda")) // 2
    assert scan_is_damaged(data[:middle] + b"\xff\x1f" + data[middle:])
