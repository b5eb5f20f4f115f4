"""Pictures at a lower resolution."""

import numpy as np
import pytest

from keyid.photos.coarser import coarser


@pytest.mark.parametrize("factor", [1.0, 0.8, 0.5, 0.31, 0.25, 0.11])
def test_places_stay(factor: float) -> None:
    # Exact construction: on a ramp of one grey level a pixel each value tells its own place, in both directions.
    ramp = np.arange(240, dtype=np.uint8)
    pixels = np.stack([np.tile(ramp, (240, 1)), np.tile(ramp[:, None], (1, 240)), np.zeros((240, 240), np.uint8)], -1)
    small = coarser(pixels, factor)
    assert small.shape[:2] == (round(240 * factor), round(240 * factor))
    places = np.indices(small.shape[:2])
    for channel, along in ((0, places[1]), (1, places[0])):
        expected = (along + 0.5) / factor - 0.5
        inside = slice(1, -1)  # beyond the border nothing is known
        off = small[inside, inside, channel] - expected[inside, inside]
        assert np.abs(off).max() < 1.6  # each halving and the last step round to whole grey levels


def test_nothing_is_skipped() -> None:
    # Exact construction: a chequered picture of single pixels is grey from half its size on.
    pixels = np.uint8(255) * (np.indices((96, 96)).sum(axis=0) % 2).astype(np.uint8)
    assert np.abs(coarser(pixels, 0.5).astype(float) - 127.5).max() < 1.0
    assert np.abs(coarser(pixels, 0.3).astype(float) - 127.5).max() < 1.0
