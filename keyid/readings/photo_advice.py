"""What limits a photo, by how much, and what to do about it.

Every remark carries what it may cost: the error, in mm, that it can make in the height of a cut.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.photos.photo import Photo
from keyid.readings.remark import WORTH_MM, Remark
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale
from keyid.scales.sharpness import scale_px_per_mm
from keyid.silhouettes.silhouette import Silhouette

Array = NDArray[np.float64]

BLADE_MM = 8.0  # across a usual blade, over which the scale's uncertainty is told
BLADE_TOP_MM = 2.0  # a blade's upper face over the table
HEIGHT_U_MM = 0.2  # of the blade's upper rim over the lower one: how sure the rims tell the thickness
LIFTED_U_MM = (
    0.22  # of the middle of a blade whose bow end a plastic head of 9.6 +/- 0.9 mm lifts by half of that (`lie`)
)
ASIDE_DEG = 5.0  # a key seen that much more aslant than the camera is tilted lies far out in the picture
EDGE_PX = 0.35  # to which an edge is located
EDGE_FINE_MM = 0.02  # finer edges aren't worth a word
BLUR_FREE_MM, BLUR_COST = 0.08, 1.5  # a blade measured 0.36 mm too narrow at 0.3 mm of blur, right at 0.08
GLARE_LEVEL = 250  # grey level of blown-out metal
GLARE_SHARE, GLARE_COST_MM = 0.25, 0.07  # of the blade; blown-out metal pushes its edges out by 0.04 to 0.09 mm
DARK_LEVEL, DARK_COST_MM = 45, 0.05  # median grey level of the blade's surroundings, below which noise hides edges
SHADE_RATIO, SHADE_COST_MM = 0.5, 0.05  # of the light beside the blade: then a shadow's border looks like an edge
EDGES_FREE_MM = 0.05  # heights are that sure where an edge is told from its wall and its shadow
AROUND_MM = 8.0  # beside the blade, where light and shade are looked at

CAUSES = {
    "focal length": (
        "The file doesn't tell the focal length well.",
        "Send the original as a file, not as a picture through a messenger and not as a screenshot.",
    ),
    "principal point": (
        "The photo was cropped or altered.",
        "Send the original as a file, not cropped: then the middle of the lens is known.",
    ),
    "distortion": ("Key and reference lie far out in it.", "Take both into the middle of the picture."),
    "pose": (
        "The tilt at the key is known only roughly.",
        "Lay a bank card close beside the key, or the key on the printed measuring sheet.",
    ),
    "pointing": (
        "The reference was pointed at, not measured.",
        "Lay it on a surface of another colour, with all its sides free.",
    ),
    "reference size": (
        "The reference's size isn't known exactly.",
        "Use a bank card, or measure the bar of the printed sheet.",
    ),
    "reference thickness": (
        "The reference's thickness isn't known.",
        "Use a bank card, or a ruler of paper or thin steel.",
    ),
}
LOST_CAUSES = ("focal length", "principal point")


def advise(photo: Photo, scale: Scale, silhouette: Silhouette, blade: Blade | None = None) -> tuple[Remark, ...]:
    """What limits this photo, the worst first; empty for a good one.

    Of a ``blade`` that was measured in it, it is known too how well its edges were told.
    """
    remarks = [
        *_of_scale(scale, silhouette),
        *_of_view(scale, silhouette),
        *_of_pixels(scale),
        *_of_light(photo, scale, silhouette),
        *([] if blade is None else _of_edges(blade)),
    ]
    return tuple(sorted((one for one in remarks if one.cost_mm >= WORTH_MM), key=lambda one: -one.cost_mm))


def _of_scale(scale: Scale, silhouette: Silhouette) -> list[Remark]:
    """What the scale's uncertainty costs across the blade, cause by cause."""
    ends = _across_px(scale, silhouette)

    def width(camera: Camera) -> float:
        plan = camera.on_height(ends, BLADE_TOP_MM)
        return float(np.linalg.norm(plan[1] - plan[0]))

    best = width(scale.camera)
    squares: dict[str, float] = {}
    for one in scale.variations:
        squares[one.source] = squares.get(one.source, 0.0) + (width(one.camera) - best) ** 2
    return [
        Remark(float(np.sqrt(square)), *CAUSES[source], lost=source in LOST_CAUSES)
        for source, square in squares.items()
    ]


def _across_px(scale: Scale, silhouette: Silhouette) -> Array:
    """Two pixels BLADE_MM apart across the blade's middle."""
    plan = scale.camera.on_height(silhouette.blade_px, BLADE_TOP_MM)
    along = (plan[1] - plan[0]) / np.linalg.norm(plan[1] - plan[0])
    across = np.array([-along[1], along[0]]) * BLADE_MM / 2
    both = np.array([plan.mean(axis=0) - across, plan.mean(axis=0) + across])
    return scale.camera.project(np.column_stack([both, np.full(2, BLADE_TOP_MM)]))


