"""A profile drawn to scale: the uncut blade, where cuts stand, how deep each code goes, grooves, and the section."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from keyid.length import MM_PER_INCH
from keyid.profiles.profile import Profile
from keyid.reports.drawing import INK, Drawing, Line, Words, rectangle

PAGE_MM = 210.0  # as wide as a sheet of A4
BLADE_MM = 118.0  # room for the blade along the page
LARGEST_SCALE, LEAST_SCALE = 6, 1
LEFT_MM, TOP_MM = 26.0, 30.0  # where the blade's upper left corner is
HEAD_MM = 4.0  # of the head, drawn behind the shoulder
HEAD_RISE_MM = 2.5  # the head is drawn that much wider than the blade on each edge
TAPER_MM = 2.5  # the tip's taper as drawn where the file doesn't tell its shape
BEYOND_LAST_MM = 4.0  # a blade of unknown length is drawn that far beyond its last cut
UNKNOWN_THICKNESS_MM = 2.0  # drawn where the file tells none
GROOVE_DEPTH_PART = 0.3  # of the thickness, as drawn: no profile tells how deep grooves are
SECTION_GAP_MM = 6.0  # on paper, between the code labels and the section
LETTERS_MM, SMALL_MM = 3.0, 2.4
LABEL_STEP_MM = 3.1  # labels stand that far apart at least
LABEL_COLUMN_MM = 30.0
LEADER_MM = 5.0
BAR_MM = 10.0

METAL = "#e9edf0"
LEFT_GROOVE = "#b5cadb"
RIGHT_GROOVE = "#8a5a00"
DEPTH = "#0072b2"  # blue and orange that people with any kind of colour blindness tell apart: Okabe and Ito (2008)
PLACE = "#c04a00"


@dataclass(frozen=True)
class _Plan:
    """How the blade lies on the page: ``x`` and ``y`` turn mm of the blade to mm of the page, tip to the right."""

    profile: Profile
    length_mm: float
    scale: int

    @property
    def right(self) -> float:
        return LEFT_MM + self.length_mm * self.scale

    @property
    def bottom(self) -> float:
        return self.y(0.0)

    def x(self, station_mm: float) -> float:
        """Page x of a station measured from the stop."""
        if self.profile.stop == "tip":
            return self.right - station_mm * self.scale
        return LEFT_MM + station_mm * self.scale

    def y(self, height_mm: float) -> float:
        """Page y of a height above the lower edge."""
        return TOP_MM + (self.profile.width_mm - height_mm) * self.scale


def draw_profile(profile: Profile) -> Drawing:
    """Draw a profile to scale, tip to the right and cut edge up: its left face."""
    length = profile.length_mm or profile.positions_mm[-1] + BEYOND_LAST_MM
    longer = max(length, profile.width_mm)
    plan = _Plan(profile, length, max(LEAST_SCALE, min(LARGEST_SCALE, int(BLADE_MM / longer))))
    labels = _spread([plan.y(root) for root in profile.roots_mm])
    bottom = max(plan.bottom + HEAD_RISE_MM * plan.scale, labels[-1]) + 8.0
    shapes = [
        *_blade(plan),
        *_grooves(plan),
        *_depths(plan, labels),
        *_places(plan),
        *_section(plan),
        *_words(plan, bottom),
    ]
    return Drawing(PAGE_MM, bottom + 14.0, tuple(shapes), _title(plan))


def _title(plan: _Plan) -> str:
    p = plan.profile
    return (
        f"{p.name}: uncut blade {p.width_mm:.2f} mm wide, {len(p.positions_mm)} cuts, {len(p.codes)} depths, "
        f"drawn {plan.scale} to 1"
    )


def _blade(plan: _Plan) -> Iterator[Line]:
    """The blade with part of its head, and the stop as a thick line."""
    top, bottom, rise = TOP_MM, plan.bottom, HEAD_RISE_MM * plan.scale
    head = LEFT_MM - HEAD_MM * plan.scale
    outline = (
        *((head, top - rise), (LEFT_MM, top - rise), (LEFT_MM, top)),
        *_tip(plan),
        *((LEFT_MM, bottom), (LEFT_MM, bottom + rise), (head, bottom + rise)),
    )
    yield Line(outline, "none", closed=True, fill=METAL)
    yield Line(outline, INK, 0.35, dash_mm=0.0 if plan.profile.length_mm else 1.5)
    stop = plan.x(0.0)
    yield Line(((stop, top - rise - 1.5), (stop, bottom + rise + 1.5)), PLACE, 0.7)


def _tip(plan: _Plan) -> tuple[tuple[float, float], ...]:
    """The tip's outline on the page: as the file tells it, else with a usual taper."""
    if plan.profile.tip_mm:
        return tuple((plan.x(x), plan.y(y)) for x, y in plan.profile.tip_mm)
    top, bottom, right = TOP_MM, plan.bottom, plan.right
    taper = min(TAPER_MM, plan.profile.width_mm / 3) * plan.scale
    return (right - taper, top), (right, top + taper), (right, bottom - taper), (right - taper, bottom)


