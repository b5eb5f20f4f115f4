"""A picture of a scene: exact area coverage in linear light, then lens blur, phone processing and noise.

Every visible surface's share of a pixel is computed exactly (see raster) and the shares of a pixel add up to one, so
that an edge in the picture lies where geometry puts it.  Surfaces look simple: what is tested is where edges are.
"""

from __future__ import annotations

import hashlib
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from tests.scene.look import Look
from tests.scene.page import Page
from tests.scene.paint import Canvas, paint, shadow_outlines
from tests.scene.truth import SceneTruth

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Pixel = TypeVar("Pixel", np.float32, np.uint8)

MARGIN_PX = 32  # drawn around key, card and shadow; blur and halo reach less far
TILE_PX = 512  # the table repeats a tile of that size
MOTTLE_SIGMAS_PX = (1.5, 6.0, 25.0)  # scales of a mottled table, from grain to blotches
SHARPEN_SIGMA_PX = 1.5  # radius of a phone's unsharp masking, common practice
CODES = 1 << 16  # steps of linear light that are coded one by one: at most 0.05 grey levels each


def render(
    truth: SceneTruth,
    look: Look,
    size_px: tuple[int, int],
    rng: np.random.Generator,
    focal_35mm: float | None,
    page: Page | None = None,
) -> Photo:
    """Draw the scene as a photo of ``size_px`` (width, height); only a window around key and card is computed.

    On a page there is no card.
    """
    low, high = _window(truth, look, size_px, page)
    canvas = Canvas(low, (int(high[1] - low[1]), int(high[0] - low[0])))
    tile = _mottle(look, rng)
    table = _develop(tile[..., None] * np.array(look.table, dtype=np.float32), look, rng)
    pixels = _repeated(table, np.zeros(2, dtype=np.int64), (size_px[1], size_px[0]))
    drawn = paint(canvas, truth, look, _repeated(tile, low, canvas.shape), page)
    pixels[low[1] : high[1], low[0] : high[0]] = _develop(drawn, look, rng)
    if look.jpeg_quality is not None:
        coded = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, look.jpeg_quality])[1]
        pixels = np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), dtype=np.uint8)
    return Photo("scene.jpg", hashlib.sha256(pixels.tobytes()).hexdigest(), pixels, focal_35mm, whole=True)


def to_linear(coded: NDArray[np.uint8]) -> Array:
    """Linear light of sRGB-coded grey levels (IEC 61966-2-1:1999, from memory)."""
    v = np.arange(256) / 255
    return np.asarray(np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)[coded])


def to_srgb(linear: NDArray[np.floating]) -> Image:
    """Grey levels, not rounded, of linear light (IEC 61966-2-1:1999, from memory)."""
    v = np.linspace(0, 1, CODES)
    codes = 255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    steps = (np.clip(linear, 0, 1) * (CODES - 1) + 0.5).astype(np.uint16)
    return np.asarray(codes.astype(np.float32)[steps])


def _window(
    truth: SceneTruth, look: Look, size_px: tuple[int, int], page: Page | None
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First pixel and end of what is drawn; the whole photo where lines or print are all over it."""
    if look.surface == "ruled" or page is not None:
        return np.zeros(2, dtype=np.int64), np.array(size_px)
    shown = [truth.outline_px, truth.card_outline_px]
    points = np.vstack(shown + (shadow_outlines(truth, look) if look.shadow else []))
    low = np.floor(points.min(axis=0)).astype(np.int64) - MARGIN_PX
    high = np.ceil(points.max(axis=0)).astype(np.int64) + MARGIN_PX
    return np.clip(low, 0, size_px), np.clip(high, 0, size_px)


def _mottle(look: Look, rng: np.random.Generator) -> Image:
    """A tile of the table's relative brightness."""
    if look.surface != "noise":
        return np.ones((TILE_PX, TILE_PX), dtype=np.float32)
    field = sum(_smooth_noise(rng, sigma) for sigma in MOTTLE_SIGMAS_PX) / np.sqrt(len(MOTTLE_SIGMAS_PX))
    return np.asarray(1 + look.mottle * field, dtype=np.float32)


def _smooth_noise(rng: np.random.Generator, sigma_px: float) -> Array:
    """A tile of unit-variance noise of one scale that repeats without a seam."""
    frequency = np.fft.fftfreq(TILE_PX)
    passed = np.exp(-2 * (np.pi * sigma_px) ** 2 * (frequency[:, None] ** 2 + frequency[None, :] ** 2))
    field = np.fft.ifft2(np.fft.fft2(rng.standard_normal((TILE_PX, TILE_PX))) * passed).real
    return np.asarray(field / field.std())


def _repeated(tile: NDArray[Pixel], first: NDArray[np.int64], shape: tuple[int, int]) -> NDArray[Pixel]:
    """A window of an endlessly repeated tile."""
    turned = np.roll(tile, (-first[1], -first[0]), axis=(0, 1))
    times = (-(-shape[0] // TILE_PX), -(-shape[1] // TILE_PX), *[1] * (tile.ndim - 2))
    return np.ascontiguousarray(np.tile(turned, times)[: shape[0], : shape[1]])


def _develop(linear: Image, look: Look, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Lens blur, sRGB coding, sharpening, noise, 8 bits."""
    coded = to_srgb(linear if look.blur_px == 0 else np.asarray(cv2.GaussianBlur(linear, (0, 0), look.blur_px)))
    if look.sharpen:
        coded = coded + look.sharpen * (coded - cv2.GaussianBlur(coded, (0, 0), SHARPEN_SIGMA_PX))
    noisy = coded + look.noise_grey * rng.standard_normal(coded.shape, dtype=np.float32)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
