"""What a key's page shows: stages, advice, marks on the photo, the reading in words, and what to measure by hand."""

from __future__ import annotations

import datetime
import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from keyid.identify import Examination, Stage
from keyid.length import COVERAGE, Length, in_mm
from keyid.page.desks import Key
from keyid.page.knowing import shown_of
from keyid.page.marks import blade_view, marks
from keyid.page.pointing import handles
from keyid.profiles.profile import Profile
from keyid.readings.cautions import CAUTIONS
from keyid.readings.comparison import ComparedCut, Comparison
from keyid.readings.confirm import SIZE_WORDS, HandMeasurement, HandValue, confirmed, hand_measurements
from keyid.readings.double_check import check_words
from keyid.readings.reading import Reading
from keyid.readings.reading_parse import parse_reading
from keyid.readings.remark import is_poor, off_words, verdict_words
from keyid.reports.comparison_text import same_words, try_words
from keyid.reports.report import Record, Report, report_words
from keyid.reports.text import limiting, pointed_words, together
from keyid.scales.pointed import NOTHING_POINTED
from keyid.scales.scale import Scale
from keyid.scales.told import NAMES

Json = dict[str, Any]
Profiles = Mapping[str, Profile]

STAGES: tuple[tuple[Stage, str, str], ...] = (
    ("photo", "Opening the photo", "Photo opened"),
    ("scale", "Looking for something of known size", "Scale found"),
    ("key", "Looking for the key", "Key found"),
    ("strip", "Looking for the blade", "Blade found"),
    ("edges", "Following the blade's edges", "Edges followed"),
    ("blade", "Measuring", "Measured"),
    ("face", "Looking for grooves", "Looked for grooves"),
    ("blades", "Comparing with known blades", "Compared with known blades"),
)
PLAIN_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
SHORT = {
    "width": "width of the uncut blade",
    "length": "length, shoulder to tip",
    **{
        f"{face}-{wall}": f"{face} face: edge to {wall} wall of groove"
        for face in ("left", "right")
        for wall in ("near", "far")
    },
}
"""Names of fields, short enough for a phone's list."""
HERE = {
    "--coin": "Tell which coin it is below, under “Tell more of this photo”.",
    "--paper": "Tell which sheet of paper it is below, under “Tell more of this photo”.",
    "--reference": "Tell the right coin, or choose what the scale is from, under “Tell more of this photo”.",
}
"""What to do on the page, where the advice names an option of the command line."""
REPAIRS = {
    "no-reference": "reference",
    "reference-unclear": "reference",
    "reference-cut-off": "reference",
    "no-key": "key",
    "several-keys": "key",
    "key-unclear": "stop",
}
"""What to point at where a photo was refused for that."""


@dataclass(frozen=True)
class Now:
    """A key's reading as it is now, with the values measured by hand weighed in, and where they contradict."""

    reading: Reading
    form: Json
    said: tuple[str, ...]


def reading_now(key: Key, profiles: Profiles, trial: tuple[HandValue, ...] = ()) -> Now | None:
    """Return the reading with what was measured by hand, and a value that is being typed; None without a reading."""
    if key.examination is None:
        return None
    values = [*key.values, *trial]
    form = key.examination.reading.to_json()
    if not values:
        return Now(key.examination.reading, form, ())
    after, said = confirmed(form, profiles, values)
    before = key.examination.reading
    reading = parse_reading(after, profiles)
    reading = replace(reading, cautions=before.cautions, sending=before.sending, remarks=before.remarks)
    return Now(reading, after, tuple(said))


def examination_now(key: Key, profiles: Profiles) -> Examination | None:
    """Return what was measured, with the reading as it is now."""
    now = reading_now(key, profiles)
    return None if now is None or key.examination is None else replace(key.examination, reading=now.reading)


