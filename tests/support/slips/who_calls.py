"""A pytest plugin that writes down which functions of the product each test calls, and how long the test takes.

`OTHERROOF_WHO_CALLS` names the folder for it; each process writes a file of its own there. Knows nothing of slips.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

ROOM = os.sep + os.path.join("src", "otherroof") + os.sep


class WhoCalls:
    """What each test called: names of files and of the functions in them, which stay when a file grows."""

    def __init__(self, into: Path) -> None:
        self._into = into
        self._called: set[CodeType] = set()
        self._tests: dict[str, dict[str, Any]] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        # What fixtures of a whole file call belongs to the test that was first to need them; the others of that
        # file are likely to need it too, which whoever asks has to mind.
        self._called = called = set()

        def trace(frame: FrameType, _event: str, _arg: object) -> None:
            called.add(frame.f_code)

        begun = time.monotonic()
        threading.settrace(trace)
        sys.settrace(trace)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)  # type: ignore[arg-type]
            calls = sorted(
                {
                    f"{code.co_filename.partition(ROOM)[2]}:{code.co_qualname}"
                    for code in called
                    if ROOM in code.co_filename
                }
            )
            self._tests[item.nodeid] = {"seconds": round(time.monotonic() - begun, 3), "calls": calls}

    def pytest_sessionfinish(self) -> None:
        self._into.mkdir(parents=True, exist_ok=True)
        if self._tests:
            (self._into / f"{os.getpid()}.json").write_text(json.dumps(self._tests), encoding="utf-8")


def pytest_configure(config: pytest.Config) -> None:
    where = os.environ.get("OTHERROOF_WHO_CALLS")
    if where:
        config.pluginmanager.register(WhoCalls(Path(where)))
