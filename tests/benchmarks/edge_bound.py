"""How near the sub-pixel edges come to what the noise allows.

The Cramer-Rao bound (Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory", 1993, 3.5) for the place
of a straight blurred edge in white noise is sd^2 / sum(slope^2) over the samples that are used: all along the edge's
normal, and as many columns along the edge as the Gaussian weights of `keyid.outlines.rims` count for.  ``python -m
tests.benchmarks.edge_bound`` prints the table.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from keyid.outlines.rims import STRIDE, TANGENT_MM, Rim, Side, refine
from keyid.outlines.strip import STEP_MM

ROWS, COLUMNS = 90, 1200
BRIGHT, DARK = 0.55, 0.12  # linear light
SAMPLES = COLUMNS // STRIDE


def errors(blur: float, noise: float, seed: int = 0) -> NDArray[np.float64]:
    """Errors in samples of refined places along an edge; blur in samples, noise as a share of the edge's height."""
    rng = np.random.default_rng(seed)
    centre = ROWS / 2 + 0.3
    light = DARK + (BRIGHT - DARK) * _step(np.arange(ROWS) - centre, blur)
    noisy = light[:, None] + (BRIGHT - DARK) * noise * rng.standard_normal((ROWS, COLUMNS))
    clipped = np.clip(noisy, 0.0, 1.0)
    coded = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    values = np.repeat(coded[..., None], 3, axis=2).astype(np.float32)
    side = Side(
        values,
        *np.zeros((2, ROWS, COLUMNS), np.float32),
        STEP_MM * np.arange(COLUMNS),
        STEP_MM * np.arange(ROWS),
    )
    columns = np.arange(0, COLUMNS, STRIDE)
    rim = Rim(columns, np.full(len(columns), STEP_MM * round(centre)), np.zeros(len(columns), int))
    place, _ = refine(side, rim)
    inner = slice(20, -20)
    return np.asarray(place[inner] / STEP_MM - centre)


def bound(blur: float, noise: float) -> float:
    """Cramer-Rao bound of one refined place, in samples."""
    distance = np.arange(ROWS) - ROWS / 2 - 0.3
    slope = np.exp(-0.5 * (distance / blur) ** 2) / (blur * np.sqrt(2 * np.pi))
    offsets = np.arange(-20, 21) * STEP_MM
    weight = np.exp(-0.5 * (offsets / TANGENT_MM) ** 2)
    columns = weight.sum() ** 2 / (weight**2).sum()
    return float(noise / np.sqrt(columns * (slope**2).sum()))


def _step(distance: NDArray[np.float64], blur: float) -> NDArray[np.float64]:
    return np.asarray(0.5 * (1 - erf(distance / (np.sqrt(2) * blur))))


def main() -> None:
    """Print the table."""
    print("blur   noise   found    bound   times")
    for blur in (1.0, 1.5, 2.0, 3.0):
        for noise in (0.01, 0.03, 0.08):
            found = float(np.std(errors(blur, noise)))
            print(f"{blur:4.1f} {noise:7.2f} {found:8.4f} {bound(blur, noise):8.4f} {found / bound(blur, noise):7.2f}")


if __name__ == "__main__":
    main()