def _grooves(plan: _Plan) -> Iterator[Line]:
    """The left face's grooves as bands, the right face's as dashed lines: they are behind."""
    right = plan.right - 1.0
    for near, far in plan.profile.grooves_left_mm:
        yield Line(rectangle(LEFT_MM, plan.y(far), right, plan.y(near)), "none", closed=True, fill=LEFT_GROOVE)
    for near, far in plan.profile.grooves_right_mm:
        for height in (near, far):
            yield Line(((LEFT_MM, plan.y(height)), (right, plan.y(height))), RIGHT_GROOVE, 0.25, dash_mm=1.2)


def _depths(plan: _Plan, labels: list[float]) -> Iterator[Line | Words]:
    """Each code's root as a line along the blade, and its label with a leader."""
    p = plan.profile
    for code, root, label in zip(p.codes, p.roots_mm, labels, strict=True):
        y = plan.y(root)
        yield Line(((LEFT_MM, y), (plan.right, y), (plan.right + LEADER_MM, label)), DEPTH, 0.2)
        text = f"{code}   {root:.3f} mm   {root / MM_PER_INCH * 1000:.1f}"
        yield Words(plan.right + LEADER_MM + 1.0, label, text, SMALL_MM)
    yield Words(plan.right + LEADER_MM + 1.0, labels[0] - 4.0, "code, root, thou", SMALL_MM, colour=DEPTH)


def _places(plan: _Plan) -> Iterator[Line | Words]:
    """Each position as a line across the blade, with its distance from the stop."""
    top = TOP_MM - HEAD_RISE_MM * plan.scale
    for number, position in enumerate(plan.profile.positions_mm):
        x = plan.x(position)
        yield Line(((x, min(top, TOP_MM - 3.0)), (x, plan.bottom)), PLACE, 0.2, dash_mm=0.8)
        y = min(top, TOP_MM - 3.0) - (2.0 if number % 2 else 5.0)  # neighbours on two lines, so that they don't touch
        yield Words(x, y, f"{position:.2f}", SMALL_MM, "middle", PLACE)


def _section(plan: _Plan) -> Iterator[Line | Words]:
    """The blade seen from the tip: the left face is to the left."""
    p, scale = plan.profile, plan.scale
    thick = (p.thickness_mm or UNKNOWN_THICKNESS_MM) * scale
    left = plan.right + LEADER_MM + LABEL_COLUMN_MM + SECTION_GAP_MM
    deep = GROOVE_DEPTH_PART * thick
    dash = 0.0 if p.thickness_mm else 1.0
    yield Line(rectangle(left, TOP_MM, left + thick, plan.bottom), INK, 0.35, dash, closed=True, fill=METAL)
    faces = ((p.grooves_left_mm, left, left + deep), (p.grooves_right_mm, left + thick - deep, left + thick))
    for grooves, start, end in faces:
        for near, far in grooves:
            yield Line(rectangle(start, plan.y(far), end, plan.y(near)), INK, 0.25, closed=True, fill="#ffffff")
    yield Words(left + thick / 2, plan.bottom + 4.0, "from the tip", SMALL_MM, "middle")


def _words(plan: _Plan, bottom: float) -> Iterator[Line | Words]:
    """Name, what is drawn how, and a bar of known length."""
    p = plan.profile
    left = LEFT_MM - HEAD_MM * plan.scale
    yield Words(left, 6.0, f"{p.name}  ({p.id}, {p.status})", LETTERS_MM + 1.0)
    said = [
        f"stop: {p.stop}",
        f"{p.edges} cut edge{'s' * (p.edges - 1)}",
        f"read {p.order}",
        f"width {p.width_mm:.2f} mm",
        f"length {p.length_mm:.2f} mm" if p.length_mm else "length not known",
        f"thickness {p.thickness_mm:.2f} mm" if p.thickness_mm else "thickness not known",
    ]
    yield Words(left, 11.5, ", ".join(said), SMALL_MM)
    bar = BAR_MM * plan.scale
    yield Line(((left, bottom + 3.0), (left + bar, bottom + 3.0)), INK, 0.8)
    yield Words(left + bar + 2.0, bottom + 3.0, f"{BAR_MM:.0f} mm of the key; drawn {plan.scale} : 1", SMALL_MM)
    note = "Left face, tip right, cut edge up. "
    if p.grooves_left_mm or p.grooves_right_mm:
        note += "Shaded: its grooves. Dashed brown: grooves of the right face. "
    usual = "Head and" if p.tip_mm else "Tip, head and"
    yield Words(left, bottom + 8.0, f"{note}{usual} groove depth are drawn as usual, not measured.", SMALL_MM)


def _spread(places: Sequence[float]) -> list[float]:
    """Move labels apart until they are legible, their middle staying where it is; places ascend."""
    middle = (places[0] + places[-1]) / 2
    spread = [places[0]]
    for place in places[1:]:
        spread.append(max(place, spread[-1] + LABEL_STEP_MM))
    shift = middle - (spread[0] + spread[-1]) / 2
    return [place + shift for place in spread]
