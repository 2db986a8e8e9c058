"""QR codes of the groups, as pictures for the page. The library that makes them is imported only when one is wanted."""

from __future__ import annotations

from collections.abc import Sequence

from otherroof.base.errors import HomeTrouble

# A code of so many groups has 77 squares a side at most: at the size that is printed each is half a millimetre.
IN_A_CODE = 50


def qr_texts(groups: Sequence[str]) -> list[str]:
    """What the codes say: the number of the first group, a dot, and the letters. Only of the 45 characters that a code
    has short forms for (ISO/IEC 18004, alphanumeric mode)."""
    codes = -(-len(groups) // IN_A_CODE)
    each = -(-len(groups) // codes) if codes else 1
    return [f"{start + 1}." + "".join(groups[start : start + each]) for start in range(0, len(groups), each)]


def qr_svg(text: str) -> str:
    """The code for `text` as an SVG picture that takes the size of what it stands in. Raises HomeTrouble if the library
    is missing."""
    try:
        import segno
    except ImportError as problem:
        raise HomeTrouble(
            "QR codes need the Python package segno, which is not installed here",
            advice="install it where Otherroof is: `pip install segno`",
        ) from problem
    # Level M bears 15 % of a code that was folded or stained (ISO/IEC 18004); four squares of white belong around it.
    code = segno.make_qr(text, error="m")
    return str(code.svg_inline(border=4, omitsize=True, dark="#000", light="#fff", unit=None))