def state(key: Key, profiles: Profiles, trial: tuple[HandValue, ...] = (), n: int | None = None) -> Json:
    """Return everything that changes on a key's page; ``n`` is the photo that is looked at."""
    n = key.first if n is None else n
    photo = key.photos[n] if key.photos else None
    now = reading_now(key, profiles, trial)
    report = None if now is None else _words(key, now)
    return {
        "version": key.version,
        "phase": phase(key),
        "line": verdict(key, profiles),
        "photo": None if photo is None else [photo.width_px, photo.height_px],
        "shown": "" if photo is None else photo.sha256,
        "number": n,
        "photos": [] if key.alone else [one.file for one in key.photos],
        "marks": marks(key, None if now is None else now.reading, n),
        "view": blade_view(key, n),
        "before": key.examination is not None,
        "handles": handles(key, n),
        "undo": bool(key.before),
        "as_found": key.asked.pointed_in(n) != NOTHING_POINTED,
        "steps": rendered("steps.html", steps=_steps(key), reading=key.measuring and now is None),
        "advice": rendered("advice.html", **_advice(key)),
        "answer": rendered("answer.html", key=key, report=report, **_beside(key, now), **_refusal(key)),
        "more": rendered("more.html", report=report, whole_key=() if now is None else now.reading.whole_key),
        "known": rendered("known.html", **shown_of(key, profiles)),
        "confirm": rendered("values.html", **_confirm(key, profiles, now)),
        "next": _next(key, profiles, now),
    }


def phase(key: Key) -> str:
    """Tell how far a key is: measuring, refused, read or forgotten."""
    if key.forgotten:
        return "forgotten"
    if key.measuring:
        return "measuring"
    return "refused" if key.examination is None else "read"


def verdict(key: Key, profiles: Profiles) -> str:
    """One line on a key for the list of keys."""
    now = reading_now(key, profiles)
    if now is not None:
        return _words(key, now).verdict
    if key.error is not None:
        return key.error.message
    return next((doing for stage, doing, _ in STAGES if stage == key.begun), "Waiting for its turn") + " …"


def record(key: Key, *, hide_bitting: bool = False) -> Record:
    """What goes on file."""
    made = datetime.datetime.now().astimezone()
    measured = tuple(f"{value_words(value)}: {value.mm:.2f} mm" for value in key.values)
    return Record(made, key.asked_by or None, key.authority or None, hide_bitting, measured)


def _words(key: Key, now: Now) -> Report:
    assert key.examination is not None  # there is a reading
    return report_words(replace(key.examination, reading=now.reading), record(key))


def _beside(key: Key, now: Now | None) -> Json:
    """What the answer tells beside the report's words: notes, and the bitting's number in the code list."""
    bitting = None if now is None else now.reading.bitting
    return {"notes": _notes(key, now), "number": "" if bitting is None else bitting.code_number or ""}


def _notes(key: Key, now: Now | None) -> list[str]:
    """What a blank was checked for, what was pointed at by hand, and what the photos disagree on."""
    if now is None:
        return []
    checked_blank = None if key.examination is None else key.examination.reading.checked
    by_hand = pointed_words(now.reading)
    checked = () if checked_blank is None else (check_words(checked_blank),)
    return [*checked, *([by_hand] if by_hand else []), *now.reading.notes]


def _refusal(key: Key) -> Json:
    """What to do where a photo was refused, and what to point at; empty where that is no help."""
    if key.error is None:
        return {"todo": "", "point": ""}
    advice = key.error.advice
    todo = next((here for option, here in HERE.items() if option in advice), advice)
    together = not key.alone and len(key.measured) == len(key.photos)  # each can be measured, but they differ
    return {"todo": todo, "point": "" if together else REPAIRS.get(key.error.code, "")}


def _steps(key: Key) -> list[Json]:
    """Each stage: what is done or was found, and whether it is done, runs or waits."""
    steps = []
    for stage, doing, done in STAGES:
        how = "done" if stage in key.done else "now" if stage == key.begun else "later"
        if stage not in key.done and key.error is not None and stage == key.begun:
            how = "failed"
        steps.append({"said": _found(key, stage, done) if how == "done" else doing, "how": how})
    return steps


def _found(key: Key, stage: Stage, done: str) -> str:
    scale = key.done.get(stage)
    return f"Scale found: {NAMES.get(scale.reference, scale.reference)}" if isinstance(scale, Scale) else done


def _advice(key: Key) -> Json:
    """What limits the photo: known as soon as the key is found, all of it once it is read."""
    remarks = (key.advice or ()) if key.examination is None else limiting(key.examination.reading)
    return {
        "known": key.advice is not None or key.examination is not None,
        "remarks": remarks,
        "verdict": verdict_words(remarks).rstrip("."),
        "meaning": off_words(remarks) if remarks else "",
        "retake": is_poor(remarks),
    }


