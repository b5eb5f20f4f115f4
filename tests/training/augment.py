"""Changes of a training strip that leave its labels true: light, colour, lens, processing, and other tables."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.training.strips import FACE, OFF, UNKNOWN, WALL, Example

Image = NDArray[np.float32]

ROWS, COLUMNS = 224, 384  # samples of 0.08 mm: 18 by 31 mm
KEY_MARGIN = 25  # samples: the key's darkest shade is painted over too
FEW = 2000  # samples off the key: fewer make no table
FEW_WALL = 100  # samples of a wall: fewer have no shade of their own
WALL_LIKE_FACE = 0.4  # of the walls that are changed
WALL_FADES = 0.5  # of them: less light comes near the table
SHADE_LIKE_FACE = 0.5  # of the shadows: the hardest to tell from metal
SHADE_LIKE_MOST = 0.9  # of the table's brightness: a face that is brighter is like no shadow


def drawn(example: Example, tables: list[Image], rng: np.random.Generator) -> tuple[Image, NDArray[np.uint8], Image]:
    """A window of an example, changed at random: picture (0 to 1), labels, and the wall's direction."""
    picture, labels = _window(example, rng)
    wall = example.wall.astype(np.float32)
    if rng.random() < 0.35:
        picture = _with_other_metal(picture, labels, rng)
    if tables and rng.random() < 0.5:
        table = tables[rng.integers(len(tables))] if rng.random() < 0.6 else _made_table(rng)
        picture = _on_table(picture, labels, table, rng)
    if rng.random() < 0.15:
        picture = _coloured_like_the_face(picture, labels, rng)
    if rng.random() < 0.4:
        picture = _with_other_walls(picture, labels, rng)
    if rng.random() < 0.25:
        picture = _in_shadow(picture, labels, rng)
    if rng.random() < 0.5:
        picture, labels, wall = picture[::-1], labels[::-1], wall * np.float32([1, -1])
    return processed(lit(picture, rng), rng), np.ascontiguousarray(labels), wall


def without_speckles(example: Example) -> Example:
    """A path-traced strip without the single bright samples that few paths leave."""
    return replace(example, picture=cv2.medianBlur(np.ascontiguousarray(example.picture), 3))


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


