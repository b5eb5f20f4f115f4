"""A photo as the later stages need it: upright pixels and what the file says of the camera."""

from __future__ import annotations

import hashlib
import io
import logging
import math
import os
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from keyid.errors import PhotoError
from keyid.photos.frame import Frame, find_frame
from keyid.photos.jpeg import scan_is_damaged

MAX_FILE_BYTES = 400_000_000  # a 110 MP photo as an uncompressed TIFF takes 330 MB
MAX_PIXELS = 120_000_000  # phones make up to 108 MP; decoding needs about 7 bytes a pixel: 820 MB measured at 108 MP
MIN_SIDE_PX = 100  # a card alone would be coarser than 1 px/mm: nothing could be measured
STRIP_BYTES = 96 * 1024  # converted at a time: no second whole copy, and malloc gives 128 KB or more back each time

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")  # Pillow's own; HEIF comes through pillow-heif
TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")  # TIFF 6.0 (1992), section 2, and BigTIFF
HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}  # ISO/IEC 23008-12, annex B
MIN_PILLOW_HEIF = (1, 7)  # older wheels carry a libheif with published out-of-bounds writes

STDERR = 2  # POSIX's number of standard error

# EXIF tags: CIPA DC-008 (Exif 2.32), 4.6.4 to 4.6.6
ORIENTATION = 0x0112
EXIF_IFD = 0x8769
PIXEL_X, PIXEL_Y = 0xA002, 0xA003
DIGITAL_ZOOM = 0xA404
FOCAL_35MM = 0xA405

# EXIF orientation -> (swap rows and columns, then OpenCV's flip code: 0 flips rows, 1 columns, -1 both)
UPRIGHT: dict[int, tuple[bool, int | None]] = {
    2: (False, 1),
    3: (False, -1),
    4: (False, 0),
    5: (True, None),
    6: (True, 1),
    7: (True, -1),
    8: (True, 0),
}

FOCAL_35MM_RANGE = (8.0, 400.0)  # from fisheye to the longest phone tele lens; anything else is a slip in the file
ZOOM_SLACK = 0.01  # a digital zoom this close to 1 is none
CAMERA_FORMATS = {"JPEG", "HEIF", "TIFF", "WEBP"}  # no camera writes PNG: it comes from screens and editors
CAMERA_ASPECTS = (4 / 3, 3 / 2, 16 / 9, 1.0)  # long side : short side of whole pictures, common practice, no source
ORIGINAL_LONG_PX = 4000  # long side of what most phones save (common practice, no source)
SHRUNK_PART = 0.65  # of it: messengers leave 1280 to 2560 px (common practice, no source); cameras of today make more
SHRUNK_SLACK_PX = 1.0  # a whole photo that was shrunk keeps its aspect up to rounding
SENSOR_ASPECT_SLACK = 0.004  # cameras round 4:3 to 4080 x 3072, for one
SENSOR_MULTIPLE_PX = 4  # and their sides are multiples of 4

READS = "Send the photo as a JPEG, PNG, TIFF, WebP or HEIC file, as the phone saved it."

logging.getLogger("PIL").addHandler(logging.NullHandler())  # else Pillow's remarks on odd files reach standard error


