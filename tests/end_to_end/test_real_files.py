"""Real photos of rulers and real broken files, where a folder of them is there (``KEYID_REAL_FILES`` names it).

They belong to others and are not shipped: ``ruler/`` holds r01 (clear millimetre ruler; github.com/mluerig/phenopype,
tutorials/images/worms.jpg, LGPL-3) and r02 (white half millimetre ruler; github.com/jrdurrant/specimen-vision,
docs/images/ruler_test_full.jpg, GPL-2), ``broken/`` the corrupted files of PngSuite, Pillow, pillow-heif and
metadata-extractor.  The rulers' pixels per mm were measured independently, by Fourier transform of their marks.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from keyid.errors import PhotoError
from keyid.photos.photo import load_photo
from keyid.scales.reference import find_scale

FOLDER = Path(os.environ.get("KEYID_REAL_FILES", "no-such-folder"))
BAD_EXIF_ONLY = {"pillow_broken_exif_dpi.jpg", "pillow_exif-ifd-offset.jpg", "pillow_hopper_bad_exif.jpg"}
PROBE_PX = 10.0

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="KEYID_REAL_FILES names no folder")


@pytest.mark.parametrize(
    ("name", "px_per_mm"), [("r01_ruler_20cm_plates.jpg", 12.29), ("r02_specimen_halfmm_ruler.jpg", 17.51)]
)
def test_real_rulers_give_their_pixels_per_mm_within_0_3_per_cent(name: str, px_per_mm: float) -> None:
    scale = find_scale(load_photo(FOLDER / "ruler" / name))
    middle = scale.outline_px.mean(axis=0)
    along = scale.outline_px[1] - scale.outline_px[0]
    ends = middle + np.array([[-0.5], [0.5]]) * PROBE_PX * along / np.linalg.norm(along)
    plan = scale.camera.on_height(ends, scale.thickness_mm)
    assert scale.reference == "ruler"
    assert PROBE_PX / np.linalg.norm(plan[1] - plan[0]) == pytest.approx(px_per_mm, rel=0.003)


@pytest.mark.parametrize("path", sorted((FOLDER / "broken").glob("*")), ids=lambda path: path.name)
def test_broken_files_give_the_plain_error(path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    if path.name in BAD_EXIF_ONLY:
        assert load_photo(path).width_px >= 100
        return
    with pytest.raises(PhotoError, match=r"\w") as caught:
        load_photo(path)
    assert caught.value.code in ("unreadable-file", "too-coarse")  # one of them is whole, but 16 pixels wide
    assert capfd.readouterr().err == ""
