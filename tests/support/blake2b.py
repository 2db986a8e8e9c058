"""BLAKE2b as RFC 7693 writes it down, slow and plain: the product's digests meet one that shares no code with them.

The parameter block with a person is of the BLAKE2 paper (Aumasson, Neves, Wilcox-O'Hearn, Winnerlein, 2013), §2.8.
"""

from __future__ import annotations

import struct

IV = (
    0x6A09E667F3BCC908, 0xBB67AE8584CAA73B, 0x3C6EF372FE94F82B, 0xA54FF53A5F1D36F1,
    0x510E527FADE682D1, 0x9B05688C2B3E6C1F, 0x1F83D9ABFB41BD6B, 0x5BE0CD19137E2179,
)  # fmt: skip
SIGMA = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15), (14, 10, 4, 8, 9, 15, 13, 6, 1, 12, 0, 2, 11, 7, 5, 3),
    (11, 8, 12, 0, 5, 2, 15, 13, 10, 14, 3, 6, 7, 1, 9, 4), (7, 9, 3, 1, 13, 12, 11, 14, 2, 6, 5, 10, 4, 0, 15, 8),
    (9, 0, 5, 7, 2, 4, 10, 15, 14, 1, 11, 12, 6, 8, 3, 13), (2, 12, 6, 10, 0, 11, 8, 3, 4, 13, 7, 5, 15, 14, 1, 9),
    (12, 5, 1, 15, 14, 13, 4, 10, 0, 7, 6, 3, 9, 2, 8, 11), (13, 11, 7, 14, 12, 1, 3, 9, 5, 0, 15, 4, 8, 6, 2, 10),
    (6, 15, 14, 9, 11, 3, 0, 8, 12, 2, 13, 7, 1, 4, 10, 5), (10, 2, 8, 4, 7, 6, 1, 5, 15, 11, 9, 14, 3, 12, 13, 0),
)  # fmt: skip
PLACES = ((0, 4, 8, 12), (1, 5, 9, 13), (2, 6, 10, 14), (3, 7, 11, 15),
          (0, 5, 10, 15), (1, 6, 11, 12), (2, 7, 8, 13), (3, 4, 9, 14))  # fmt: skip
WORD = (1 << 64) - 1


def _turned(word: int, by: int) -> int:
    return (word >> by | word << (64 - by)) & WORD


def _compress(state: list[int], block: bytes, counted: int, last: bool) -> None:
    words = struct.unpack("<16Q", block)
    v = [*state, *IV]
    v[12] ^= counted & WORD
    v[13] ^= counted >> 64
    if last:
        v[14] ^= WORD
    for turn in range(12):
        order = SIGMA[turn % 10]
        for number, (a, b, c, d) in enumerate(PLACES):
            first, second = words[order[2 * number]], words[order[2 * number + 1]]
            for word, right_d, right_b in ((first, 32, 24), (second, 16, 63)):
                v[a] = (v[a] + v[b] + word) & WORD
                v[d] = _turned(v[d] ^ v[a], right_d)
                v[c] = (v[c] + v[d]) & WORD
                v[b] = _turned(v[b] ^ v[c], right_b)
    for place in range(8):
        state[place] ^= v[place] ^ v[place + 8]


def blake2b(data: bytes, size: int = 64, key: bytes = b"", person: bytes = b"") -> bytes:
    """The digest of `size` bytes."""
    block = struct.pack("<BBBB12x16x16s16s", size, len(key), 1, 1, b"", person)
    state = [iv ^ word for iv, word in zip(IV, struct.unpack("<8Q", block), strict=True)]
    data = (key.ljust(128, b"\0") if key else b"") + data
    ends = list(range(128, len(data), 128))
    for end in ends:
        _compress(state, data[end - 128 : end], end, last=False)
    begin = ends[-1] if ends else 0
    _compress(state, data[begin:].ljust(128, b"\0"), len(data), last=True)
    return struct.pack("<8Q", *state)[:size]