@dataclass(frozen=True)
class Photo:
    """An upright photo.

    Attributes
    ----------
    file : str
        The file's name, without its folder.
    sha256 : str
        Of the file's bytes, in hex.
    pixels : ndarray of uint8, shape (height, width, 3)
        Upright, in the order blue, green, red (OpenCV's), sRGB-coded.
    focal_35mm : float or None
        EXIF's 35 mm equivalent focal length, when it can be believed for this picture.
    uncropped_35mm : float or None
        The same of a file whose picture was cropped: what the camera took had it, this part of it has a longer one.
    whole : bool
        False when size, aspect or EXIF allow that the picture was cropped.
    frame : Frame or None
        Where the photo lies in the file's picture, when this is a screenshot or a page; ``pixels`` are those of the
        photo alone, and so is everything measured.
    """

    file: str
    sha256: str
    pixels: NDArray[np.uint8]
    focal_35mm: float | None
    whole: bool
    frame: Frame | None = None
    uncropped_35mm: float | None = None

    @property
    def tells_camera(self) -> bool:
        """Whether the file tells the lens that took it, as the original does and what messengers send does not."""
        return self.focal_35mm is not None or self.uncropped_35mm is not None

    @property
    def looks_shrunk(self) -> bool:
        """Whether it tells no camera and is as small as messengers and screenshots leave a photo."""
        return not self.tells_camera and max(self.width_px, self.height_px) < SHRUNK_PART * ORIGINAL_LONG_PX

    @property
    def width_px(self) -> int:
        """Width of the upright photo."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright photo."""
        return int(self.pixels.shape[0])

    @property
    def picture_size_px(self) -> tuple[int, int]:
        """Width and height of the file's picture, bars and margins of a screenshot with it."""
        if self.frame is None:
            return self.width_px, self.height_px
        return self.frame.picture_width_px, self.frame.picture_height_px

    def in_picture(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (..., 2) of the photo in the file's picture."""
        return points_px if self.frame is None else points_px + np.array([self.frame.left_px, self.frame.top_px])


def load_photo(path: Path) -> Photo:
    """Read a photo file.

    JPEG, PNG, TIFF and WebP, and HEIC where pillow-heif is installed; the content decides, not the file's name.  Of a
    file with several pictures the first is taken.  Colour profiles are ignored: positions don't depend on them.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        ``unreadable-file`` when the file can't be read, is damaged, or holds more than 120 megapixels;
        ``too-coarse`` when a side has fewer than 100 pixels.
    """
    return decode_photo(path.name, _file_bytes(path))


def decode_photo(file: str, data: bytes) -> Photo:
    """Read a photo from the content of a file of that name, as `load_photo` does; raises the same."""
    if not data:
        raise _unreadable("This file is empty.")
    with _quiet(data):
        try:
            image = _decode(data)
            exif = _exif(image)
            stored = _bgr(image)
            image.close()  # before the pixels are turned, which takes a second copy
            pixels = _upright(stored, _orientation(image, exif))
        except PhotoError:
            raise
        except (MemoryError, Image.DecompressionBombError) as error:
            raise _too_large() from error
        except Exception as error:  # decoders raise over a dozen types on damaged and hostile files
            raise _unreadable("This file is damaged or is not a photo.") from error
    sha256 = hashlib.sha256(data).hexdigest()
    if image.format in CAMERA_FORMATS and _is_whole(image.size, exif):
        return Photo(file, sha256, pixels, _focal_35mm(exif), whole=True)
    return _framed(Photo(file, sha256, pixels, focal_35mm=None, whole=False, uncropped_35mm=_focal_35mm(exif)))


def _framed(photo: Photo) -> Photo:
    """The photo without a screenshot's bars and a page's margins; it may be whole within them."""
    found = find_frame(photo.pixels)
    if found is None:
        return photo
    rows, columns = found
    inside = np.ascontiguousarray(photo.pixels[rows, columns])
    frame = Frame(columns.start, rows.start, photo.width_px, photo.height_px)
    return replace(photo, pixels=inside, whole=_is_whole((inside.shape[1], inside.shape[0]), {}), frame=frame)


def _unreadable(message: str) -> PhotoError:
    return PhotoError("unreadable-file", message, READS)


def _too_large() -> PhotoError:
    return PhotoError("unreadable-file", "This picture is too large to be read.", "Send it with 50 megapixels or less.")


@contextmanager
def _quiet(data: bytes) -> Iterator[None]:
    """Keep remarks on odd files from standard error: what matters is raised as an error."""
    with warnings.catch_warnings(), _without_stderr() if data[:4] in TIFF_STARTS else nullcontext():
        warnings.simplefilter("ignore")
        yield


@contextmanager
def _without_stderr() -> Iterator[None]:
    """Close the process's standard error for a moment: libtiff writes to it by itself."""
    try:
        kept = os.dup(STDERR)
    except OSError:  # there is none
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), STDERR)
        yield
    finally:
        os.dup2(kept, STDERR)
        os.close(kept)


def _file_bytes(path: Path) -> bytes:
    """Return the file's content; a device or a folder is refused before it is read."""
    try:
        if not path.is_file():
            raise _unreadable("This is not a file.")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise _too_large()
        return path.read_bytes()
    except OSError as error:
        raise _unreadable("This file cannot be opened.") from error


def _decode(data: bytes) -> Image.Image:
    """Decode the first picture, after checking its size and that the data is whole."""
    image = _open_heif(data) if data[4:8] == b"ftyp" and data[8:12] in HEIF_BRANDS else _open(data)
    if image.width * image.height > MAX_PIXELS:
        raise _too_large()
    if min(image.size) < MIN_SIDE_PX:
        size = f"{image.width} x {image.height}"
        raise PhotoError("too-coarse", f"This picture has only {size} pixels.", "Send the original photo.")
    image.load()
    return image


def _open(data: bytes) -> Image.Image:
    """Open a picture in one of Pillow's formats."""
    image = Image.open(io.BytesIO(data), formats=FORMATS)
    if image.format == "PNG":
        Image.open(io.BytesIO(data), formats=FORMATS).verify()  # checks the sums that decoding skips
    if image.format in ("JPEG", "MPO"):
        if scan_is_damaged(data):
            raise _unreadable("Part of this photo's data is damaged.")
        image.format = "JPEG"  # MPO: a JPEG with further pictures behind it
    return image


