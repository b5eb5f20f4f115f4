"""Where a card may lie: four-sided figures made of straight edge segments, each posed as a card.

The photo is shrunk and its local contrast equalised, so that the faint edge of a white card on white paper counts as
much as the strong ones beside it.  The same can be done with its hues.  Line segments are joined across gaps, and each
four of them that could be the sides of a card seen under a moderate tilt is proposed.  What proposes is generous: the
fine stage decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales import card
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

COARSE_PX = 1000  # long side of the shrunk photo: a card in it is 150 to 600 px long, an edge about one pixel wide
CONTRAST_PX = 12.0  # radius of the local contrast: some times an edge's width, below the distance of two edges
CONTRAST_FLOOR = 1.5  # grey levels; noise weaker than that isn't blown up
CONTRAST_USUAL = 2.0  # of what is usual in the picture: nor is the grain, print or ruling that is everywhere
CONTRAST_GAIN = 40.0  # grey levels per local standard deviation
MIN_SEGMENT_PX = 18.0  # shorter ones are texture
MAX_LINES = 130  # the longest and boldest are kept; a card's sides are among them also on ruled paper
MEDIAN_PX = 5  # at half the size: takes out lines up to 4 px wide, leaves the edges of areas
THIN_PX = 5  # at half the size; a card's corners have a radius of 10 px and more there
JOIN_ANGLE_RAD = np.radians(2.5)  # segments of one bent card side differ by less
JOIN_OFFSET_PX = 2.0
JOIN_GAP = 0.6  # of the segment's length that joining began with: a finger or a key hides less
PARALLEL_RAD = np.radians(20)  # a card 150 mm away under 35 degrees of tilt converges by up to 18 degrees
SQUARE_RAD = np.radians(40)  # the same tilt across the diagonal shears right angles by up to 35 degrees
MIN_SIDE_PX = (
    60.0  # a smaller card (an eighth of the photo long) is too coarse to measure a key by; key heads are smaller
)
ASPECT_SLACK = 1.3  # foreshortening by 35 degrees (1.22) and convergence
OVERRUN = 0.12  # a side's line may run past the corner by that share of the side: round corners end it earlier
OVERRUN_PX = 4.0
CORNER_GAP = 0.6  # a line may end that share of its length before the corner: finger, key, glare
STEP_SPAN_PX = 2.0  # contrast is taken that far on either side
MIN_COVER_SUM = 1.7  # of four: two whole sides, or half of each
MAX_UNLIKENESS = 0.1  # scale ratio or skew that distortion, a wrong focal length and the lines' errors can make
UNLIKENESS_U = 0.05
UNLIKENESS_COST = 0.3
MIN_MERIT = 0.7  # cards in the rendered photos have 0.87 and more
MAX_DISTINCT = 4
DISTINCT_PX = 8.0  # corners of one card found twice lie nearer
BORDER_SHARE = 0.012  # of the long side: a line that ends nearer to the border leaves the picture
ROUND_GAP = (0.01, 0.09)  # of the base: a round corner ends both lines 3 % to 6 % of it early, a sharp one none
BASE_COVER = 0.6
ARM_SHARE = 0.15  # of the base: shorter arms don't show where they lead
MAX_FIGURES = 6000  # the best covered; on grids and wood grain there are many more
SAME_PX = 3.0  # figures whose corners fall into the same cells of that size count once
MAX_PROPOSALS = 1500
SAMPLES = 16  # on each side and each corner arc
OUTWARD_MM = 0.5
SEEK_PX = 2  # a proposal's sides are that near to the card's, lens distortion included
COLOUR_GAIN = 4.0  # of a and b of CIELAB in 8 bits: pale colours differ by some levels, and JPEG by about one
ALONG_COST = 0.5  # an edge that runs across the outline speaks against it
SUPPORT_NOISE = 4.0  # median gradients that count half


@dataclass(frozen=True)
class Lines:
    """Straight edges of the shrunk photo.

    Attributes
    ----------
    ends : ndarray, shape (n, 2, 2)
        First and last point of each.
    direction : ndarray, shape (n, 2)
        Unit vectors from first to last.
    """

    ends: Array
    direction: Array

    @property
    def length(self) -> Array:
        """Length of each, in pixels."""
        return np.asarray(np.linalg.norm(self.ends[:, 1] - self.ends[:, 0], axis=1))

    @property
    def middle(self) -> Array:
        """Midpoint of each."""
        return np.asarray(self.ends.mean(axis=1))


@dataclass(frozen=True)
class Proposal:
    """A place where a card may lie, in pixels of the shrunk photo.

    Attributes
    ----------
    homography : ndarray, shape (3, 3)
        From the card's plane in mm to pixels.
    focal_px : float
        Focal length, of those considered, under which it is most like a card.
    support : ndarray, shape (8,)
        Share of each side and each corner arc that runs along an edge.
    merit : float
        To compare proposals by.
    """

    homography: Array
    focal_px: float
    support: Array
    merit: float


def propose(layers: Sequence[NDArray[np.uint8]], lines: Lines, focals_px: tuple[float, ...]) -> list[Proposal]:
    """Places where a card may lie, likeliest first, each distinct from the others.

    Those whose merit is below MIN_MERIT are left out.

    Parameters
    ----------
    layers : sequence of ndarray of uint8, shape (height, width)
        The shrunk photo's brightness, or other properties in which a card's sides may show.
    lines : Lines
        Its straight edges.
    focals_px : tuple of float
        Focal lengths to consider, in its pixels.
    """
    corners = propose_quads(lines)
    if len(corners) == 0:
        return []
    maps = homographies(corners)
    height, width = layers[0].shape
    centre = ((width - 1) / 2, (height - 1) / 2)
    by_focal = np.array([unlikeness(maps, focal, centre) for focal in focals_px])
    keep = np.flatnonzero(by_focal.min(axis=0) < MAX_UNLIKENESS)[:MAX_PROPOSALS]
    corners, maps, strange = corners[keep], maps[keep], by_focal[:, keep].min(axis=0)
    focal = np.array(focals_px)[by_focal[:, keep].argmin(axis=0)]
    if len(corners) == 0:
        return []
    support = np.max([edge_support(equalise(layer), maps) for layer in layers], axis=0)
    sides = np.sort(support[:, :4], axis=1)
    merit = sides.mean(axis=1) + 0.5 * sides[:, 1] + 0.5 * support[:, 4:].mean(axis=1)
    merit -= UNLIKENESS_COST * (strange / UNLIKENESS_U) ** 2
    chosen: list[int] = []
    for k in np.argsort(-merit):
        if len(chosen) == MAX_DISTINCT or merit[k] < MIN_MERIT:
            break
        if all(_apart(corners[k], corners[c]) > DISTINCT_PX for c in chosen):
            chosen.append(int(k))
    return [Proposal(maps[k], float(focal[k]), support[k], float(merit[k])) for k in chosen]


def propose_at(corners: Array, focals_px: tuple[float, ...], shape: tuple[int, ...]) -> Proposal:
    """The card whose corners (4, 2), counter-clockwise as one sees them, are known, its long side told by the pose."""
    maps = homographies(np.stack([corners, np.roll(corners, -1, axis=0)]))
    centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    strange = np.array([unlikeness(maps, focal, centre) for focal in focals_px])
    focal, turn = np.unravel_index(int(np.argmin(strange)), strange.shape)
    return Proposal(maps[turn], focals_px[int(focal)], np.ones(8), 1.0)


def _apart(one: Array, other: Array) -> float:
    """Greatest distance of two figures' corners; a card turned by 180 degrees is the same card."""
    return min(float(np.abs(one - np.roll(other, turn, axis=0)).max()) for turn in (0, 2))


