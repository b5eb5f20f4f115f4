"""From the fixed JSON form back to a reading, with the profiles that it names."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.readings.reading import (
    BittingCut,
    BittingFacts,
    BladeFacts,
    BlankFit,
    CandidateFacts,
    Confirmation,
    NextMeasurement,
    PhotoFacts,
    PointedFact,
    Reading,
    ScaleFacts,
    SeenCut,
)
from keyid.readings.remark import Remark

Json = dict[str, Any]


def parse_reading(form: Json, profiles: Mapping[str, Profile]) -> Reading:
    """Return the reading that `Reading.to_json` wrote.

    A blank that was double-checked, and blanks that the library no longer has, are left out.

    Parameters
    ----------
    form : dict
        In the form ``keyid-reading/1``, of a key that was measured.
    profiles : mapping of str to Profile
        By id; holds all candidates.
    """
    after = form["next_measurement"]
    photos = form["photo"] if isinstance(form["photo"], list) else [form["photo"]]
    first, *further = (PhotoFacts(**photo) for photo in photos)
    return Reading(
        photo=first,
        scale=_scale(form["scale"]),
        blade=_blade(form["blade"]),
        cuts=tuple(
            SeenCut(c["edge"], _length(c["position"]), _length(c["root"]), tuple(c["px"])) for c in form["cuts"]
        ),
        candidates=tuple(_candidate(one, profiles[one["profile"]]) for one in form["candidates"]),
        others=form["others"],
        none_of_these=form["none_of_these"],
        next_measurement=None if after is None else NextMeasurement(**after),
        bitting=None if form["bitting"] is None else _bitting(form["bitting"]),
        cautions=tuple(form["cautions"]),
        confirm=tuple(Confirmation(c["what"], _length(c["expected"]), c["tolerance"]) for c in form["confirm"]),
        further_photos=tuple(further),
        notes=tuple(form.get("notes", ())),
        whole_key=tuple(form.get("whole_key", ())),
        remarks=tuple(Remark(one["cost_mm"], one["what"], one["do"]) for one in form.get("advice", ())),
        pointed=tuple(PointedFact(fact["what"], fact["u"]) for fact in form.get("pointed", ())),
    )


def _scale(form: Json) -> ScaleFacts:
    agrees = tuple((kind, ratio, u) for kind, ratio, u in form.get("agrees", ()))
    return ScaleFacts(**{**form, "agrees": agrees})


def _length(form: Json) -> Length:
    return Length(form["value"], form["u"])


def _blade(form: Json) -> BladeFacts:
    length = None if form["length"] is None else _length(form["length"])
    start, tip = form["axis_px"]
    return BladeFacts(form["stop"], form["edges"], length, _length(form["width"]), (tuple(start), tuple(tip)))


def _candidate(form: Json, profile: Profile) -> CandidateFacts:
    blanks = {blank.id: blank for blank in profile.blanks}
    fits = (
        BlankFit(blanks[fit["id"]], tuple(fit["for"]), tuple(fit["against"]))
        for fit in form["blanks"]
        if fit["id"] in blanks
    )
    return CandidateFacts(
        profile, form["probability"], form["group"], tuple(fits), tuple(form["for"]), tuple(form["against"])
    )


def _bitting(form: Json) -> BittingFacts:
    return BittingFacts(
        profile=form["profile"],
        order=form["order"],
        code=form["code"],
        probability=form["probability"],
        cuts=tuple(_cut(cut) for cut in form["cuts"]),
        also=_shares(form["also"]),
        wear=_length(form["wear_mm"]),
        shift=_length(form["shift_mm"]),
        code_number=form.get("code_number"),
    )


def _cut(form: Json) -> BittingCut:
    return BittingCut(
        _length(form["position"]), _length(form["root"]), form["code"], form["probability"], _shares(form["others"])
    )


def _shares(form: list[list[Any]]) -> tuple[tuple[str, float], ...]:
    return tuple((code, p) for code, p in form)