def _open_heif(data: bytes) -> Image.Image:
    """Open the primary picture of a HEIF file, already upright."""
    try:
        import pillow_heif
    except ImportError as error:
        raise PhotoError(
            "unreadable-file",
            "This is a HEIC photo, and the part that reads HEIC is not installed.",
            'Send it as a JPEG, or install the part with: pip install "pillow-heif>=1.7"',
        ) from error
    if tuple(int(part) for part in pillow_heif.__version__.split(".")[:2]) < MIN_PILLOW_HEIF:
        raise PhotoError(
            "unreadable-file",
            "This is a HEIC photo, and the installed part that reads HEIC has known security holes.",
            'Send it as a JPEG, or renew the part with: pip install "pillow-heif>=1.7"',
        )
    opened = pillow_heif.open_heif(io.BytesIO(data))
    if opened.size[0] * opened.size[1] > MAX_PIXELS:
        raise _too_large()
    image: Image.Image = opened.to_pillow()
    image.format = "HEIF"
    return image


def _exif(image: Image.Image) -> dict[int, Any]:
    """Return the EXIF tags of the picture and of its camera part; empty where the EXIF is broken."""
    tags: dict[int, Any] = {}
    try:
        exif = image.getexif()
        tags.update(exif)
        tags.update(exif.get_ifd(EXIF_IFD))
    except Exception:  # Pillow raises many types on broken EXIF; the pixels are good all the same
        return tags
    return tags


def _number(tags: Mapping[int, Any], tag: int) -> float:
    """Return a tag as a finite number; 0, EXIF's word for unknown, where it is none."""
    try:
        value = float(tags.get(tag, 0))
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return value if math.isfinite(value) else 0.0


def _orientation(image: Image.Image, tags: Mapping[int, Any]) -> int:
    """EXIF orientation still to be applied; HEIF is turned by its own boxes, and its EXIF must not turn it again."""
    return 1 if image.format == "HEIF" else int(_number(tags, ORIENTATION))


def _upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn and mirror the stored pixels as EXIF's orientation asks; unknown values leave them as they are."""
    swap, flip = UPRIGHT.get(orientation, (False, None))
    turned = cv2.transpose(pixels) if swap else pixels
    return np.asarray(turned if flip is None else cv2.flip(turned, flip, turned), np.uint8)


def _bgr(image: Image.Image) -> NDArray[np.uint8]:
    """Convert a picture of any mode to blue, green, red bytes, a strip of rows at a time."""
    full_scale = _full_scale(image)
    pixels = np.empty((image.height, image.width, 3), np.uint8)
    rows = max(1, STRIP_BYTES // (3 * image.width))
    for top in range(0, image.height, rows):
        bottom = min(top + rows, image.height)
        pixels[top:bottom] = _strip_bgr(image.crop((0, top, image.width, bottom)), full_scale)
    return pixels


def _full_scale(image: Image.Image) -> float | None:
    """Return the value that stands for white in modes deeper than 8 bits; None for modes that Pillow converts right."""
    if image.mode.startswith("I;16"):
        return 65535.0
    if image.mode not in ("I", "F"):
        return None
    highest = np.asarray(image).max()
    return next((full for full in (1.0, 255.0, 65535.0) if highest <= full), float(highest))


def _strip_bgr(strip: Image.Image, full_scale: float | None) -> NDArray[np.uint8]:
    """(rows, columns, 3) blue, green, red of a strip; transparent parts over white."""
    if full_scale is not None:
        grey = np.clip(np.asarray(strip, np.float64) / full_scale, 0, 1)
        return np.repeat(np.rint(grey * 255).astype(np.uint8)[..., None], 3, axis=2)
    if "A" in strip.getbands() or "a" in strip.getbands() or "transparency" in strip.info:
        over = strip.convert("RGBA")
        strip = Image.alpha_composite(Image.new("RGBA", over.size, "white"), over)
    packed = strip.convert("RGB").tobytes("raw", "BGR")
    return np.frombuffer(packed, np.uint8).reshape(strip.height, strip.width, 3)


def _is_whole(size_px: tuple[int, int], tags: Mapping[int, Any]) -> bool:
    """Tell whether the picture has a size that cameras make, and the size that its EXIF tells."""
    told = (_number(tags, PIXEL_X), _number(tags, PIXEL_Y))
    if all(told) and sorted(told) != sorted(size_px):
        return False
    short, long = sorted(size_px)
    off_px = min(abs(long - aspect * short) for aspect in CAMERA_ASPECTS)
    of_sensor = short % SENSOR_MULTIPLE_PX == 0 and long % SENSOR_MULTIPLE_PX == 0
    return off_px <= SHRUNK_SLACK_PX or (of_sensor and off_px <= SENSOR_ASPECT_SLACK * long)


def _focal_35mm(tags: Mapping[int, Any]) -> float | None:
    """35 mm equivalent focal length from EXIF, or None.

    With a digital zoom makers differ in whether the figure includes it (from memory, no source): None.
    """
    zoom = _number(tags, DIGITAL_ZOOM)
    if zoom and abs(zoom - 1) > ZOOM_SLACK:
        return None
    focal = _number(tags, FOCAL_35MM)
    low, high = FOCAL_35MM_RANGE
    return focal if low <= focal <= high else None
