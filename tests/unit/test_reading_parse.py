"""The fixed form read back: what is written again is the same.  Exact construction."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from keyid.readings.reading import PointedFact, Reading
from keyid.readings.reading_parse import parse_reading
from keyid.readings.remark import Remark
from tests.unit.example_reading import NEXT, reading

SECOND = replace(reading().photo, file="second.jpg")


@pytest.mark.parametrize(
    "made",
    [
        reading(),
        reading(bitting=None),
        reading(next_measurement=NEXT),
        reading(candidates=(), none_of_these=1.0),
        reading(further_photos=(SECOND,), notes=("the width",)),
        reading(remarks=(Remark(0.05, "It is dark.", "More light."),)),
        reading(pointed=(PointedFact("stop", 0.11), PointedFact("key", None))),
    ],
)
def test_a_reading_comes_back_as_it_was_written(made: Reading) -> None:
    form = json.loads(json.dumps(made.to_json()))
    profiles = {candidate.profile.id: candidate.profile for candidate in made.candidates}
    assert parse_reading(form, profiles).to_json() == form
