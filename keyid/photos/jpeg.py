"""Whether the pixel data of a JPEG file is undamaged, as far as its markers tell.

A decoder conceals damage inside a scan and shifts the rest of the picture, which would be measured as if it were true.
"""

from __future__ import annotations

import re

# ITU-T T.81 (1992), B.1.1.2 and B.1.1.5: inside a scan, 0xFF is followed by 0x00 (a stuffed byte), by more 0xFF (fill),
# or by a marker.
_MARKER = re.compile(rb"\xff+([^\x00\xff])")
_RESTART = range(0xD0, 0xD8)  # RST0 ... RST7, which must follow each other in turn (T.81, B.2.1)
_START_OF_SCAN = 0xDA
_END_OF_IMAGE = 0xD9
_BETWEEN_SCANS = {0xC4, 0xCC, 0xDA, 0xDB, 0xDC, 0xDD, 0xFE, *range(0xE0, 0xF0)}  # segments allowed after a scan


def scan_is_damaged(data: bytes) -> bool:
    """Tell whether a scan of a JPEG file breaks the order of its markers.

    Parameters
    ----------
    data : bytes
        A file that begins as JPEG files do.

    Returns
    -------
    bool
        True when a restart marker is out of turn or a marker stands in a scan that can't be there.  Damage that
        leaves the markers alone isn't seen.
    """
    at = 2  # after the start-of-image marker
    while (segment := _MARKER.match(data, at)) is not None:
        marker, start = segment[1][0], segment.end()
        if marker == _END_OF_IMAGE:
            return False
        at = start + int.from_bytes(data[start : start + 2], "big")
        if marker == _START_OF_SCAN:
            next_segment = _end_of_scan(data, at)
            if next_segment is None:
                return True
            at = next_segment
    return False


def _end_of_scan(data: bytes, start: int) -> int | None:
    """Offset of the segment that follows the scan's pixel data, or None when the data is damaged."""
    turn = 0
    for found in _MARKER.finditer(data, start):
        marker = found[1][0]
        if marker in _RESTART:
            if marker != _RESTART[turn % len(_RESTART)]:
                return None
            turn += 1
        elif marker == _END_OF_IMAGE or marker in _BETWEEN_SCANS:
            return found.start()
        else:
            return None
    return len(data)