def _made_table(rng: np.random.Generator) -> Image:
    """A table that no photo shows: grain of any size and direction, and at times a printed pattern."""
    table = np.zeros((ROWS, COLUMNS), np.float32)
    stretch = np.exp(rng.uniform(0, 2.5))
    for octave in range(6):
        size = 2.0 ** (octave + rng.uniform(0, 1))
        shape = (max(2, int(ROWS / size)), max(2, int(COLUMNS / (size * stretch))))
        noise = rng.normal(0, 1, shape).astype(np.float32)
        table += size ** rng.uniform(0.0, 0.8) * cv2.resize(noise, (COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC)
    table *= rng.uniform(0.01, 0.15) / max(float(table.std()), 1e-6)
    if rng.random() < 0.3:
        _print_lines(table, rng)
    turn = cv2.getRotationMatrix2D((COLUMNS / 2, ROWS / 2), rng.uniform(0, 360), 1.6)
    table = cv2.warpAffine(table, turn, (COLUMNS, ROWS), borderMode=cv2.BORDER_REFLECT)
    colour = np.clip(rng.uniform(0.08, 0.95) * np.exp(rng.normal(0, 0.18, 3)), 0.03, 1)
    return np.asarray(np.clip(colour * (1 + table[..., None]), 0, 1), np.float32)


def _print_lines(table: Image, rng: np.random.Generator) -> None:
    """Print lines of one width and distance, in one or two directions."""
    distance, width, shade = int(rng.integers(12, 90)), int(rng.integers(1, 8)), rng.uniform(-0.6, 0.4)
    for at in range(int(rng.integers(distance)), ROWS, distance):
        table[at : at + width] += shade
    if rng.random() < 0.4:
        for at in range(int(rng.integers(distance)), COLUMNS, distance):
            table[:, at : at + width] += shade


def _coloured_like_the_face(picture: Image, labels: NDArray[np.uint8], rng: np.random.Generator) -> Image:
    """The table in the face's colour, or nearly: metal on paper, steel on steel."""
    off, face = labels == OFF, labels == FACE
    if off.sum() < FEW or face.sum() < FEW:
        return picture
    wanted = picture[face].mean(axis=0) * np.exp(rng.normal(0, 0.12) + rng.normal(0, 0.03, 3))
    soft = cv2.GaussianBlur(off.astype(np.float32), (0, 0), 0.8)[..., None]
    factor = (wanted / np.maximum(np.median(picture[off], axis=0), 0.02)).astype(np.float32)
    return np.asarray(np.clip(picture * (1 + soft * (factor - 1)), 0, 1), np.float32)


def _with_other_metal(picture: Image, labels: NDArray[np.uint8], rng: np.random.Generator) -> Image:
    """The key's metal brighter, darker or of another tint, with bands of gloss along or across it."""
    metal = ((labels != OFF) & (labels != UNKNOWN)).astype(np.float32)
    grid = rng.normal(0, 1, [(2, 9), (8, 2), (3, 4)][rng.integers(3)]).astype(np.float32)
    gloss = rng.uniform(0, 0.4) * cv2.resize(grid, (COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC)
    factor = np.exp(gloss[..., None] + rng.normal(0, 0.3) + rng.normal(0, 0.06, 3).astype(np.float32))
    soft = cv2.GaussianBlur(metal, (0, 0), 0.7)[..., None]
    return np.asarray(np.clip(picture * (1 + soft * (factor - 1)), 0, 1), np.float32)


def _in_shadow(picture: Image, labels: NDArray[np.uint8], rng: np.random.Generator) -> Image:
    """A shadow of the key on the table: its silhouette moved aside, sharp in the sun and soft under a window."""
    off = labels == OFF
    angle, reach = rng.uniform(0, 2 * np.pi), rng.uniform(3, 40)
    shade, key = np.zeros(off.shape, np.float32), ((labels != OFF) & (labels != UNKNOWN)).astype(np.float32)
    for part in np.linspace(0, 1, 8):
        move = np.float32([[1, 0, part * reach * np.cos(angle)], [0, 1, part * reach * np.sin(angle)]])
        shade = np.maximum(shade, cv2.warpAffine(key, move, (COLUMNS, ROWS)))
    shade = cv2.GaussianBlur(shade, (0, 0), np.exp(rng.uniform(-0.4, 2.2))) * off
    left = np.full(3, rng.uniform(0.08, 0.7))
    if rng.random() < SHADE_LIKE_FACE:
        left = _face_over_table(picture, labels, rng, left)
    return np.asarray(picture * (1 - (1 - left) * shade[..., None]), np.float32)


def _face_over_table(
    picture: Image, labels: NDArray[np.uint8], rng: np.random.Generator, otherwise: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What a shadow must leave of the table's light to look like the key's face; ``otherwise`` where none can."""
    off, face = labels == OFF, labels == FACE
    if off.sum() < FEW or face.sum() < FEW:
        return otherwise
    like = np.median(picture[face], axis=0) * np.exp(rng.normal(0, 0.1) + rng.normal(0, 0.03, 3))
    left = like / np.maximum(np.median(picture[off], axis=0), 0.02)
    return np.minimum(left, 1.0) if left.mean() < SHADE_LIKE_MOST else otherwise


def _with_other_walls(picture: Image, labels: NDArray[np.uint8], rng: np.random.Generator) -> Image:
    """The blade's walls on either side in another light, at times as bright as the face."""
    rows = np.flatnonzero((labels == FACE).any(axis=1))
    if len(rows) == 0:
        return picture
    middle = int(rows.mean())
    for side in (slice(None, middle), slice(middle, None)):
        wall = np.zeros(labels.shape, np.float32)
        wall[side] = labels[side] == WALL
        soft = cv2.GaussianBlur(wall, (0, 0), 0.7)[..., None]
        factor = np.exp(rng.normal(0, 0.45) + rng.normal(0, 0.08, 3)).astype(np.float32)
        if rng.random() < WALL_LIKE_FACE and wall.sum() > FEW_WALL:
            alike = np.median(picture[labels == FACE], axis=0) / np.maximum(np.median(picture[wall > 0], axis=0), 0.02)
            factor = (alike * np.exp(rng.normal(0, 0.06))).astype(np.float32)
        if rng.random() < WALL_FADES and wall.sum() > FEW_WALL:
            factor = factor * (1 - rng.uniform(0, 0.8) * _toward_foot(labels, wall))
        picture = np.clip(picture * (1 + soft * (factor - 1)), 0, 1)
    return np.asarray(picture, np.float32)


def _toward_foot(labels: NDArray[np.uint8], wall: Image) -> Image:
    """How far down a wall each sample lies: 0 at the face, 1 at the foot, (rows, columns, 1)."""
    away = cv2.distanceTransform((labels != FACE).astype(np.uint8), cv2.DIST_L2, 3)
    reach = np.percentile(away[wall > 0], 95)
    return np.asarray(np.clip(away / max(reach, 1.0), 0, 1), np.float32)[..., None]


def lit(picture: Image, rng: np.random.Generator) -> Image:
    """Another light: uneven, coloured, brighter or darker, with another tone curve."""
    if rng.random() < 0.7:
        grid = rng.normal(0, 1, (rng.integers(2, 5), rng.integers(2, 6))).astype(np.float32)
        field = cv2.resize(grid, picture.shape[1::-1], interpolation=cv2.INTER_CUBIC)
        picture = picture * np.exp(rng.uniform(0, 0.35) * field)[..., None]
    picture = picture * np.exp(rng.normal(0, 0.09, 3)) * np.exp(rng.normal(0, 0.25))
    if rng.random() < 0.06:
        picture = picture[..., rng.permutation(3)]
    if rng.random() < 0.12:
        picture = np.repeat(picture.mean(axis=2, keepdims=True), 3, axis=2)
    return np.asarray(np.clip(picture, 0, 1) ** np.exp(rng.normal(0, 0.2)), np.float32)


def processed(picture: Image, rng: np.random.Generator) -> Image:
    """Blur, sharpening, noise and recompression."""
    picture = np.ascontiguousarray(picture)
    if rng.random() < 0.2:
        picture = _tone_mapped(picture, rng)
    if rng.random() < 0.35:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.3))
    if rng.random() < 0.15:
        picture = _fringed(picture, rng)
    if rng.random() < 0.3:
        picture = _shrunk(picture, rng)
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


def _tone_mapped(picture: Image, rng: np.random.Generator) -> Image:
    """Light made even over a few millimetres, as phones do."""
    grey = np.maximum(picture.mean(axis=2), 0.02)
    around = cv2.GaussianBlur(np.log(grey), (0, 0), rng.uniform(12, 60))
    return np.asarray(np.clip(picture * np.exp(rng.uniform(0.2, 0.7) * (np.log(0.4) - around))[..., None], 0, 1))


def _fringed(picture: Image, rng: np.random.Generator) -> Image:
    """Blue and red a sample or two aside from green."""
    aside = rng.uniform(-1.5, 1.5, 2)
    for channel, sign in ((0, -1), (2, 1)):
        move = np.float32([[1, 0, sign * aside[0]], [0, 1, sign * aside[1]]])
        layer = cv2.warpAffine(picture[..., channel], move, picture.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)
        picture[..., channel] = layer
    return picture


def _shrunk(picture: Image, rng: np.random.Generator) -> Image:
    """Shrunk by a messenger, perhaps sharpened, saved, and enlarged again: 6 to 12 pixels per millimetre."""
    scale = rng.uniform(0.45, 0.95)
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = small + rng.uniform(0, 0.6) * (small - cv2.GaussianBlur(small, (0, 0), 0.8))
    coded = np.clip(small * 255, 0, 255).astype(np.uint8)
    _, stored = cv2.imencode(".jpg", coded, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 92))])
    small = cv2.imdecode(stored, cv2.IMREAD_COLOR).astype(np.float32) / 255
    return np.asarray(cv2.resize(small, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR))
