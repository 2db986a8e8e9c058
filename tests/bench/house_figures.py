"""Counts how the house stands, so that a redesign can be told in figures: before and after, by the same rule.

    python tests/bench/house_figures.py [CHECKOUT] [--json] [--stacks]

CHECKOUT is the tree to look at; without it, the one that this file stands in. From the project's environment, no root.
Most figures are read from the source. The frames between a run and the wire are measured: a small job is really
copied, twice, to the rehearsal's stand-in far box, by the tree's own command line in a process of its own.

How frames are counted: each time bytes go out, every frame of the tree's own package on the stack counts, from the
function that carries out a run to the one that hands the bytes to the socket, both included. If that happens in another
thread, the stack of whoever started that thread is put before its own, and so on up to the run. Frames of libraries in
between (paramiko, threading) are told apart, in a figure of their own. Sends that belong to no run are left out.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import io
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import tokenize
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

PACKAGE = "otherroof"
RUN_S = 180.0  # how long the measured runs may take
SMALL_FILES = 40
LARGE_BYTES = 3 * 1024 * 1024

MAIN_SETTINGS = """\
[home]
name = "figures"
zone = "UTC"

[far.stand-in]
address   = "{address}"
port      = {port}
account   = "copykeeper"
login_key = "keys/stand-in"
host_key  = "{host_key}"
base      = "/copies"
pause_s   = 0.2
"""

JOB_SETTINGS = """\
folder = "{folder}"
far    = "stand-in"
at     = "30 1 * * *"

[guard]
removed_percent = 100
changed_percent = 100
"""


@dataclass(frozen=True)
class Names:
    """What to look for by name, since a redesign may call it otherwise."""

    run_class: str
    run_function: str
    sender: str
    stand_in: str
    key_maker: str


@dataclass
class Module:
    """One source file. `name` is dotted; `comment_lines` hold nothing but a comment, `doc_lines` are docstrings'."""

    name: str
    path: Path
    lines: int
    tree: ast.Module
    comment_lines: int
    comments_behind_code: int
    doc_lines: int


@dataclass
class Sends:
    """The stack behind every send, outermost frame first, from the run inwards; names of library frames begin with `~`.

    `before` is the number of our own frames outside the run: the command line's.
    """

    stacks: list[tuple[str, ...]] = field(default_factory=list)
    before: int = 0
    elsewhere: int = 0


# -- read from the source --


def read_modules(root: Path) -> list[Module]:
    """Every module below `src/`, in order of the path."""
    source = root / "src"
    return [_read_module(source, path) for path in sorted(source.rglob("*.py"))]


def _read_module(source: Path, path: Path) -> Module:
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    alone = behind = 0
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            if token.line.lstrip().startswith("#"):
                alone += 1
            else:
                behind += 1
    parts = path.relative_to(source).with_suffix("").parts
    name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    doc_lines = sum(_doc_lines(node) for node in ast.walk(tree) if isinstance(node, documented))
    return Module(name, path, len(text.splitlines()), tree, alone, behind, doc_lines)


def _doc_lines(node: ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    if ast.get_docstring(node, clean=False) is None:
        return 0
    first = node.body[0]
    return (first.end_lineno or first.lineno) - first.lineno + 1


def fullest_folder(modules: Sequence[Module], source: Path) -> tuple[str, int]:
    """The folder with most modules in one row, `__init__.py` not counted, and how many they are."""
    rows = Counter(module.path.parent for module in modules if module.path.name != "__init__.py")
    folder, count = rows.most_common(1)[0]
    return str(folder.relative_to(source)), count


def repeated_classes(modules: Sequence[Module]) -> dict[str, list[str]]:
    """Public class names that several modules define, with those modules."""
    found: dict[str, list[str]] = defaultdict(list)
    for module in modules:
        for node in module.tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found[node.name].append(module.name)
    return {name: where for name, where in sorted(found.items()) if len(where) > 1}


def defining(modules: Sequence[Module], name: str) -> Module | None:
    """The module with a class or function of this name at its top level; None if there is none."""
    for module in modules:
        for node in module.tree.body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef) and node.name == name:
                return module
    return None


