"""Surfaces and light of path-traced scenes as Mitsuba's plugins: metals, plastics, tables, and a room around them."""

from __future__ import annotations

from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Plugin = dict[str, Any]

TEXELS = 512  # of a texture's side
METAL_MM = 40.0  # what a metal's texture covers before it repeats
TABLE_MM = 64.0
ROOM = (512, 1024)  # rows and columns of the room around: elevation from the zenith, azimuth
SUN_DEG = (0.3, 3.0)  # radius of the sun, from hard shadows to those behind haze
SUN_LIGHT = (0.3, 10.0)  # on what faces it; all the rest of a room gives about 0.8
TINTS: tuple[tuple[float, float, float], ...] = (  # reflectance (red, green, blue), from memory
    (0.89, 0.77, 0.45),  # brass
    (0.80, 0.76, 0.68),  # nickel
    (0.76, 0.74, 0.68),  # nickel silver
    (0.60, 0.59, 0.58),  # steel
    (0.85, 0.85, 0.86),  # chrome
)
TABLES = ("paper", "paper", "lined", "wood", "cloth", "leather", "mat", "plain", "metal", "printed")


def metal(rng: np.random.Generator, tint: NDArray[np.float64], roughness: float, scratched: float) -> Plugin:
    """A metal with streaks, stains and a rough sheen."""
    streaks = _noise(rng, stretch=float(np.exp(rng.uniform(0, 4))), octaves=7, slope=rng.uniform(-0.5, 0.7))
    stains = _noise(rng, stretch=1.0, octaves=7, slope=1.0)
    dark = np.clip(1 + scratched * streaks + rng.uniform(0, 0.12) * stains, 0.2, 1.3)[..., None]
    colour = np.clip(dark * tint, 0.02, 1)
    rough = np.clip(roughness * (1 + rng.uniform(0, 0.4) * streaks), 0.08, 0.95)[..., None]
    sheen: Plugin = {
        "type": "principled",
        "base_color": _texture(colour, METAL_MM),
        "metallic": 1.0,
        "roughness": _texture(rough, METAL_MM),
        "anisotropic": float(rng.choice([0.0, rng.uniform(0, 0.9)])),
    }
    if rng.random() < 0.6:
        relief = (streaks * np.exp(rng.uniform(-7.5, -5.0)))[..., None]
        sheen = {"type": "bumpmap", "arbitrary": _texture(relief, METAL_MM), "scale": 1.0, "bsdf": sheen}
    return {"type": "twosided", "bsdf": sheen}


def tint(rng: np.random.Generator) -> NDArray[np.float64]:
    """A metal's reflectance."""
    chosen = np.array(TINTS[rng.integers(len(TINTS))])
    return np.clip(chosen * np.exp(rng.normal(0, 0.12) + rng.normal(0, 0.03, 3)), 0.1, 0.97)


def plastic(rng: np.random.Generator) -> Plugin:
    """A head's plastic."""
    shade = np.clip(np.exp(rng.uniform(np.log(0.01), np.log(0.6))) * np.exp(rng.normal(0, 0.15, 3)), 0.005, 0.85)
    return {
        "type": "roughplastic",
        "diffuse_reflectance": {"type": "rgb", "value": shade.tolist()},
        "alpha": float(rng.uniform(0.1, 0.5)),
    }