def leaves_picture(small: NDArray[np.uint8], lines: Lines) -> bool:
    """Whether one end of a card is seen whose long or short sides run out of the picture."""
    crossing, reach = _crossings(lines)
    corner = _corners(lines, reach)
    at_border = np.any(_at_border(lines.ends, small.shape), axis=1)
    arm = corner & at_border[:, None] & ~at_border[None, :]
    for base in np.flatnonzero(arm.sum(axis=0) >= 2):
        arms = np.flatnonzero(arm[:, base])
        first, second = (grid.ravel() for grid in np.meshgrid(arms, arms))
        if np.any(_ends_card(lines, crossing, reach, int(base), first, second)):
            return True
    return False


def _ends_card(
    lines: Lines, crossing: Array, reach: Array, base: int, first: NDArray[np.int_], second: NDArray[np.int_]
) -> NDArray[np.bool_]:
    """Which pairs of lines leave the two ends of a base line as a card's sides do, with round corners between."""
    low, high = reach[base, first], reach[base, second]
    wide = high - low
    cover = (np.minimum(lines.length[base], high) - np.maximum(0, low)) / np.maximum(wide, 1e-9)
    parallel = np.abs(np.sum(lines.direction[first] * lines.direction[second], axis=1)) > np.cos(PARALLEL_RAD)
    arms = np.stack([lines.length[first], lines.length[second]])
    gap = np.stack([low, lines.length[base] - high, *(_end_gap(lines, crossing[base], k) for k in (first, second))])
    gap[:2] *= -1
    rounded = np.all((gap > ROUND_GAP[0] * wide) & (gap < ROUND_GAP[1] * wide), axis=0)
    longest = card.WIDTH_MM / card.HEIGHT_MM * ASPECT_SLACK * wide
    short = np.all((arms < longest) & (arms > ARM_SHARE * wide), axis=0)
    across = np.array([-lines.direction[base, 1], lines.direction[base, 0]])
    same_side = np.prod([(lines.middle[k] - lines.ends[base, 0]) @ across for k in (first, second)], axis=0) > 0
    return np.asarray((wide > MIN_SIDE_PX) & (cover > BASE_COVER) & parallel & rounded & short & same_side)


