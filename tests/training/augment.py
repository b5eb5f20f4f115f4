"""Changes of a training strip that leave its labels true: light, colour, lens, processing, and other tables."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.training.strips import FACE, OFF, UNKNOWN, WALL, Example

Image = NDArray[np.float32]

ROWS, COLUMNS = 208, 384  # samples of 0.08 mm: 17 by 31 mm
KEY_MARGIN = 25  # samples: the key's darkest shade is painted over too
FEW = 2000  # samples off the key: fewer make no table


def drawn(example: Example, tables: list[Image], rng: np.random.Generator) -> tuple[Image, NDArray[np.uint8], Image]:
    """A window of an example, changed at random: picture (0 to 1), labels, and the wall's direction."""
    picture, labels = _window(example, rng)
    wall = example.wall.astype(np.float32)
    if tables and rng.random() < 0.3:
        picture = _on_table(picture, labels, tables[rng.integers(len(tables))], rng)
    if rng.random() < 0.4:
        picture = _with_other_walls(picture, labels, rng)
    if rng.random() < 0.5:
        picture, labels, wall = picture[::-1], labels[::-1], wall * np.float32([1, -1])
    return _processed(_lit(picture, rng), rng), np.ascontiguousarray(labels), wall


def table_of(example: Example) -> Image:
    """The table of a strip: the key painted over from around it, with the grain of the strip turned upside down."""
    key = cv2.dilate((example.labels != OFF).astype(np.uint8), np.ones((KEY_MARGIN, KEY_MARGIN), np.uint8))
    small = [
        cv2.resize(layer, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) for layer in (example.picture, key)
    ]
    painted = cv2.inpaint(small[0], np.minimum(small[1], 1), 3, cv2.INPAINT_TELEA)
    smooth = cv2.resize(painted, key.shape[::-1], interpolation=cv2.INTER_CUBIC).astype(np.float32)
    grain = example.picture.astype(np.float32) - cv2.GaussianBlur(example.picture, (0, 0), 3).astype(np.float32)
    grain = np.where(key[::-1, :, None] > 0, 0, grain[::-1])
    whole = np.where(key[..., None] > 0, smooth + grain, example.picture.astype(np.float32))
    return np.asarray(np.clip(whole / 255, 0, 1), np.float32)


def _window(example: Example, rng: np.random.Generator) -> tuple[Image, NDArray[np.uint8]]:
    """A stretch of the strip, most often its tip's end, padded where the strip is smaller."""
    picture, labels = example.picture.astype(np.float32) / 255, example.labels
    rows, columns = max(0, ROWS - len(labels)), max(0, COLUMNS - labels.shape[1])
    picture = cv2.copyMakeBorder(picture, 0, rows, columns, 0, cv2.BORDER_REPLICATE)
    labels = np.pad(labels, ((0, rows), (columns, 0)), constant_values=UNKNOWN)
    top = int(rng.integers(len(labels) - ROWS + 1))
    left = labels.shape[1] - COLUMNS
    if rng.random() < 0.5:
        left = int(rng.integers(left + 1))
    part = (slice(top, top + ROWS), slice(left, left + COLUMNS))
    return np.asarray(picture[part], np.float32), labels[part]


def _on_table(picture: Image, labels: NDArray[np.uint8], table: Image, rng: np.random.Generator) -> Image:
    """The key on another table, with its own shadow."""
    off = labels == OFF
    if off.sum() < FEW:
        return picture
    table = cv2.resize(table, (COLUMNS, ROWS)) if table.shape[:2] != (ROWS, COLUMNS) else table
    table = table[:: rng.choice([-1, 1]), :: rng.choice([-1, 1])]
    grey = picture.mean(axis=2)
    lit = float(np.percentile(grey[off], 80))
    shade = np.clip(cv2.GaussianBlur(np.where(off, grey, lit), (0, 0), 2) / max(lit, 0.02), 0, 1.3)[..., None]
    soft = cv2.GaussianBlur(off.astype(np.float32), (0, 0), 0.8)[..., None]
    return np.asarray(picture * (1 - soft) + soft * np.clip(table * shade, 0, 1), np.float32)


def _with_other_walls(picture: Image, labels: NDArray[np.uint8], rng: np.random.Generator) -> Image:
    """The blade's walls on either side brighter or darker: light may come from anywhere."""
    rows = np.flatnonzero((labels == FACE).any(axis=1))
    if len(rows) == 0:
        return picture
    middle = int(rows.mean())
    for side in (slice(None, middle), slice(middle, None)):
        wall = np.zeros(labels.shape, np.float32)
        wall[side] = labels[side] == WALL
        soft = cv2.GaussianBlur(wall, (0, 0), 0.7)[..., None]
        factor = np.exp(rng.normal(0, 0.45) + rng.normal(0, 0.08, 3)).astype(np.float32)
        picture = np.clip(picture * (1 + soft * (factor - 1)), 0, 1)
    return np.asarray(picture, np.float32)


def _lit(picture: Image, rng: np.random.Generator) -> Image:
    """Another light: uneven, coloured, brighter or darker, with another tone curve."""
    if rng.random() < 0.7:
        grid = rng.normal(0, 1, (rng.integers(2, 5), rng.integers(2, 6))).astype(np.float32)
        field = cv2.resize(grid, (COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC)
        picture = picture * np.exp(rng.uniform(0, 0.35) * field)[..., None]
    picture = picture * np.exp(rng.normal(0, 0.12, 3)) * np.exp(rng.normal(0, 0.25))
    if rng.random() < 0.06:
        picture = picture[..., rng.permutation(3)]
    if rng.random() < 0.12:
        picture = np.repeat(picture.mean(axis=2, keepdims=True), 3, axis=2)
    return np.asarray(np.clip(picture, 0, 1) ** np.exp(rng.normal(0, 0.2)), np.float32)


def _processed(picture: Image, rng: np.random.Generator) -> Image:
    """Blur, sharpening, noise and recompression."""
    picture = np.ascontiguousarray(picture)
    if rng.random() < 0.35:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.3))
    if rng.random() < 0.3:
        halo = picture - cv2.GaussianBlur(picture, (0, 0), 1.2)
        picture = np.clip(picture + rng.uniform(0.3, 1.2) * halo, 0, 1)
    if rng.random() < 0.5:
        picture = picture + rng.normal(0, rng.uniform(0, 0.04), picture.shape)
    if rng.random() < 0.25:
        coded = np.clip(picture * 255, 0, 255).astype(np.uint8)
        _, stored = cv2.imencode(".jpg", coded, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(40, 90))])
        picture = cv2.imdecode(stored, cv2.IMREAD_COLOR).astype(np.float32) / 255
    return np.asarray(np.clip(picture, 0, 1), np.float32)
