"""Whether the photo speaks for a blank that somebody has chosen, against it, or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from keyid.profiles.profile import Profile
from keyid.rankings.ranking import Ranking

FOR_P = 0.5  # more likely than not
AGAINST_FACTOR = 0.1  # of what it was before the photo: that much less likely speaks against

Json = dict[str, Any]


@dataclass(frozen=True)
class CheckedBlank:
    """A chosen blank and what the photo says of its blade; ``alike`` are profiles that the photo can't tell from it."""

    blank: str
    profile: Profile
    speaks: Literal["for", "against", "nothing"]
    probability: float
    alike: tuple[str, ...]
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]

    def to_json(self) -> Json:
        """For the reading, beside what its contract holds."""
        return {
            "blank": self.blank,
            "profile": self.profile.id,
            "speaks": self.speaks,
            "probability": round(self.probability, 4),
            "alike": list(self.alike),
            "for": list(self.speaks_for),
            "against": list(self.speaks_against),
        }


def profile_of_blank(profiles: tuple[Profile, ...], blank: str) -> Profile | None:
    """Return the blade of a blank, or the blade itself where its own id is given; None where the library has none."""
    for profile in profiles:
        if profile.id == blank or any(one.id == blank for one in profile.blanks):
            return profile
    return None


def double_check(ranking: Ranking, profiles: tuple[Profile, ...], blank: str) -> CheckedBlank:
    """Weigh a blank whose blade the ranking was asked to keep."""
    asked = ranking.asked
    if asked is None:
        raise ValueError("the ranking was not asked to keep the blank's blade")
    alike = tuple(c.profile.id for c in ranking.candidates if c.group == asked.group and c.profile is not asked.profile)
    group_p = asked.probability + sum(c.probability for c in ranking.candidates if c.profile.id in alike)
    before = (1 + len(alike)) / len(profiles)
    speaks: Literal["for", "against", "nothing"] = "nothing"
    if group_p >= FOR_P:
        speaks = "for"
    elif group_p < AGAINST_FACTOR * before:
        speaks = "against"
    told = asked.decoded.speaks_for, asked.decoded.speaks_against
    return CheckedBlank(blank, asked.profile, speaks, asked.probability, alike, *told)


def check_words(checked: CheckedBlank) -> str:
    """Say it in words."""
    name = f"{checked.blank} (blade {checked.profile.name})"
    said = {
        "for": f"The photo speaks for {name}.",
        "against": f"The photo speaks against {name}.",
        "nothing": f"The photo speaks neither for nor against {name}.",
    }[checked.speaks]
    if checked.alike:
        said += f" It can't tell it from {', '.join(checked.alike)}."
    if checked.speaks_against:
        said += f" Against it: {'; '.join(checked.speaks_against)}."
    elif checked.speaks == "against":
        said += " Nothing contradicts it alone; other blades fit better as a whole."
    return said