def own_imports(module: Module, known: set[str]) -> list[str]:
    """The modules of ours that `module` imports, wherever in the file it does so."""
    package = module.name.split(".")
    if module.path.name != "__init__.py":
        package = package[:-1]
    found: set[str] = set()
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name in known}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            origin = ".".join([*base, *(node.module.split(".") if node.module else [])])
            for alias in node.names:
                inner = f"{origin}.{alias.name}"
                if inner in known or origin in known:
                    found.add(inner if inner in known else origin)
    return sorted(found)


def longest_function(modules: Sequence[Module]) -> tuple[str, int]:
    """The function with most lines from its `def` to its end, its docstring not counted."""
    best = ("", 0)
    for module in modules:
        for node in ast.walk(module.tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                lines = (node.end_lineno or node.lineno) - node.lineno + 1 - _doc_lines(node)
                if lines > best[1]:
                    best = (f"{module.name}.{node.name}", lines)
    return best


def source_figures(root: Path, names: Names) -> dict[str, Any]:
    """Every figure that can be read from the source."""
    modules = read_modules(root)
    if not modules:
        raise SystemExit(f"{root}: no Python below src/; name a checkout")
    known = {module.name for module in modules}
    lines = sum(module.lines for module in modules)
    folder, count = fullest_folder(modules, root / "src")
    longest = max(modules, key=lambda module: module.lines)
    function, function_lines = longest_function(modules)
    run_module = defining(modules, names.run_class)
    comments = sum(module.comment_lines for module in modules)
    behind = sum(module.comments_behind_code for module in modules)
    docs = sum(module.doc_lines for module in modules)
    return {
        "lines": lines,
        "files": len(modules),
        "fullest_folder": {"folder": folder, "modules": count},
        "repeated_classes": repeated_classes(modules),
        "run_module": run_module.name if run_module else None,
        "run_imports": own_imports(run_module, known) if run_module else [],
        "longest_function": {"function": function, "lines": function_lines},
        "longest_file": {"file": longest.name, "lines": longest.lines},
        "comment_lines": comments,
        "comments_behind_code": behind,
        "comment_percent": round(100 * (comments + behind) / lines, 2),
        "docstring_lines": docs,
        "docstring_percent": round(100 * docs / lines, 2),
    }


# -- measured, in a process of its own --


class Recorder:
    """Notes the stack behind every send. Frames are named `module:function`, those of libraries with `~` before it."""

    def __init__(self, root: Path, run_function: str) -> None:
        self._source = f"{root / 'src' / PACKAGE}{os.sep}"
        self._run_function = run_function
        self._started_by: dict[int, tuple[str, ...]] = {}
        self._lock = threading.Lock()
        self.sends = Sends()

    def follow_threads(self) -> None:
        """From now on every thread remembers the stack of whoever started it."""
        original = threading.Thread.start

        def start(thread: threading.Thread) -> None:
            self._started_by[id(thread)] = self._stack(sys._getframe(1))
            original(thread)

        setattr(threading.Thread, "start", start)  # noqa: B010 (mypy refuses the plain assignment)

    def watch(self, owner: Any, method: str) -> None:
        """Note the stack at each call of `owner.method`, the call itself included."""
        original = getattr(owner, method)
        name = f"{owner.__module__.removeprefix(PACKAGE + '.')}:{owner.__name__}.{method}"

        def noted(*given: Any, **more: Any) -> Any:
            self._note((*self._stack(sys._getframe(1)), name))
            return original(*given, **more)

        setattr(owner, method, noted)

    def _stack(self, frame: FrameType | None) -> tuple[str, ...]:
        """The frames from `frame` outwards, and before them those behind the thread's start."""
        found = []
        while frame is not None:
            code = frame.f_code
            if code.co_filename.startswith(self._source):
                file = code.co_filename.removeprefix(self._source).removesuffix(".py").replace(os.sep, ".")
                found.append(f"{file}:{code.co_qualname}")
            elif code.co_filename != __file__:
                found.append(f"~{frame.f_globals.get('__name__', '?')}:{code.co_qualname}")
            frame = frame.f_back
        return (*self._started_by.get(id(threading.current_thread()), ()), *reversed(found))

    def _note(self, stack: tuple[str, ...]) -> None:
        runs = [at for at, name in enumerate(stack) if _is_ours(name) and name.endswith(f":{self._run_function}")]
        with self._lock:
            if runs:
                self.sends.stacks.append(stack[runs[0] :])
                self.sends.before = sum(map(_is_ours, stack[: runs[0]]))
            else:
                self.sends.elsewhere += 1


def _is_ours(name: str) -> bool:
    return not name.startswith("~")


def measure(root: Path, names: Names) -> Sends:
    """Copy a small job twice by the tree's command line, and note the stack behind each send."""
    sys.path.insert(0, str(root / "src"))
    modules = read_modules(root)
    recorder = Recorder(root, names.run_function)
    sender, _, method = names.sender.partition(".")
    recorder.watch(_thing(modules, sender, root), method)
    if defining(modules, names.run_function) is None:
        raise SystemExit(f"no function {names.run_function} below src/; name it with --run-function")
    recorder.follow_threads()
    private, public = _thing(modules, names.key_maker, root)()
    with tempfile.TemporaryDirectory(prefix="otherroof-figures-") as made:
        folder = Path(made)
        for part in ("household", "settings/keys", "settings/jobs", "far-box/copies"):
            (folder / part).mkdir(parents=True)
        with _thing(modules, names.stand_in, root)(str(folder / "far-box"), public) as box:
            _write_settings(folder, box, private)
            for _ in _days(folder / "household"):
                _run(root, folder / "settings")
    return recorder.sends


def _thing(modules: Sequence[Module], name: str, root: Path) -> Any:
    """The class or function called `name`, from the tree that is measured and no other."""
    module = defining(modules, name)
    if module is None:
        raise SystemExit(f"nothing is called {name} below {root}/src; see --help for how to name it")
    found = importlib.import_module(module.name)
    if not str(found.__file__).startswith(str(root)):
        raise SystemExit(f"{module.name} comes from {found.__file__}, which is not in {root}")
    return getattr(found, name)


def _write_settings(folder: Path, box: Any, private: bytes) -> None:
    key = folder / "settings/keys/stand-in"
    key.touch(mode=0o600)
    key.write_bytes(private)
    main = MAIN_SETTINGS.format(address=box.address, port=box.port, host_key=box.host_key_line)
    (folder / "settings/otherroof.toml").write_text(main, encoding="utf-8")
    job = JOB_SETTINGS.format(folder=folder / "household")
    (folder / "settings/jobs/household.toml").write_text(job, encoding="utf-8")


def _days(household: Path) -> Iterator[None]:
    """The folder as the first run finds it, then as the second does: with every kind of change in it."""
    for number in range(SMALL_FILES):
        path = household / f"letters/{number % 4}/letter-{number}.txt"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"letter {number}\n" * 50, encoding="utf-8")
    (household / "large").write_bytes(os.urandom(LARGE_BYTES))
    (household / "link").symlink_to("large")
    os.link(household / "letters/0/letter-0.txt", household / "second-name")
    yield
    with open(household / "large", "r+b") as file:
        file.seek(LARGE_BYTES // 2)
        file.write(os.urandom(1000))
    (household / "letters/1/letter-1.txt").write_text("changed\n", encoding="utf-8")
    (household / "letters/2/letter-2.txt").unlink()
    (household / "letters/3/letter-3.txt").rename(household / "moved")
    (household / "new").write_text("new\n", encoding="utf-8")
    yield


def _run(root: Path, settings: Path) -> None:
    scripts = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]["scripts"]
    module, _, function = scripts[PACKAGE].partition(":")
    said = io.StringIO()
    code: object = 0
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            getattr(importlib.import_module(module), function)(["run", "--config", str(settings)])
        except SystemExit as end:
            code = end.code
    if code:
        raise SystemExit(f"the measured run ended with {code}:\n{said.getvalue()}")