def _end_gap(lines: Lines, crossing: Array, which: NDArray[np.int_]) -> Array:
    """Distance from each line's nearer end to its crossing with a base line."""
    return np.asarray(np.linalg.norm(lines.ends[which] - crossing[which][:, None], axis=-1).min(axis=1))


def shrink(pixels: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    """The photo with a long side of at most COARSE_PX, and the factor: small pixel = factor (pixel + 0.5) - 0.5."""
    factor = min(1.0, COARSE_PX / max(pixels.shape[:2]))
    if factor == 1.0:
        return pixels, factor
    return np.asarray(cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8), factor


def brightness(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Grey levels of a picture."""
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.uint8)


def colour(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """What is left of a picture without its brightness: nothing, red against green, yellow against blue."""
    steeper = np.clip(COLOUR_GAIN * (np.arange(256) - 128) + 128, 0, 255)
    table = np.stack([np.zeros(256), steeper, steeper], axis=-1).astype(np.uint8)
    return np.asarray(cv2.LUT(cv2.cvtColor(pixels, cv2.COLOR_BGR2LAB), table[None]), np.uint8)


def hues(colours: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The two layers of a picture's colours."""
    return np.ascontiguousarray(colours[..., 1]), np.ascontiguousarray(colours[..., 2])


def equalise(layer: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A layer made of even local contrast."""
    grey = layer.astype(np.float32)
    mean = cv2.GaussianBlur(grey, (0, 0), CONTRAST_PX)
    spread = np.sqrt(cv2.GaussianBlur((grey - mean) ** 2, (0, 0), CONTRAST_PX))
    floor = max(CONTRAST_FLOOR, CONTRAST_USUAL * float(np.median(spread)))
    even = (grey - mean) / (spread + floor) * CONTRAST_GAIN + 128
    return np.clip(even, 0, 255).astype(np.uint8)


def find_lines(small: NDArray[np.uint8]) -> Lines:
    """Straight edges of the shrunk photo: of even contrast, and coarser ones without lines, grids and texture."""
    half = _halved(small)
    plain, filled = _without_fine_lines(half), _without_thin_parts(half)
    coarse = [_lines_of(equalise(brightness(plain)), plain), _lines_of(brightness(plain), plain)]
    coarse.append(_lines_of(equalise(brightness(filled)), filled))
    return _as_lines([_lines_of(equalise(brightness(small)), small), *(2 * found + 0.5 for found in coarse)])


def find_colour_lines(small: NDArray[np.uint8]) -> Lines:
    """Straight edges of the shrunk photo in brightness or colour: neutral print, lines and shadows have no colour."""
    in_brightness = find_lines(small).ends
    plain = _without_fine_lines(_halved(colour(small)))
    in_colour = [2 * _lines_of(equalise(layer), plain) + 0.5 for layer in hues(plain)]
    return _as_lines([in_brightness, *in_colour])


def _halved(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture of half the size."""
    return np.asarray(cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)


def _without_fine_lines(half: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture of half the size without lines, grids and texture finer than MEDIAN_PX."""
    return np.asarray(cv2.medianBlur(half, MEDIAN_PX), np.uint8)


def _without_thin_parts(half: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture of half the size, its dark parts thinner than THIN_PX filled, then its bright ones taken away.

    Ruled lines and letters that end at a card's side cut it to pieces; a median leaves a notch at each of them.
    """
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (THIN_PX, THIN_PX))
    filled = cv2.morphologyEx(half, cv2.MORPH_CLOSE, disk)
    return np.asarray(cv2.morphologyEx(filled, cv2.MORPH_OPEN, disk), np.uint8)


def _as_lines(found: list[Array]) -> Lines:
    """Lines by their ends."""
    ends = np.concatenate(found)
    along = ends[:, 1] - ends[:, 0]
    return Lines(ends, along / np.linalg.norm(along, axis=1, keepdims=True))


def _lines_of(grey: NDArray[np.uint8], colours: NDArray[np.uint8]) -> Array:
    """Ends of the longest and the boldest straight edges of a picture, joined across gaps, shape (n, 2, 2).

    Those that run through it from border to border, as rulings and table edges do, would crowd out a card's sides.
    """
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE).detect(grey)[0]
    ends = np.zeros((0, 2, 2)) if found is None else np.asarray(found, np.float64).reshape(-1, 2, 2)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    usable = (length > MIN_SEGMENT_PX) & ~np.all(_at_border(ends, grey.shape), axis=1)
    ends, length = ends[usable], length[usable]
    if len(ends) == 0:
        return np.asarray(ends)
    ends = _join(ends[_best(length, _contrast(ends, colours), 2 * MAX_LINES)])
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    return np.asarray(ends[_best(length, _contrast(ends, colours), MAX_LINES)])


def _at_border(ends: Array, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which ends of segments lie at a picture's border, shape (n, 2)."""
    border = BORDER_SHARE * max(shape)
    outside = (ends < border) | (ends > np.array(shape[1::-1]) - 1 - border)
    return np.asarray(np.any(outside, axis=2))


def _best(length: Array, contrast: Array, count: int) -> NDArray[np.int_]:
    """Indices of the longest, the boldest, and the most contrasting, a third each."""
    merits = (length, length * contrast, np.sqrt(length) * contrast)
    return np.unique(np.concatenate([np.argsort(-merit)[: count // 3] for merit in merits]))


def _contrast(ends: Array, small: NDArray[np.uint8]) -> Array:
    """Median grey step across each segment."""
    share = np.linspace(0.1, 0.9, 9)[None, :, None]
    points = ends[:, :1] * (1 - share) + ends[:, 1:] * share
    along = ends[:, 1] - ends[:, 0]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    sides = [points + step * STEP_SPAN_PX * across[:, None] for step in (-1, 1)]
    values = [_at(small, side) for side in sides]
    step = np.abs(values[0].astype(np.float64) - values[1]).max(axis=-1)
    return np.asarray(np.median(step, axis=1))


def _join(ends: Array) -> Array:
    """Join collinear segments, each with its neighbours and on from these; what was joined stays in the list, too.

    Segments that run together to a pixel are listed once.
    """
    joined = []
    along = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    direction = along / length[:, None]
    for first, unit, size in zip(ends, direction, length, strict=True):
        turned = np.abs(unit[0] * direction[:, 1] - unit[1] * direction[:, 0]) < np.sin(JOIN_ANGLE_RAD)
        offset = ends - first[0]
        across = np.abs(offset[..., 0] * unit[1] - offset[..., 1] * unit[0]).max(axis=1)
        begin, end = np.sort((offset @ unit)[turned & (across < JOIN_OFFSET_PX)], axis=1).T
        low, high, gap = 0.0, float(size), JOIN_GAP * float(size)
        while True:
            near = (begin < high + gap) & (end > low - gap)
            further = min(low, begin[near].min()), max(high, end[near].max())
            if further == (low, high):
                break
            low, high = further
            joined.append(first[0] + np.array([low, high])[:, None] * unit)
    if not joined:
        return ends
    each = np.concatenate([ends, joined])
    return np.asarray(each[np.sort(np.unique(np.rint(each), axis=0, return_index=True)[1])])


def _at(picture: NDArray[np.uint8], points: Array) -> NDArray[np.uint8]:
    """Colours of a picture at points (..., 2)."""
    x, y = np.moveaxis(points.astype(np.float32), -1, 0)
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR), np.uint8)


def propose_quads(lines: Lines, aspect: float = card.WIDTH_MM / card.HEIGHT_MM) -> Array:
    """Four-sided figures that may be cards, or rectangles of another aspect, best supported first.

    Corners are in the card's order, shape (n, 4, 2).
    """
    crossing, reach = _crossings(lines)
    corner = _corners(lines, reach)
    sides = []
    for i, k in _opposite_pairs(lines, corner, aspect):
        both, either = np.flatnonzero(corner[i] & corner[k]), np.flatnonzero(corner[i] | corner[k])
        j, m = (grid.ravel() for grid in np.meshgrid(both, either))
        sides.append(np.stack([np.full_like(j, i), j, np.full_like(j, k), m], axis=1)[j != m])
    if not sides:
        return np.zeros((0, 4, 2))
    return _supported(lines, np.concatenate(sides), crossing, reach, aspect)


def _corners(lines: Lines, reach: Array) -> NDArray[np.bool_]:
    """Which lines may meet in a corner of a card: both end near their crossing."""
    square = np.abs(lines.direction @ lines.direction.T) < np.sin(SQUARE_RAD)
    length = lines.length[:, None]
    past = OVERRUN * length + OVERRUN_PX
    at_first = (reach > -CORNER_GAP * length) & (reach < past)
    at_last = (reach < (1 + CORNER_GAP) * length) & (reach > length - past)
    ends_there = square & (at_first | at_last)
    return np.asarray(ends_there & ends_there.T)


def _opposite_pairs(lines: Lines, corner: NDArray[np.bool_], aspect: float) -> NDArray[np.int_]:
    """Pairs of lines that may be opposite sides and share at least one corner partner, shape (n, 2)."""
    i, j = np.nonzero(np.triu(corner.astype(np.float32) @ corner.T.astype(np.float32), 1))
    cosine = np.sum(lines.direction[i] * lines.direction[j], axis=1)
    mean = lines.direction[i] + np.sign(cosine)[:, None] * lines.direction[j]
    mean /= np.linalg.norm(mean, axis=1, keepdims=True) + 1e-12
    between = lines.middle[j] - lines.middle[i]
    apart = np.abs(between[:, 0] * mean[:, 1] - between[:, 1] * mean[:, 0])
    slide = np.abs(np.sum(between * mean, axis=1))
    longest = np.maximum(lines.length[i], lines.length[j])
    most = aspect * ASPECT_SLACK
    fits = (np.abs(cosine) > np.cos(PARALLEL_RAD)) & (apart > MIN_SIDE_PX)
    fits &= (longest < most * apart * (1 + OVERRUN)) & (slide < most * apart)
    fits &= lines.length[i] + lines.length[j] > 0.25 * apart / most
    return np.stack([i[fits], j[fits]], axis=1)


def _crossings(lines: Lines) -> tuple[Array, Array]:
    """Where each two lines cross, (n, n, 2), and how far along the first from its first end, (n, n)."""
    start, unit = lines.ends[:, 0], lines.direction
    cross = unit[:, None, 0] * unit[None, :, 1] - unit[:, None, 1] * unit[None, :, 0]
    cross = np.where(np.abs(cross) < 1e-6, np.nan, cross)
    between = start[None] - start[:, None]
    reach = (between[..., 0] * unit[None, :, 1] - between[..., 1] * unit[None, :, 0]) / cross
    return start[:, None] + reach[..., None] * unit[:, None], reach


def _supported(lines: Lines, sides: NDArray[np.int_], crossing: Array, reach: Array, aspect: float) -> Array:
    """Corners of those figures whose sides are covered by their lines and end where their lines end."""
    cover, worst = np.zeros(len(sides)), np.zeros(len(sides))
    length = np.zeros((len(sides), 4))
    for k in range(4):
        this, before, after = sides[:, k], sides[:, k - 1], sides[:, (k + 1) % 4]
        low, high = np.sort([reach[this, before], reach[this, after]], axis=0)
        size = np.maximum(high - low, 1e-9)
        line = lines.length[this]
        overlap = np.clip(np.minimum(high, line) - np.maximum(low, 0), 0, None) / size
        beyond = (np.maximum(low, 0) + np.maximum(line - high, 0)) / size
        worst = np.fmax(worst, beyond - OVERRUN_PX / size)
        cover += overlap - 0.5 * beyond
        length[:, k] = size
    ratio = (length[:, 0] + length[:, 2]) / (length[:, 1] + length[:, 3])
    stretch = np.maximum(ratio, 1 / ratio) / aspect
    good = (worst < OVERRUN) & (cover > MIN_COVER_SUM) & (length.min(axis=1) > MIN_SIDE_PX)
    good &= (stretch < ASPECT_SLACK) & (stretch > 1 / ASPECT_SLACK)
    order = np.argsort(-cover[good])[:MAX_FIGURES]
    chosen = sides[good][order]
    corners = np.stack([crossing[chosen[:, k], chosen[:, k - 1]] for k in range(4)], axis=1)
    cells = np.rint(corners / SAME_PX).astype(int).reshape(-1, 8)
    distinct = np.sort(np.unique(cells, axis=0, return_index=True)[1])
    return _in_card_order(corners[distinct], ratio[good][order][distinct])


def _in_card_order(corners: Array, ratio: Array) -> Array:
    """Corners in the card's order (`card.corners_mm`): side 0 long, walking counter-clockwise seen from above."""
    after = np.roll(corners, -1, axis=1)
    area = np.sum(corners[..., 0] * after[..., 1] - corners[..., 1] * after[..., 0], axis=1)
    backward = np.where((area > 0)[:, None, None], corners[:, [1, 0, 3, 2]], corners)  # side 0 stays side 0
    return np.where((ratio < 1)[:, None, None], np.roll(backward, -1, axis=1), backward)


def homographies(corners: Array) -> Array:
    """Maps from the card's plane in mm (homogeneous) to pixels, for many figures, shape (n, 3, 3)."""
    here = card.corners_mm()[:, :2]
    rows = np.zeros((len(corners), 8, 8))
    rows[:, 0::2, 0:2], rows[:, 0::2, 2] = here, 1
    rows[:, 1::2, 3:5], rows[:, 1::2, 5] = here, 1
    rows[:, 0::2, 6:8] = -here * corners[..., :1]
    rows[:, 1::2, 6:8] = -here * corners[..., 1:]
    flat = np.linalg.solve(rows, corners.reshape(-1, 8, 1))[..., 0]
    return np.concatenate([flat, np.ones((len(corners), 1))], axis=1).reshape(-1, 3, 3)


def edge_support(even: NDArray[np.uint8], maps: Array) -> Array:
    """Share of each figure's rounded outline that runs along an edge of the picture, by part: 4 sides, 4 arcs."""
    plan, normal = _outline_samples()
    smooth = cv2.GaussianBlur(even, (0, 0), 1.0).astype(np.float32)
    slope = np.stack([cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)], axis=-1)
    noise = float(np.median(np.abs(slope))) + 1.0
    here, there = _apply(maps, plan), _apply(maps, plan + OUTWARD_MM * normal)
    across = there - here
    across /= np.linalg.norm(across, axis=-1, keepdims=True) + 1e-9
    best = np.zeros(here.shape[:2])
    for step in np.arange(-SEEK_PX, SEEK_PX + 1):
        x, y = np.moveaxis(np.rint(here + step * across), -1, 0).astype(np.int32)
        inside = (x >= 0) & (y >= 0) & (x < even.shape[1]) & (y < even.shape[0])
        value = slope[np.clip(y, 0, even.shape[0] - 1), np.clip(x, 0, even.shape[1] - 1)]
        through = np.abs(np.sum(value * across, axis=-1)) - ALONG_COST * np.abs(
            value[..., 0] * across[..., 1] - value[..., 1] * across[..., 0]
        )
        best = np.maximum(best, np.where(inside, through, 0))
    support = best / (best + SUPPORT_NOISE * noise)
    return np.asarray(support.reshape(len(maps), -1, SAMPLES).mean(axis=-1))


def _outline_samples() -> tuple[Array, Array]:
    """Points of the rounded outline and outward normals in the card's plane: 4 sides, then 4 arcs, SAMPLES each."""
    share = (np.arange(SAMPLES) + 0.5) / SAMPLES * 2 - 1
    sides = [card.side_points_mm(np.full(SAMPLES, k), share * card.straight_mm(k))[:, :2] for k in range(4)]
    arcs, arc_normals = card.arc_points_mm(SAMPLES)
    plan = np.concatenate([*sides, arcs[..., :2].reshape(-1, 2)])
    return plan, np.concatenate([np.repeat(card.SIDE_NORMALS, SAMPLES, axis=0), arc_normals.reshape(-1, 2)])


def _apply(maps: Array, plan: Array) -> Array:
    """Map points of the card's plane by each homography, shape (n, points, 2)."""
    mapped = np.column_stack([plan, np.ones(len(plan))]) @ maps.transpose(0, 2, 1)
    return np.asarray(mapped[..., :2] / mapped[..., 2:])


def pose(homography: Array, focal_px: float, centre_px: tuple[float, float]) -> Camera:
    """The camera nearest to a homography from the card's top face to pixels."""
    inner = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1]])
    columns = np.linalg.solve(inner, homography)
    columns = columns / np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
    columns = columns * np.sign(columns[2, 2])
    u, _, vt = np.linalg.svd(np.column_stack([columns[:, :2], np.cross(columns[:, 0], columns[:, 1])]))
    rotation = u @ vt
    return Camera(focal_px, centre_px, 0.0, rotation, columns[:, 2] - card.THICKNESS_MM * rotation[:, 2])


def unlikeness(maps: Array, focal_px: float, centre_px: tuple[float, float]) -> Array:
    """How far each homography is from a card's under that focal length: unequal scales and skew, 0 for a card."""
    inner = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1]])
    columns = np.linalg.solve(inner, maps)
    along, across = np.linalg.norm(columns[..., 0], axis=1), np.linalg.norm(columns[..., 1], axis=1)
    skew = np.sum(columns[..., 0] * columns[..., 1], axis=1) / (along * across)
    return np.asarray(np.hypot(np.log(along / across), skew))
