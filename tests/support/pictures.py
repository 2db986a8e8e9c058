"""Pictures as grey values, for programs that read codes: from a browser's PNG, and from SVG as the sheet has it."""

from __future__ import annotations

import re
import struct
import zlib

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]


def from_svg(svg: str, scale: int = 4) -> Picture:
    """A code drawn as one path of horizontal lines one unit thick (`M x y h length m dx dy …`), as grey values."""
    width, height = (int(float(part)) for part in re.findall(r'viewBox="0 0 (\d+) (\d+)"', svg)[0])
    picture: Picture = np.full((height, width), 255, dtype=np.uint8)
    path = re.findall(r'stroke="#000" d="([^"]+)"|d="([^"]+)" stroke="#000"', svg)[0]
    x = y = 0.0
    for command, numbers in re.findall(r"([Mmh])([-\d. ]+)", path[0] or path[1]):
        given = [float(number) for number in re.findall(r"-?[\d.]+", numbers)]
        if command == "h":
            picture[int(y), int(x) : int(x + given[0])] = 0
            x += given[0]
        else:
            x, y = (given[0], given[1]) if command == "M" else (x + given[0], y + given[1])
    return picture.repeat(scale, 0).repeat(scale, 1)


def from_png(png: bytes) -> Picture:
    """A PNG in black and white, 8 bits a colour, not interlaced, as grey values (ISO/IEC 15948; its §9 has filters)."""
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", png[16:29])
    assert (depth, interlaced) == (8, 0)
    each = {0: 1, 2: 3, 6: 4}[colour]
    packed, at = b"", 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        packed += png[at + 8 : at + 8 + length] if png[at + 4 : at + 8] == b"IDAT" else b""
        at += 12 + length
    rows = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + width * each)
    # Each colour is filtered by itself, and on a page without colour one of them is enough.
    above = np.zeros(width, np.uint8)
    picture = np.empty((height, width), np.uint8)
    for number, row in enumerate(rows):
        picture[number] = above = _unfiltered(int(row[0]), row[1::each], above)
    return picture


def _unfiltered(kind: int, row: Picture, above: Picture) -> Picture:
    if kind == 0:
        return row.copy()
    if kind == 1:
        return np.cumsum(row, dtype=np.uint8)
    if kind == 2:
        return row + above
    done = bytearray(row.tobytes())
    left = corner = 0
    for place, up in enumerate(above.tolist()):
        guess = (left + up) // 2
        if kind == 4:
            near = left + up - corner
            guess = min((abs(near - left), 0, left), (abs(near - up), 1, up), (abs(near - corner), 2, corner))[2]
        done[place] = left = (done[place] + guess) & 255
        corner = up
    return np.frombuffer(bytes(done), np.uint8)