def table(rng: np.random.Generator) -> Plugin:
    """What lies under the key."""
    kind = TABLES[rng.integers(len(TABLES))]
    grain = _noise(rng, stretch=1.0, octaves=8, slope=rng.uniform(-0.5, 0.8))
    if kind in ("paper", "lined", "printed"):
        colour = _coloured(1 + rng.uniform(0, 0.03) * grain, rng.uniform(0.55, 0.92), 0.04, rng)
        if kind != "paper":
            colour = _ruled(colour, rng) if kind == "lined" else _printed(colour, rng)
    elif kind == "wood":
        grain = _noise(rng, stretch=float(np.exp(rng.uniform(1.5, 3.5))), octaves=8, slope=rng.uniform(0, 0.8))
        brown = np.array([0.45, 0.26, 0.12]) * np.exp(rng.normal(0, 0.45) + rng.normal(0, 0.15, 3))
        colour = brown * np.clip(1 + rng.uniform(0.08, 0.45) * grain, 0.1, 2)[..., None]
    elif kind == "cloth":
        colour = _coloured(1 + 0.25 * _weave(rng) + 0.15 * grain, np.exp(rng.uniform(-4, -0.4)), 0.3, rng)
    elif kind == "leather":
        colour = _coloured(1 + rng.uniform(0.1, 0.5) * grain, np.exp(rng.uniform(-4, -1.5)), 0.3, rng)
    elif kind == "mat":
        colour = _ruled(_coloured(1 + 0.05 * grain, np.exp(rng.uniform(-3, -1)), 0.5, rng), rng, both=True)
    elif kind == "metal":
        return metal(rng, tint(rng), rng.uniform(0.2, 0.6), 0.1)
    else:
        colour = _coloured(1 + rng.uniform(0, 0.2) * grain, np.exp(rng.uniform(-4, 0)), 0.3, rng)
    skin = _texture(np.clip(colour, 0.003, 0.95), TABLE_MM)
    glossy = rng.random() < (0.15 if kind in ("paper", "lined", "cloth") else 0.6)
    surface: Plugin = (
        {"type": "roughplastic", "diffuse_reflectance": skin, "alpha": float(rng.uniform(0.1, 0.5))}
        if glossy
        else {"type": "diffuse", "reflectance": skin}
    )
    if kind in ("leather", "cloth", "wood") and rng.random() < 0.7:
        relief = (grain * np.exp(rng.uniform(-6, -4)))[..., None]
        return {"type": "bumpmap", "arbitrary": _texture(relief, TABLE_MM), "scale": 1.0, "bsdf": surface}
    return surface


def room(rng: np.random.Generator, to_camera: NDArray[np.float64]) -> Plugin:
    """Light from all around: walls, windows, lamps, sun or flash, and the dark phone before it (z is up)."""
    rows, columns = ROOM
    elevation = np.pi / 2 - (np.arange(rows) + 0.5) / rows * np.pi
    azimuth = (np.arange(columns) + 0.5) / columns * 2 * np.pi
    up, around = np.meshgrid(elevation, azimuth, indexing="ij")
    ahead = np.stack([np.cos(up) * np.cos(around), np.cos(up) * np.sin(around), np.sin(up)], axis=-1)
    coarse = rng.uniform(0.02, 0.5, (5, 9)).astype(np.float32)
    walls = cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
    light = np.clip(walls, 0.01, None)[..., None] * np.exp(rng.normal(0, 0.08, 3))
    kind = rng.choice(["window", "lamps", "sun", "flash"], p=[0.3, 0.2, 0.4, 0.1])
    for _ in range(int(rng.integers(1, 4)) if kind in ("window", "lamps") else int(rng.integers(0, 2))):
        centre = (rng.uniform(0.15, 1.4), rng.uniform(0, 2 * np.pi))
        size = (rng.uniform(0.1, 0.5), rng.uniform(0.1, 0.8)) if kind == "window" else (rng.uniform(0.03, 0.2),) * 2
        beside = np.abs(np.angle(np.exp(1j * (around - centre[1])))) * np.cos(centre[0])
        lit = (np.abs(up - centre[0]) < size[0]) & (beside < size[1])
        light[lit] = rng.uniform(2, 8) / (size[0] * size[1]) * 0.15 * np.exp(rng.normal(0, 0.1, 3))
    if kind == "sun":
        sun = _direction(rng.uniform(0.35, 1.35), rng.uniform(0, 2 * np.pi))
        radius = np.exp(rng.uniform(*np.log(SUN_DEG)))
        radiance = np.exp(rng.uniform(*np.log(SUN_LIGHT))) / (np.pi * np.radians(radius) ** 2)
        light[ahead @ sun > np.cos(np.radians(radius))] = radiance * np.array([1, 0.93, 0.8])
    light[ahead @ to_camera > np.cos(np.radians(rng.uniform(8, 25)))] *= rng.uniform(0.02, 0.4)  # the phone's back
    if kind == "flash":
        beside = to_camera + rng.normal(0, 0.03, 3)
        lit = ahead @ (beside / np.linalg.norm(beside)) > np.cos(np.radians(1.5))
        light[lit] = rng.uniform(300, 900)
    light[up < 0] = 0.02
    turn = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
    return {"type": "envmap", "bitmap": mi.Bitmap(_as_mitsuba_room(light, columns)), "to_world": turn}


