"""The README as whoever has nothing else follows it: which commands stand under which heading, and its words.

Reads text only; what is to be done about a command is for the test that follows it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

README = Path(__file__).parents[2] / "README.md"
COMMENT = re.compile(r"\s+#\s+(.*)$")


class ReadmeSteps:
    """The README's sections by heading, each with its shell commands and its words, in order."""

    def __init__(self, text: str) -> None:
        self._lines: dict[str, list[str]] = {}
        self._words: dict[str, str] = {}
        heading, fence = "", ""
        for line in text.splitlines():
            bare = line.strip()
            if bare.startswith("```"):
                fence = "" if fence else bare.removeprefix("```") or "text"
            elif fence == "sh":
                self._lines[heading] += [bare] if bare else []
            elif not fence and (found := re.match(r"#{1,6} (.+)", line)):
                heading = found[1]
                self._lines[heading], self._words[heading] = [], ""
            elif not fence:
                self._words[heading] += f" {bare}"

    def headings_with_commands(self) -> list[str]:
        """Every heading that has shell commands directly under it."""
        return [heading for heading, lines in self._lines.items() if lines]

    def commands(self, heading: str) -> list[str]:
        """What is typed under `heading`, line by line, without comments. Raises AssertionError if that is nothing."""
        found = [COMMENT.sub("", line) for line in self._lines.get(heading, [])]
        assert found, f"the README has no commands under {heading!r}"
        return found

    def comment(self, heading: str, command: str) -> str:
        """What stands behind `command`. Raises AssertionError if there is no such line."""
        self.require_commands(heading, [command])
        line = self._lines[heading][self.commands(heading).index(command)]
        found = COMMENT.search(line)
        return found[1] if found else ""

    def require_commands(self, heading: str, commands: Iterable[str]) -> None:
        """Raises AssertionError if one of `commands` does not stand under `heading`, letter by letter."""
        missing = [command for command in commands if command not in self.commands(heading)]
        assert not missing, f"under {heading!r} the README no longer has {missing}"

    def require_words(self, heading: str, *sentences: str) -> None:
        """Raises AssertionError if one of `sentences` is not said under `heading`, however its lines are broken."""
        said = " ".join(self._words.get(heading, "").split())
        missing = [sentence for sentence in sentences if sentence not in said]
        assert not missing, f"under {heading!r} the README no longer says {missing}"
