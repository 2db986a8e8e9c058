"""Slips that anybody's hand may make anywhere: a statement dropped, a comparison turned, a number changed.

Found by the module's syntax tree. Words for people are left alone: how a message reads is not what a slip tests.
"""

from __future__ import annotations

import ast
import zlib
from collections.abc import Callable, Iterator

from support.slips.slip import Slip

COMPARED: dict[type[ast.cmpop], tuple[str, str]] = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.In: ("in", "not in"),
    ast.NotIn: ("not in", "in"),
    ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"),
}
REACHES: dict[type[ast.operator], tuple[str, str]] = {ast.Add: ("+", "-"), ast.Sub: ("-", "+")}
# What a person sees while it goes on, and what is only logged, is not what these slips are about.
SAID_ONLY = ("log.", "logging.", "warnings.", "self._context.progress", "self._context.run.progress", "self._progress")
TEXT_MAKERS = {"__repr__", "__str__", "as_json", "as_csv"}


class Source:
    """A module's text and tree, with places by character."""

    def __init__(self, module: str, text: str) -> None:
        self.module, self.text = module, text
        self.tree = ast.parse(text)
        self._starts = [0]
        for line in text.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def place(self, line: int, column: int) -> int:
        """Columns of the tree count bytes of UTF-8."""
        start = self._starts[line - 1]
        line_text = self.text[start : self._starts[line]].encode()
        return start + len(line_text[:column].decode())

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        """Where a node begins and ends."""
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self.place(node.lineno, node.col_offset), self.place(node.end_lineno, node.end_col_offset)

    def slip(self, start: int, end: int, new: str, what: str, kind: str) -> Slip:
        return Slip(self.module, start, self.text[start:end], new, what, kind)


def generic_slips(module: str, text: str) -> list[Slip]:
    """All of them, in the order of the text; none is the same twice."""
    source = Source(module, text)
    found = {(slip.at, slip.new): slip for slip in _of(source, source.tree)}
    return [found[key] for key in sorted(found)]


def some_of(slips: list[Slip], text: str, most: int) -> list[Slip]:
    """At most `most`, the same ones as long as their lines stay as they are, each kind in its turn."""

    def lot(slip: Slip) -> int:
        line = text[text.rfind("\n", 0, slip.at) + 1 :].split("\n", 1)[0]
        return zlib.crc32(f"{slip.module}{slip.kind}{line.strip()}{slip.old}{slip.new}".encode())

    by_kind: dict[str, list[Slip]] = {}
    for slip in sorted(slips, key=lot):
        by_kind.setdefault(slip.kind, []).append(slip)
    chosen: list[Slip] = []
    rows = sorted(by_kind.values(), key=lambda row: row[0].kind)
    while len(chosen) < most and any(rows):
        for row in rows:
            if row and len(chosen) < most:
                chosen.append(row.pop(0))
    return sorted(chosen, key=lambda slip: slip.at)


def _of(source: Source, node: ast.AST, *, in_class: bool = False) -> Iterator[Slip]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef) and child.name in TEXT_MAKERS:
            continue
        if isinstance(child, ast.JoinedStr | ast.Import | ast.ImportFrom | ast.AnnAssign) and not (
            isinstance(child, ast.AnnAssign) and child.value is not None and not in_class
        ):
            continue
        if _is_guarded_import(child):
            continue
        for maker in MAKERS:
            yield from maker(source, child)
        if isinstance(child, ast.Raise):
            continue  # its words
        if isinstance(child, ast.FunctionDef):
            made = (slip for part in child.body for slip in _of(source, _Holder(part)))
            # What a new object does not have shows at the first use.
            yield from (slip for slip in made if child.name != "__init__" or slip.kind != "dropped statement")
            continue
        yield from _of(source, child, in_class=isinstance(child, ast.ClassDef))


class _Holder(ast.AST):
    """One statement, as if it were the only one of a tree."""

    _fields = ("only",)

    def __init__(self, only: ast.stmt) -> None:
        self.only = only


def _is_guarded_import(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def _dropped(source: Source, node: ast.AST) -> Iterator[Slip]:
    calls = isinstance(node, ast.Expr) and isinstance(node.value, ast.Call | ast.Yield | ast.YieldFrom)
    notes = isinstance(node, ast.AugAssign) or (
        isinstance(node, ast.Assign) and all(isinstance(target, ast.Attribute) for target in node.targets)
    )
    if not (calls or notes):
        return
    start, end = source.span(node)  # type: ignore[arg-type]
    if not source.text[start:end].startswith(SAID_ONLY) and "__init__" not in source.text[start:end]:
        yield source.slip(start, end, "pass", "it is not done", "dropped statement")


def _not_raised(source: Source, node: ast.AST) -> Iterator[Slip]:
    if isinstance(node, ast.Raise):
        start, end = source.span(node)
        yield source.slip(start, end, "pass", "the trouble is passed over", "not raised")


def _turned(source: Source, node: ast.AST) -> Iterator[Slip]:
    if not isinstance(node, ast.Compare) or len(node.ops) != 1 or type(node.ops[0]) not in COMPARED:
        return
    old, new = COMPARED[type(node.ops[0])]
    start = source.span(node.left)[1]
    at = source.text.index(old, start)
    yield source.slip(at, at + len(old), new, "the comparison is turned", "swapped comparison")


def _negated(source: Source, node: ast.AST) -> Iterator[Slip]:
    if isinstance(node, ast.If | ast.IfExp):
        start, end = source.span(node.test)
        yield source.slip(start, end, f"not ({source.text[start:end]})", "the other way round", "negated condition")


def _and_or(source: Source, node: ast.AST) -> Iterator[Slip]:
    if isinstance(node, ast.BoolOp):
        old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        start = source.span(node.values[0])[1]
        at = source.text.index(old, start, source.span(node.values[1])[0])
        yield source.slip(at, at + len(old), new, "one condition for the other", "and/or")


def _number(source: Source, node: ast.AST) -> Iterator[Slip]:
    if not isinstance(node, ast.Constant) or type(node.value) not in (bool, int, float):
        return
    start, end = source.span(node)
    old = source.text[start:end]
    if isinstance(node.value, bool):
        new = str(not node.value)
    elif old.startswith(("0x", "0o", "0b")):
        return  # bits: by hand
    else:
        new = f"{node.value + 1!r}" if node.value < 30 else f"{node.value // 10!r}"
    yield source.slip(start, end, new, f"{old} becomes {new}", "changed constant")


def _reach(source: Source, node: ast.AST) -> Iterator[Slip]:
    if isinstance(node, ast.BinOp) and type(node.op) in REACHES:
        old, new = REACHES[type(node.op)]
        start = source.span(node.left)[1]
        at = source.text.index(old, start, source.span(node.right)[0])
        if not _is_text(node):
            yield source.slip(at, at + 1, new, f"{old} becomes {new}", "off by one")


def _is_text(node: ast.AST) -> bool:
    return any(
        isinstance(part, ast.JoinedStr | ast.List | ast.Tuple)
        or (isinstance(part, ast.Constant) and isinstance(part.value, str | bytes))
        for part in ast.walk(node)
    )


MAKERS: tuple[Callable[[Source, ast.AST], Iterator[Slip]], ...] = (
    *(_dropped, _not_raised, _turned, _negated, _and_or, _number, _reach),
)
