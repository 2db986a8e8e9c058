"""The recovery sheet's letters and codes, held against the standards and a reader of codes that no one here wrote.

RFC 4648 §10 (read, as many programs quote it): the test vectors of base32; §6: its alphabet of A to Z and 2 to 7.
ISO/IEC 18004 (alphanumeric mode as vendors' manuals quote it): 0-9, A-Z, space and $ % * + - . / :.
"""

from __future__ import annotations

import random
import re
from itertools import pairwise

import numpy as np
import pytest
import zxingcpp

from otherroof.pairing.sheet.letters import ALPHABET, BYTES, TypedGroups, as_content, as_groups
from otherroof.pairing.sheet.qr import qr_svg, qr_texts
from support.outside import outside
from support.pictures import from_svg

GROUPS = as_groups(random.Random(11).randbytes(98 * BYTES))


@pytest.mark.parametrize(
    ("content", "letters"),
    [
        (b"f", "MY======"),
        (b"fo", "MZXQ===="),
        (b"foo", "MZXW6==="),
        (b"foob", "MZXW6YQ="),
        (b"fooba", "MZXW6YTB"),
        (b"foobar", "MZXW6YTBOI======"),
    ],
)
@outside(
    "RFC 4648",
    "§10, test vectors of base32",
    "letters of the recovery sheet's keys",
    value="read",
    main=True,
    each=True,
)
def test_letters_are_base32_with_two_check_letters_in_each_group(content: bytes, letters: str) -> None:
    groups = as_groups(content)
    bare = "".join(group[:8] for group in groups)
    # Filled with zero bytes in place of `=`.
    assert bare.startswith(letters.rstrip("="))
    assert bare[len(letters.rstrip("=")) :].strip("A") == ""
    assert as_content(groups).rstrip(b"\0") == content


@outside("RFC 4648", "§6, table 3", "letters of the recovery sheet: A to Z, 2 to 7; no 0, 1, 8, 9", value="read")
def test_the_alphabet_is_that_of_the_standard() -> None:
    assert "".join(map(chr, [*range(65, 91), *range(50, 56)])) == ALPHABET
    assert not set("0189") & set("".join(GROUPS))


@outside(
    "ISO/IEC 18004", "alphanumeric mode", "a code's text needs no other mode, so that it stays small", value="read"
)
def test_codes_use_the_45_letters_of_the_alphanumeric_mode() -> None:
    assert all(re.fullmatch(r"[0-9A-Z $%*+\-./:]+", text) for text in qr_texts(GROUPS))


@outside(
    "ISO/IEC 18004", "as zxing-cpp reads it", "every code of the sheet is read back", value="recomputed", main=True
)
def test_codes_are_read_back_by_another_library_and_are_taken_in() -> None:
    typed = TypedGroups()
    for text in qr_texts(GROUPS):
        picture = from_svg(qr_svg(text))
        (found,) = zxingcpp.read_barcodes(picture)
        assert (found.text, found.format) == (text, zxingcpp.BarcodeFormat.QRCode)
        assert typed.take(found.text) == []
    assert typed.fit == dict(enumerate(GROUPS, 1))


@outside("ISO/IEC 18004", "error correction level M", "a code with a stain on 5 % of it is read", value="recomputed")
def test_a_stained_code_is_still_read() -> None:
    text = qr_texts(GROUPS)[0]
    picture = from_svg(qr_svg(text)).copy()
    side = picture.shape[0]
    stain = int(side * 0.05**0.5)
    begin = side // 2
    picture[begin : begin + stain, begin : begin + stain] = 0
    assert np.count_nonzero(picture[begin : begin + stain, begin : begin + stain]) == 0
    assert [one.text for one in zxingcpp.read_barcodes(picture)] == [text]


@outside(
    "ISO/IEC 18004",
    "quiet zone of four modules",
    "white around each code, and half a millimetre a module",
    value="from memory",
)
def test_codes_have_their_margin_and_are_not_too_fine_for_a_telephone() -> None:
    for text in qr_texts(GROUPS):
        picture = from_svg(qr_svg(text), 1)
        side = picture.shape[0]
        assert all((edge == 255).all() for edge in (picture[:4], picture[-4:], picture[:, :4], picture[:, -4:]))
        assert (picture[4, 4:11] == 0).all()
        assert 41 / side >= 0.5, "41 mm a side, as the page has it"
    assert all(earlier < later for earlier, later in pairwise(int(text.partition(".")[0]) for text in qr_texts(GROUPS)))