def _as_mitsuba_room(light: NDArray[np.float64], columns: int) -> Image:
    """Columns in the plugin's order: its azimuth runs the other way and starts a quarter turn aside."""
    return np.ascontiguousarray(np.roll(light[:, ::-1], columns // 4, axis=1), dtype=np.float32)


def _direction(elevation: float, azimuth: float) -> NDArray[np.float64]:
    """Unit vector toward a place in the sky."""
    return np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])


def _texture(values: NDArray[np.floating], covers_mm: float) -> Plugin:
    """A repeating texture of raw values over millimetres."""
    scale = mi.ScalarTransform4f().scale([1 / covers_mm, 1 / covers_mm, 1])
    bitmap = mi.Bitmap(np.ascontiguousarray(values, dtype=np.float32))
    return {"type": "bitmap", "bitmap": bitmap, "raw": True, "to_uv": scale, "wrap_mode": "mirror"}


def _noise(rng: np.random.Generator, stretch: float, octaves: int, slope: float) -> Image:
    """A field of unit variance, drawn out along x; a greater slope gives coarser blotches."""
    field = np.zeros((TEXELS, TEXELS), np.float32)
    for octave in range(octaves):
        size = 2.0**octave
        shape = (max(2, int(TEXELS / size)), max(2, int(TEXELS / (size * stretch))))
        coarse = rng.normal(0, 1, shape).astype(np.float32)
        field += size**slope * cv2.resize(coarse, (TEXELS, TEXELS), interpolation=cv2.INTER_CUBIC)
    return (field - field.mean()) / max(float(field.std()), 1e-6)


def _weave(rng: np.random.Generator) -> Image:
    """Threads over and under."""
    at = np.arange(TEXELS) * 2 * np.pi / rng.uniform(5, 14)
    threads = np.sin(at)[:, None] * np.cos(at * rng.uniform(0.7, 1.4))[None, :]
    return np.asarray(threads, np.float32)


def _coloured(field: Image, shade: float, spread: float, rng: np.random.Generator) -> Image:
    """A field of brightness in one colour."""
    return np.asarray(shade * np.exp(rng.normal(0, spread, 3)) * np.clip(field, 0.05, 3)[..., None], np.float32)


def _ruled(colour: Image, rng: np.random.Generator, both: bool = False) -> Image:
    """Lines in one direction or two."""
    texels_per_mm = TEXELS / TABLE_MM
    pitch = rng.choice([5.0, 7.0, 8.0, 10.0]) * texels_per_mm
    width = max(1, round(rng.uniform(0.15, 0.6) * texels_per_mm))
    line = np.exp(rng.uniform(-3, 0, 3)) if rng.random() < 0.7 else np.full(3, 0.8)
    drawn = colour.copy()
    for start in np.arange(rng.uniform(0, pitch), TEXELS, pitch).astype(int):
        drawn[start : start + width] = line
        if both or rng.random() < 0.02:
            drawn[:, start : start + width] = line
    return drawn


def _printed(colour: Image, rng: np.random.Generator) -> Image:
    """Rows of small dark marks, like print."""
    drawn = colour.copy()
    height = int(rng.integers(8, 30))
    for top in range(0, TEXELS - height, int(height * rng.uniform(1.4, 2.5))):
        left = 0
        while left < TEXELS:
            width = int(rng.integers(2, height))
            if rng.random() < 0.7:
                start = top + int(rng.integers(0, height // 2))
                drawn[start : top + height, left : left + width] *= rng.uniform(0.05, 0.4)
            left += width + int(rng.integers(2, 6))
    return drawn
