"""Sizes, rates and durations as they are printed and reckoned with, against published units and examples."""

from __future__ import annotations

import ast
import re
import socket
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import otherroof
from otherroof.base.units import mbit_s, rate_text, size_text, span_text
from otherroof.far.pacing import Pacing, bytes_per_s
from otherroof.ledger.job_times import JobTimes
from otherroof.schedule.due import JobScheduleFacts
from otherroof.schedule.plan import FarScheduleFacts, ScheduleFacts, SchedulePlan, plan_schedule
from otherroof.settings import require_settings
from support.household import write_household
from support.lab.need import program, require_programs
from support.outside import outside

IEC = "IEC 80000-13"


@outside(IEC, "§4, decimal prefixes: kilo 10³, mega 10⁶, giga 10⁹, tera 10¹², peta 10¹⁵", "every printed unit of size",
         value="read", each=True)  # fmt: skip
@pytest.mark.parametrize(("unit", "power"), [("B", 0), ("kB", 3), ("MB", 6), ("GB", 9), ("TB", 12), ("PB", 15)])
def test_a_unit_stands_for_its_power_of_ten(unit: str, power: int) -> None:
    printed = size_text(123 * 10**power)
    assert printed == f"123 {unit}"


@outside("GNU coreutils", "numfmt --to=si --round=nearest", "sizes as another program rounds them", value="recomputed")
def test_sizes_are_those_of_numfmt() -> None:
    require_programs("numfmt")
    sizes = [1000, 1024, 65_536, 999_499, 1_234_567, 9_876_543_210, 4 * 10**12, 2**40, 123_456_789_012_345]
    for size in sizes:
        told = size_text(size)
        number, unit = told.split()
        digits = len(number.partition(".")[2])
        argv = [program("numfmt"), "--to=si", "--round=nearest", f"--format=%.{digits}f", str(size)]
        wanted = subprocess.run(argv, capture_output=True, text=True, check=True, timeout=30).stdout.strip()
        assert number + unit.removesuffix("B").upper() == wanted.upper()


# What is never written but in an option's name, which is in small letters: wrong letters (K for kilo, b for byte).
WRONG = re.compile(
    r"(?<!-)\b(?:KB|Kb|kb|Mb|mb|Gb|gb|Tb|tb|mB|gB|MBit|mbps|Mbps|MBps|Gbps|MBit/s|Mbits|kib|mib|KBytes?)\b"
)


@outside(IEC, "§4, letters of prefixes and units: k, M, G, T; B byte; bit", "no text of the program has other letters",
         value="read")  # fmt: skip
def test_no_text_of_the_program_writes_a_unit_with_other_letters() -> None:
    texts = {}
    for path in Path(otherroof.__file__).parent.rglob("*"):
        if path.suffix == ".py":
            tree = ast.parse(path.read_text())
            texts[path] = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)
                           and isinstance(node.value, str)]  # fmt: skip
        elif path.suffix in {".j2", ".txt", ".service"}:
            texts[path] = [path.read_text()]
    assert sum(map(len, texts.values())) > 5000
    found = [(path.name, hit.group()) for path, some in texts.items() for text in some for hit in WRONG.finditer(text)]
    assert found == []
    assert WRONG.search("12 KB")
    assert WRONG.search("20 Mbps")
    assert not WRONG.search("12 kB at 20 Mbit/s, 3 MiB, 1.2 TB")


@outside("RFC 6349", "§4.1.2, transfer time ratio: 100 MB over 100 Mbit/s", "rates that are printed", value="read")
def test_rates_are_those_of_the_rfcs_example() -> None:
    # Ideally about 8 s, in the RFC's example 12 s.
    assert rate_text(100e6, 8) == "100.00 Mbit/s"
    assert rate_text(100e6, 12) == "66.67 Mbit/s"
    assert mbit_s(100e6, 12) / mbit_s(100e6, 8) == pytest.approx(1 / 1.5)


@outside("SI Brochure, 9th edition", "table 8: 1 min = 60 s, 1 h = 3600 s, 1 d = 86 400 s",
         "durations that are printed, 100 GB at 20 Mbit/s", value="from memory")  # fmt: skip
def test_durations_are_in_units_of_60_3600_and_86400_seconds() -> None:
    # 100 GB at 20 Mbit/s without overhead: 8·10¹¹ bit / 2·10⁷ bit/s.
    assert span_text(100e9 * 8 / 20e6) == span_text(40_000) == "11 h 7 min"
    assert [span_text(one) for one in (60, 3_600, 86_400, 90_000)] == ["1 min", "1 h", "1 d", "1 d 1 h"]


@outside(IEC, "§4, giga is 10⁹ and not 2³⁰", "a month's allowance of 250 GB", value="read", main=True)
def test_an_allowance_of_250_gb_ends_at_250_milliard_bytes(tmp_path: Path) -> None:
    """A gigabyte of 2³⁰ bytes would pass the provider's limit by 7 %."""
    config = write_household(tmp_path)
    path = tmp_path / "otherroof.toml"
    path.write_text(path.read_text().replace("[far.heron]\n", "[far.heron]\nmonth_gb = 250\n"))
    settings = require_settings(config)
    now = datetime(2031, 4, 10, 12, tzinfo=UTC)
    times = JobScheduleFacts(JobTimes("photos", "30 1 * * *", datetime(2031, 4, 1, tzinfo=UTC)))

    def plan(used: int) -> SchedulePlan:
        facts = ScheduleFacts(now, {"photos": times}, {"heron": FarScheduleFacts(month_bytes=used)}, frozenset())
        return plan_schedule(settings, facts)

    (run,) = plan(249_999_999_999).runs
    assert run.room == 1
    (wait,) = plan(250_000_000_000).waits
    assert wait.why == "month"
    assert wait.until == datetime(2031, 5, 1, tzinfo=ZoneInfo("America/St_Johns"))


@outside("Linux, socket(7) and asm-generic/socket.h", "SO_MAX_PACING_RATE, bytes a second, as the kernel answers it",
         "a limit of 8 Mbit/s is a million bytes a second", value="recomputed", main=True)  # fmt: skip
def test_a_limit_of_8_mbit_lets_a_million_bytes_pass_in_a_second() -> None:
    with socket.socket() as sock:
        pacing = Pacing(limit=lambda: bytes_per_s(8.0))
        try:
            pacing.add(sock)
            assert sock.getsockopt(socket.SOL_SOCKET, 47) == 8 * 10**6 // 8
        finally:
            pacing.close()
