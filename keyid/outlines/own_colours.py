"""What the photo's own colours tell of the regions: metal, wall and table differ in hue, and a shadow has its table's.

The network knows metals and tables in general.  Which hues this key and this table have, each shows wherever the
network is sure of it, and that decides where it is not: a shadow keeps the hue of what it falls on.  Hues are learnt
and regions told anew in turn (as Rother, Kolmogorov and Blake do in "GrabCut", ACM Transactions on Graphics 23, 2004).
Where all is grey, hues say nothing, and nothing changes.
"""

from __future__ import annotations

from keyid.network import Image, probabilities
from keyid.photos.hues import hues_of

ROUNDS = 3  # of learning hues and telling regions: more change nothing
SMOOTHED = 1.2  # samples of the network (0.1 mm): noise and the fringes of a lens have any hue
LEAST_SAMPLES = 200.0  # of a kind: 1.3 mm2
MOST = 3.0  # log odds of metal that a hue may state: the regions' own limit is 4
MOST_OF_WALL = 2.0  # the same of the wall, which mirrors its surroundings


def tell_by_own_colours(logits: Image, picture: Image) -> Image:
    """Weigh in the hue of each sample.

    Parameters
    ----------
    logits : ndarray of float32, shape (5, rows, columns)
        Log probabilities up to a constant: of something else, face, body, wall and plastic.
    picture : ndarray of float32, shape (rows, columns, 3)
        sRGB-coded colour, 0 to 1, in the order blue, green, red.

    Returns
    -------
    ndarray of float32, shape (5, rows, columns)
        The same, with something else and the wall weighed against metal.
    """
    hues = hues_of(picture, SMOOTHED)
    told = logits
    for _ in range(ROUNDS):
        other, face, body, wall, _plastic = probabilities(told)
        of_metal, of_other, of_wall = (hues.density(share, LEAST_SAMPLES) for share in (face + body, other, wall))
        if of_metal is None or of_other is None:
            return logits
        told = logits.copy()
        told[0] += hues.odds(of_other, of_metal, MOST)
        if of_wall is not None:
            told[3] += hues.odds(of_wall, of_metal, MOST_OF_WALL)
    return told
