"""Several photos of one key taken together: exact edges of invented keys with known errors (no source needed)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.blades.blade import Blade, BudgetLine, EdgeTrace
from keyid.blades.fusion import fuse
from keyid.errors import PhotoError
from keyid.length import Length
from keyid.rankings.ranking import rank
from keyid.readings.bitting import read_bitting
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured, with_heights

CODE = "3-1-4-2-5"
NAMES = ("one.jpg", "two.jpg", "three.jpg")
Array = NDArray[np.float64]


def pier(seed: int, common_mm: float = 0.0, stop_mm: float = 0.0, noise_mm: float = 0.02) -> Blade:
    """A photo of the key whose heights and stop are off by known amounts."""
    blade = measured(key_of(PIER, CODE), noise_mm=noise_mm, common_mm=common_mm, seed=seed)
    blade = replace(blade, width=Length(blade.width.mm + common_mm, 0.06), height_common_u_mm=0.05)
    moved = (replace(trace, x_mm=trace.x_mm - stop_mm) for trace in (blade.a, blade.b))
    return replace(blade, **dict(zip("ab", moved, strict=True)), station_common_u_mm=0.08)


def true_height(blade: Blade, x_mm: Array) -> Array:
    return np.asarray(key_of(PIER, CODE).height_mm("a", np.asarray(key_of(PIER, CODE).x_of(x_mm))))


def off_from_truth(blade: Blade) -> Array:
    clear = (blade.a.x_mm > 1.0) & (blade.a.x_mm < 20.0) & np.isfinite(blade.a.height_mm)
    return blade.a.height_mm[clear] - true_height(blade, blade.a.x_mm[clear])


def test_errors_of_single_photos_average_out() -> None:
    photos = [pier(0, 0.05, 0.10), pier(1, -0.05, -0.10)]
    fused = fuse(photos, NAMES[:2])
    assert fused.blade.width.mm == pytest.approx(PIER.width_mm, abs=0.01)
    assert fused.notes == ()
    rms = [float(np.sqrt(np.mean(off_from_truth(b) ** 2))) for b in (*photos, fused.blade)]
    assert rms[2] < 0.5 * min(rms[:2])  # both errors are opposite, so the mean has hardly any


def test_the_mean_of_like_photos_is_surer_by_the_root_of_their_number_but_for_what_they_share() -> None:
    own = BudgetLine("pose", 0.0, 0.06, 0.04, 0.05, 0.001)
    shared = BudgetLine("reference size", 0.0, 0.02, 0.01, 0.0, 0.0005)
    photos = [replace(pier(0), budget=(own, shared))] * 4
    blade = fuse([replace(p) for p in photos], (*NAMES, "four.jpg")).blade
    assert blade.width.u_mm == pytest.approx(np.hypot(0.06 / 2, 0.02))
    assert blade.height_common_u_mm == pytest.approx(np.hypot(0.04 / 2, 0.01))
    assert blade.station_common_u_mm == pytest.approx(0.05 / 2)


def test_photos_that_disagree_are_less_sure() -> None:
    photos = [pier(0), replace(pier(1), width=Length(PIER.width_mm + 0.5, 0.06))]
    fused = fuse(photos, NAMES[:2])
    assert fused.blade.width.u_mm == pytest.approx(0.25, rel=0.02)  # half the difference
    assert fused.notes == ("The photos disagree on the width: 8.00 ±0.12 mm in one.jpg and 8.50 ±0.12 mm in two.jpg.",)


def test_a_stretch_astray_is_outvoted_by_three_photos_and_left_out_of_two() -> None:
    astray = with_heights(pier(2), 10.9, 11.9, 0.4)
    of_two = fuse([pier(0), astray], NAMES[:2])
    inside = (of_two.blade.a.x_mm > 11.0) & (of_two.blade.a.x_mm < 11.8)
    assert np.isnan(of_two.blade.a.height_mm[inside]).all()
    assert "left out there" in of_two.notes[0]
    of_three = fuse([pier(0), pier(1), astray], NAMES)
    assert np.abs(off_from_truth(of_three.blade)).max() < 0.1
    assert "decided by the others there" in of_three.notes[0]


def test_photos_of_two_keys_are_refused_and_one_photo_of_another_is_left_out() -> None:
    other = measured(key_of(MOLE, "5-5-1-5-1"))
    with pytest.raises(PhotoError, match="they show two keys") as refused:
        fuse([pier(0), other], NAMES[:2])
    assert refused.value.code == "several-keys"
    fused = fuse([pier(0), other, pier(1)], NAMES)
    assert sorted(fused.used) == [0, 2]
    assert fused.notes[0] == "Left out, because it disagrees with the other photos: two.jpg."


def test_a_key_turned_over_is_laid_on_its_other_edge() -> None:
    key = key_of(QUAY, "2-3-1-4-2-1-3")
    first = with_heights(measured(key), 0.0, 3.0, -0.3)  # something on one edge only
    turned = replace(first, a=first.b, b=first.a)
    fused = fuse([first, turned], NAMES[:2])
    assert fused.notes == ()
    seen = np.isfinite(fused.blade.a.height_mm)
    assert fused.blade.a.height_mm[seen] == pytest.approx(first.a.height_mm[seen], abs=1e-9)


def _counted_from_tip(blade: Blade) -> Blade:
    """The same key whose shoulder was not seen."""
    length = PIER.length_mm or 0.0

    def turned(trace: EdgeTrace) -> EdgeTrace:
        return EdgeTrace(length - trace.x_mm[::-1], trace.height_mm[::-1], trace.u_mm[::-1], trace.correlation_mm)

    return replace(blade, stop="tip", length=None, a=turned(blade.a), b=turned(blade.b))


def test_the_stop_that_most_photos_show_counts_and_without_majority_it_is_unknown() -> None:
    tip = _counted_from_tip(pier(2))
    most = fuse([pier(0), tip, pier(1)], NAMES)
    assert most.blade.stop == "shoulder"
    assert most.notes == (
        "The photos disagree on the stop: shoulder in one.jpg, shoulder in three.jpg, tip in two.jpg.",
    )
    assert np.abs(off_from_truth(most.blade)).max() < 0.1
    even = fuse([pier(0), tip], NAMES[:2])
    assert (even.blade.stop, even.used[0]) == ("unknown", 1)
    ranking = rank(even.blade, (PIER, MOLE, QUAY))
    bitting = read_bitting(ranking, even.blade)
    assert bitting is not None
    assert (bitting.profile, bitting.code) == (PIER.id, CODE)