def _confirm(key: Key, profiles: Profiles, now: Now | None) -> Json:
    values = [{"field": field(value), "said": value_words(value), "mm": f"{value.mm:.2f}"} for value in key.values]
    return {"values": values, "said": () if now is None else now.said}


def _next(key: Key, profiles: Profiles, now: Now | None) -> Json | None:
    """What to measure next, and everything that can be measured, each with the name of its field."""
    if now is None:
        return None
    wanted = hand_measurements(now.form, profiles)
    best = _first_open(wanted, {field(value) for value in key.values})
    return {
        "best": None if best is None else {"field": field(best.value), "said": best.words, "why": best.why},
        "fields": [[field(value), value_words(value)] for value in _measurable(now, profiles)],
    }


def _first_open(wanted: list[HandMeasurement], given: set[str]) -> HandMeasurement | None:
    return next((one for one in wanted if field(one.value) not in given), None)


def _measurable(now: Now, profiles: Profiles) -> list[HandValue]:
    """All that a caliper can take of this key."""
    sizes = ["width"] + (["length"] if now.reading.blade.stop == "shoulder" else [])
    grooves = [what for what in SIZE_WORDS if "-" in what] if _all_grooved(now, profiles) else []
    bitting = now.reading.bitting
    cuts = [HandValue("root", 0.0, n) for n in range(1, 1 + len(bitting.cuts if bitting else ()))]
    return [*(HandValue(what, 0.0) for what in sizes), *cuts, *(HandValue(what, 0.0) for what in grooves)]


def _all_grooved(now: Now, profiles: Profiles) -> bool:
    """Tell whether grooves can decide: whether every blade that is left tells its own."""
    listed = [profiles[candidate.profile.id] for candidate in now.reading.candidates]
    return bool(listed) and all(one.grooves_left_mm and one.grooves_right_mm for one in listed)


def field(value: HandValue) -> str:
    """Return the name of the field that a value is typed into."""
    return f"root-{value.cut}" if value.cut else value.what


def value_of(name: str, mm: float) -> HandValue:
    """Return the value typed into a field; raises ValueError for a field that there isn't."""
    what, _, number = name.partition("-")
    if what == "root" and number.isdecimal() and int(number) > 0:
        return HandValue("root", mm, int(number))
    if name not in SIZE_WORDS:
        raise ValueError(f"There is no field {name!r}.")
    return HandValue(name, mm)


def value_words(value: HandValue) -> str:
    """What a value is of, in words."""
    return f"metal left at cut {value.cut}" if value.cut else SHORT[value.what]


def rendered(template: str, **shown: object) -> str:
    """Return a template filled in; whatever is put in is shown as text, never read as markup."""
    return templates().get_template(template).render(**shown)


def compared_words(compared: Comparison) -> Json:
    """What the comparison of two keys says, in words and rows."""
    cuts = [_compared(cut) for cut in compared.cuts]
    notes = [note.replace("compare with --used", "tick “used” below") for note in compared.notes]
    return {
        "said": same_words(compared.same),
        "todo": try_words(compared),
        "notes": notes,
        "cuts": cuts,
        "report": {"cautions": CAUTIONS},
    }


def _compared(cut: ComparedCut) -> Json:
    difference = cut.difference
    return {
        "position": f"{cut.position.mm:.2f}",
        "old": _limits(cut.old, ""),
        "new": _limits(cut.new, ""),
        "difference": _limits(difference, "+"),
        "apart": difference is not None and abs(difference.mm) > COVERAGE * difference.u_mm,
    }


def _limits(length: Length | None, sign: str) -> str:
    return "not seen" if length is None else in_mm(length, sign)


def plain_page(template: str, status: int = 200, **shown: object) -> Response:
    """Return a page that is shown without a desk: it has its colours in itself."""
    page = rendered(template, css=Markup(shared_css()), **shown)
    return HTMLResponse(page, status, headers={"Content-Security-Policy": PLAIN_POLICY})


def shared_css() -> str:
    """Return the colours and the parts that the report has too."""
    return resources.files("keyid.reports").joinpath("templates/shared.css").read_text(encoding="utf-8")


@functools.cache
def templates() -> Environment:
    """Return the page's templates, and those that it shares with the report."""
    environment = Environment(
        loader=ChoiceLoader([PackageLoader("keyid.page"), PackageLoader("keyid.reports")]),
        autoescape=True,
        auto_reload=False,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["together"] = together
    return environment