# -- told --


def measured_apart(root: Path, names: Names) -> Sends:
    """`measure` in a process of its own, which loads nothing but the tree that is measured."""
    given = [f"--{name.replace('_', '-')}={value}" for name, value in vars(names).items()]
    command = [sys.executable, os.path.abspath(__file__), str(root), "--measure", *given]
    environment = {**os.environ, "PYTHONPATH": str(root / "src")}
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=RUN_S, check=False, env=environment)
    except subprocess.TimeoutExpired as problem:
        raise SystemExit(f"the measured runs did not end within {RUN_S:g} s") from problem
    if done.returncode:
        raise SystemExit(f"the frames could not be measured: {done.stderr.strip()}")
    found = json.loads(done.stdout)
    return Sends([tuple(stack) for stack in found["stacks"]], found["before"], found["elsewhere"])


def frame_figures(sends: Sends) -> dict[str, Any]:
    """How many frames of ours lie between a run and the socket."""
    ours = [tuple(filter(_is_ours, stack)) for stack in sends.stacks]
    depths = [len(stack) for stack in ours]
    if not depths:
        raise SystemExit("no run sent anything: is the sender named rightly? see --sender")
    typical = Counter(depths).most_common(1)[0]
    deepest = max(ours, key=len)
    usual = Counter(stack for stack in ours if len(stack) == typical[0]).most_common(1)[0][0]
    return {
        "sends": len(depths),
        "sends_without_a_run": sends.elsewhere,
        "least": min(depths),
        "median": statistics.median(depths),
        "most_often": {"frames": typical[0], "sends": typical[1]},
        "most": max(depths),
        "command_line": sends.before,
        "most_with_libraries": max(len(stack) for stack in sends.stacks),
        "deepest_stack": list(deepest),
        "usual_stack": list(usual),
    }