def _of_view(scale: Scale, silhouette: Silhouette) -> list[Remark]:
    """A view from aside turns heights that are not known into shifts of the edges; a lifted blade has more of them."""
    middle = silhouette.blade_px.mean(axis=0)
    slant = _slant_tan(scale.camera, middle)
    tilt, aside = scale.camera.tilt_deg, float(np.degrees(np.arctan(slant)))
    if aside > tilt + ASIDE_DEG:
        what = f"The key is seen from {aside:.0f} degrees aside."
        advice = "Take it into the middle of the picture, the phone straight above it."
        remarks = [Remark(HEIGHT_U_MM * slant, what, advice)]
    else:
        what = f"The photo is slanted by {tilt:.0f} degrees."
        remarks = [Remark(HEIGHT_U_MM * slant, what, "Hold the phone level, straight above the key.")]
    if silhouette.head == "plastic":
        what = "The thick head lifts the blade."
        advice = "Nobody knows quite how far: hold the phone straight above the key, or lay the blade level."
        remarks.append(Remark(LIFTED_U_MM * slant, what, advice))
    return remarks


def _slant_tan(camera: Camera, point_px: Array) -> float:
    """How far the ray to a point goes aside for every mm that it goes down."""
    x, y, z = camera.rays(point_px[None])[0]
    return float(np.hypot(x, y) / abs(z))


def _of_pixels(scale: Scale) -> list[Remark]:
    """Too few pixels, and blur."""
    density = scale_px_per_mm(scale)
    edge = EDGE_PX / density
    blur = (scale.blur_px or 0.0) / density
    near = "Go nearer, to about 20 cm, and send the original as a file."
    return [
        Remark(edge if edge > EDGE_FINE_MM else 0.0, f"There are only {density:.0f} pixels to a mm.", near, lost=True),
        Remark(
            max(0.0, BLUR_COST * (blur - BLUR_FREE_MM)),
            f"The photo is blurred by {blur:.2f} mm.",
            "Tap on the key so that it focuses there, and hold the phone still.",
        ),
    ]


def _of_light(photo: Photo, scale: Scale, silhouette: Silhouette) -> list[Remark]:
    """Glare on the blade, darkness, and a shadow beside the blade."""
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY)
    places = _blade_grid(scale, silhouette).astype(np.float32)
    seen = cv2.remap(grey, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    rows = len(seen)
    sides, blade = (seen[: rows // 3], seen[-(rows // 3) :]), seen[rows * 4 // 9 : rows * 5 // 9]
    glare = float(np.mean(blade > GLARE_LEVEL))
    light = [max(float(np.median(side)), 1.0) for side in sides]
    shade = min(light) / max(light)
    return [
        Remark(
            GLARE_COST_MM * min(1.0, glare / (2 * GLARE_SHARE)) if glare > GLARE_SHARE else 0.0,
            f"Light glares on {100 * glare:.0f} % of the blade.",
            "No flash, and turn the key so that the lamp isn't mirrored in it.",
        ),
        Remark(DARK_COST_MM if max(light) < DARK_LEVEL else 0.0, "The photo is dark.", "Take it again in more light."),
        Remark(
            SHADE_COST_MM if shade < SHADE_RATIO else 0.0,
            "A dark shadow lies along the blade.",
            "Light it from more than one side, or put the key in the shade altogether.",
        ),
    ]


def _of_edges(blade: Blade) -> list[Remark]:
    """Edges that may be the foot of the blade's side, or its shadow's border: seen from above, no side shows."""
    cost = max((line.height_mm for line in blade.budget if line.source == "edges"), default=0.0)
    what = "An edge of the blade is hard to tell from its side."
    advice = "Hold the phone straight above the blade, in even light."
    return [Remark(cost if cost > EDGES_FREE_MM else 0.0, what, advice)]


def _blade_grid(scale: Scale, silhouette: Silhouette) -> Array:
    """Pixels of a band along the blade, rows across it: table, blade, table, shape (27, 60, 2)."""
    plan = scale.camera.on_height(silhouette.blade_px, 0.0)
    along = (plan[1] - plan[0]) / np.linalg.norm(plan[1] - plan[0])
    across = np.array([-along[1], along[0]])
    half = silhouette.width_mm / 2 + AROUND_MM
    at = plan[0] + np.linspace(0.1, 0.9, 60)[:, None] * (plan[1] - plan[0])
    grid = at[None] + np.linspace(-half, half, 27)[:, None, None] * across
    return scale.camera.project(np.concatenate([grid, np.zeros((27, 60, 1))], axis=-1))
