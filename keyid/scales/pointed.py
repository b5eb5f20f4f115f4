"""What a person pointed at in the photo, and how exactly.

A point is in pixels of the upright photo as it is shown.  What was pointed at stands in for what was not found, or was
found wrong; everything else is measured as always.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

Point = tuple[float, float]

POINTED_U_PX = 3.0  # of a finger or mouse on a 12 MP photo that fills a screen, on which a point is 2 to 3 px of it


@dataclass(frozen=True)
class Pointed:
    """Points of the upright photo; None for what was not pointed at.

    Attributes
    ----------
    corners_px : tuple of four points or None
        Where the reference's sides meet, in turn (round corners prolonged); of a coin four points around its rim.
    stop_px : point or None
        The shoulder's flat face where it meets the edge; a point at the blade's tip for a tip stop.
    tip_px : point or None
        The foremost metal.
    key_px : point or None
        Anywhere on the key.
    u_px : float
        Standard uncertainty of each, in x and in y.
    """

    corners_px: tuple[Point, Point, Point, Point] | None = None
    stop_px: Point | None = None
    tip_px: Point | None = None
    key_px: Point | None = None
    u_px: float = POINTED_U_PX

    @property
    def on_key_px(self) -> tuple[Point, ...]:
        """All points that lie on the key."""
        return tuple(point for point in (self.key_px, self.stop_px, self.tip_px) if point is not None)

    def seen_from(self, left_px: int, top_px: int) -> Pointed:
        """The same points counted from another top left corner."""

        def moved(point: Point | None) -> Point | None:
            return None if point is None else (point[0] - left_px, point[1] - top_px)

        corners = self.corners_px
        if corners is not None:
            one, two, three, four = ((x - left_px, y - top_px) for x, y in corners)
            corners = (one, two, three, four)
        return replace(
            self,
            corners_px=corners,
            stop_px=moved(self.stop_px),
            tip_px=moved(self.tip_px),
            key_px=moved(self.key_px),
        )

    @property
    def of_scale(self) -> Pointed:
        """The part that the scale depends on."""
        return NOTHING_POINTED if self.corners_px is None else Pointed(self.corners_px, u_px=self.u_px)

    @property
    def of_key(self) -> Pointed:
        """The part that tells which key is meant."""
        return Pointed(key_px=self.key_px)

    @property
    def of_blade(self) -> Pointed:
        """The part that the blade's outline depends on."""
        if self.stop_px is None and self.tip_px is None:
            return NOTHING_POINTED
        return replace(self, corners_px=None, key_px=None)


NOTHING_POINTED = Pointed()
