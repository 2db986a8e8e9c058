"""The servers that the contract is checked against: the stand-in's, and (in the lab) OpenSSH's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.sftp_servers import FarFolder, connected, need_real_server


@pytest.fixture(params=["stand-in", pytest.param("OpenSSH", marks=pytest.mark.lab)])
def kind(request: pytest.FixtureRequest) -> str:
    if request.param == "OpenSSH":
        need_real_server()
    return str(request.param)


@pytest.fixture
def far(kind: str, tmp_path: Path) -> Iterator[FarFolder]:
    with connected(kind, tmp_path / "far") as found:
        yield found
