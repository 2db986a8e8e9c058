"""A pattern for names, as people write it in a shell. Pure; names may be any bytes."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache

from otherroof.base.errors import WrongUse

LONGEST_PATTERN = 1000  # letters
MOST_STARS = 20
MOST_WITH_DOUBLE = 5  # with `**` a match that fails takes longer with each star


@dataclass(frozen=True)
class Like:
    """`*` stands for any letters and `?` for one, neither for a slash; `**` for a slash as well; `[ab]` for one of
    these. Without a slash the pattern is held against a name alone, with one against the whole path. Capital and small
    letters are alike. Raises WrongUse if it is too long or asks nothing."""

    pattern: str
    _compiled: re.Pattern[str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        stars = len(re.findall(r"\*+", self.pattern))
        most = MOST_WITH_DOUBLE if "**" in self.pattern else MOST_STARS
        if not self.pattern.strip("/") or len(self.pattern) > LONGEST_PATTERN or stars > most:
            raise WrongUse(
                "this pattern is empty, too long or has too many stars",
                where=self.pattern[:40],
                advice="for example '*.jpg' or 'summer/**'",
            )
        flags = re.IGNORECASE | re.DOTALL
        object.__setattr__(self, "_compiled", re.compile(_regular(_composed(self.pattern.strip("/"))), flags))

    @property
    def rough(self) -> str:
        """A pattern for SQL's LIKE, with a backslash to escape, that matches whatever this one means, and more."""
        # What one letter here may be in a name is left to `matches`: a letter may have several forms there.
        words = re.sub(r"\[[^\]]+\]|[*?]+|[^\x20-\x7e]+|[kKsS]", "*", _composed(self.pattern.strip("/")))
        return "%" + re.sub(r"([%_\\])", r"\\\1", words).replace("*", "%")

    def matches(self, path: bytes) -> bool:
        """Whether this very path is meant."""
        shown = path if "/" in self.pattern else path.rpartition(b"/")[2]
        return self._compiled.fullmatch(_composed(shown.decode("utf-8", "surrogateescape"))) is not None


@lru_cache(maxsize=4096)
def is_meant(like: Like, path: bytes) -> bool:
    """Whether the pattern means this path or a folder above it."""
    return like.matches(path) or (b"/" in path and is_meant(like, path.rpartition(b"/")[0]))


def _composed(text: str) -> str:
    # An accent may be a letter of its own in a name that came from another system.
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def _regular(pattern: str) -> str:
    pieces = re.split(r"(\*+)", pattern)
    text = _plain(pieces[0])
    for star, fixed in zip(pieces[1::2], pieces[2::2], strict=True):
        if not fixed:
            text += ".*" if len(star) > 1 else "[^/]*"
        elif "**" in pattern:
            text += (".*" if len(star) > 1 else "[^/]*") + _plain(fixed)
        else:
            # The first place at which the next piece fits is as good as any later one, so it is never gone back upon:
            # otherwise a pattern of many stars would take hours for a long name that it does not match.
            last = fixed is pieces[-1]
            text += f"[^/]*{_plain(fixed)}" if last else f"(?>[^/]*?{_plain(fixed)})"
    return text


def _plain(piece: str) -> str:
    """A piece without stars."""
    return "".join(map(_one_part, re.split(r"(\?|\[[^\]]+\])", piece)))


def _one_part(part: str) -> str:
    if part == "?":
        return "[^/]"
    if part.startswith("[") and part.endswith("]"):
        inside = part[1:-1]
        turned = inside[:1] in ("!", "^") and len(inside) > 1
        letters = re.escape(inside[1:] if turned else inside).replace(r"\-", "-")
        return f"[{'^/' if turned else ''}{letters}]"
    return re.escape(part)