def print_figures(figures: dict[str, Any], *, stacks: bool) -> None:
    """The figures as lines, one a figure."""
    folder, function, file = figures["fullest_folder"], figures["longest_function"], figures["longest_file"]
    print(f"lines of src/                     {figures['lines']:,}")
    print(f"files                             {figures['files']}")
    print(f"modules in the fullest folder     {folder['modules']} ({folder['folder']}, __init__.py not counted)")
    print(f"class names used twice or more    {len(figures['repeated_classes'])}")
    for name, where in figures["repeated_classes"].items():
        print(f"    {name}: {', '.join(where)}")
    print(f"our modules imported by the run   {len(figures['run_imports'])} ({figures['run_module']})")
    print(f"longest function                  {function['lines']} lines without docstring ({function['function']})")
    print(f"longest file                      {file['lines']} lines ({file['file']})")
    print(
        f"lines with a comment              {figures['comment_lines'] + figures['comments_behind_code']} "
        f"({figures['comment_percent']} %): {figures['comment_lines']} of their own, "
        f"{figures['comments_behind_code']} behind code"
    )
    print(f"lines of docstrings               {figures['docstring_lines']} ({figures['docstring_percent']} %)")
    frames = figures.get("frames")
    if frames is None:
        return
    usual = frames["most_often"]
    print(
        f"frames from the run to the socket {frames['most']} at most, {frames['median']:g} in the middle, "
        f"{usual['frames']} most often ({usual['sends']} of {frames['sends']} sends)"
    )
    print(
        f"    the command line before the run adds {frames['command_line']}; "
        f"libraries' frames counted too, there are {frames['most_with_libraries']} at most from the run on"
    )
    if stacks:
        for title in ("deepest_stack", "usual_stack"):
            print(f"\n{title.replace('_', ' ')}:")
            for number, name in enumerate(frames[title], 1):
                print(f"    {number:2} {name}")


def main() -> None:
    """Print the figures of one checkout."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("checkout", nargs="?", default=Path(__file__).resolve().parents[2], type=Path)
    parser.add_argument("--run-class", default="Run", help="the class that carries out a run (%(default)s)")
    parser.add_argument("--run-function", default="run_job", help="the function frames are counted from (%(default)s)")
    parser.add_argument("--sender", default="BoundedSocket.send", help="the method that sends bytes (%(default)s)")
    parser.add_argument("--stand-in", default="StandIn", help="the class of the stand-in far box (%(default)s)")
    parser.add_argument("--key-maker", default="fresh_key", help="what makes a login key for it (%(default)s)")
    parser.add_argument("--no-frames", action="store_true", help="only what can be read from the source")
    parser.add_argument("--stacks", action="store_true", help="show the deepest and the usual stack too")
    parser.add_argument("--json", action="store_true", help="all figures as JSON")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    root = given.checkout.resolve()
    names = Names(given.run_class, given.run_function, given.sender, given.stand_in, given.key_maker)
    if given.measure:
        json.dump(vars(measure(root, names)), sys.stdout)
        return
    figures = source_figures(root, names)
    if not given.no_frames:
        figures["frames"] = frame_figures(measured_apart(root, names))
    if given.json:
        json.dump(figures, sys.stdout, indent=2)
        print()
    else:
        print_figures(figures, stacks=given.stacks)


if __name__ == "__main__":
    main()
