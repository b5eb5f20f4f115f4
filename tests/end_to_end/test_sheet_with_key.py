"""A key on the measuring sheet as its PDF prints it, from the photo to the roots: exact truth by construction."""

from __future__ import annotations

from functools import cache

import numpy as np

from keyid.blades.cuts import find_cuts
from keyid.identify import measure
from tests.benchmarks.reference_accuracy import SAME_CUT_MM, made, scale_errors
from tests.scene import Scene

MANY_U = 4.0  # standard uncertainties: passed by chance once in 16,000 lengths if u is right
SEED = 4


@cache
def scene() -> Scene:
    return made(SEED, "sheet")


def test_a_key_on_the_sheet_is_measured_by_it() -> None:
    photo, truth = scene().photo, scene().truth
    assert photo is not None
    _, scale, _, blade, _ = measure(photo)
    assert scale.reference == "sheet"
    assert (blade.stop, blade.edges) == ("shoulder", 1)
    assert abs(blade.width.mm - truth.width_mm) < MANY_U * blade.width.u_mm
    found = find_cuts(blade)
    for cut in truth.cuts:
        near = min(found, key=lambda one: abs(one.position.mm - cut.position_mm))
        assert abs(near.position.mm - cut.position_mm) < SAME_CUT_MM
        assert abs(near.root.mm - cut.root_mm) < MANY_U * near.root.u_mm
    # of the roots' errors the scale makes a tenth of a per cent at most: 0.1 % of 8 mm
    assert np.abs(scale_errors(scene(), scale)).max() < 0.008
