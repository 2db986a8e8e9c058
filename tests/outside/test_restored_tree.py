"""A restored folder against the one that was copied, as archives and programs see both that no one here wrote."""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.lab.need import program, require_programs
from support.main_job import OneJob, one_job
from support.outside import outside

POSIX = "POSIX.1-2017"


@dataclass(frozen=True)
class Both:
    job: OneJob
    home: Path
    back: Path


def furnish(job: OneJob) -> None:
    """Of everything that can stand in a folder, with odd times, owners, attributes, holes and names."""
    dice = random.Random(3)
    for number, size in enumerate((0, 1, 4095, 4096, 4097, 70_000, 1_048_577)):
        job.put(f"sizes/{size}", dice.randbytes(size), mode=0o600 + number)
    for name in (b"\xff\xfe", "ä".encode(), b"new\nline", b" blank ", b"-rf", b"a" * 255):
        job.put(b"names/" + name, name)
    job.put("modes/setuid", b"x", mode=0o4755)
    job.put("modes/setgid", b"x", mode=0o2711)
    job.put("modes/none", b"x", mode=0o000)
    (job.folder / "modes/sticky").mkdir(mode=0o755)
    (job.folder / "modes/sticky").chmod(0o1777)
    (job.folder / "modes/shared").mkdir()
    (job.folder / "modes/shared").chmod(0o2775)
    (job.folder / "empty").mkdir()
    for number, (first, second) in enumerate((("twins/one", "twins/two"), ("twins/three", "elsewhere/four"))):
        job.put(first, f"twin {number}")
        job.path(second).parent.mkdir(exist_ok=True)
        os.link(job.path(first), job.path(second))
    os.link(job.path("twins/one"), job.path("elsewhere/one more"))
    for name, target in (("there", "../sizes/1"), ("nowhere", "no/such"), ("away", "/etc/hostname"), ("dot", ".")):
        job.path("links").mkdir(exist_ok=True)
        job.path(f"links/{name}").symlink_to(target)
    holes(job)
    subprocess.run(["setfattr", "-n", "user.kept", "-v", "0x00ff0a", str(job.path("sizes/1"))], check=True, timeout=30)
    subprocess.run(["setfattr", "-n", "user.folder", "-v", "said", str(job.path("sizes"))], check=True, timeout=30)
    subprocess.run(["setfacl", "-m", "u:12345:r,g:54321:rwx", str(job.path("sizes/4096"))], check=True, timeout=30)
    subprocess.run(["setfacl", "-d", "-m", "u:12345:rx", str(job.path("empty"))], check=True, timeout=30)
    if os.geteuid() == 0:
        os.chown(job.path("sizes/1"), 12345, 54321)
        os.chown(job.path("links/there"), 12345, 54321, follow_symlinks=False)
        os.chown(job.path("empty"), 12345, 0)
    times = (0, 1, 999_999_999, 1_000_000_000_000_000_001, 4_294_967_296_123_456_789)
    for number, path in enumerate(sorted(job.folder.rglob("*"), reverse=True)):
        os.utime(path, ns=(0, times[number % len(times)]), follow_symlinks=False)


def holes(job: OneJob) -> None:
    """Sparse files: a hole at the beginning, between, at the end, and nothing but a hole."""
    job.path("holes").mkdir()
    for name, size, written in (
        ("begin", 400_000, (300_000,)), ("between", 3_000_000, (0, 2_900_000)), ("end", 2_000_000, (0,)),
        ("all", 500_000, ()),
    ):  # fmt: skip
        with job.path(f"holes/{name}").open("wb") as file:
            for at in written:
                file.seek(at)
                file.write(b"data" * 1000)
            file.truncate(size)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Both]:
    require_programs("setfattr", "setfacl")
    with one_job(tmp_path_factory.mktemp("tree")) as job:
        furnish(job)
        job.done()
        found, back = job.restore()
        assert (found.damaged, found.problems) == ([], [])
        yield Both(job, job.folder, back)


def run(folder: Path, *argv: str) -> bytes:
    require_programs(argv[0])
    done = subprocess.run([program(argv[0]), *argv[1:]], cwd=folder, capture_output=True, check=True, timeout=30)
    return done.stdout


def alike(both: Both, *argv: str, least: int) -> bytes:
    """What the program says of the original, which must be this much, and the same of what came back."""
    told = run(both.home, *argv)
    assert len(told) >= least, told
    assert run(both.back, *argv) == told
    return told


def alike_by_name(both: Both, *argv: str, least: int) -> bytes:
    """As `alike`, of a program that tells of the files part by part, in the order in which a folder has them."""
    told = run(both.home, *argv)
    assert len(told) >= least, told
    assert sorted(run(both.back, *argv).split(b"\n\n")) == sorted(told.split(b"\n\n"))
    return told


# The names of the headers without the number of tar's process; times of reading and of change of a tree are its own.
PAX_OPTIONS = "--pax-option=exthdr.name=%d/PaxHeaders/%f,delete=atime,delete=ctime"
PAX = ("tar", "--format=pax", "--sort=name", "--numeric-owner", PAX_OPTIONS, "--xattrs", "--xattrs-include=*", "--acls",
       "-cf", "-", ".")  # fmt: skip
SPARSE = ("tar", "--format=gnu", "--sort=name", "--sparse", "--hole-detection=seek", "-cf", "-", "holes")


@outside(POSIX, "XCU, pax interchange format, by GNU tar", "both trees make the same archive, byte for byte", main=True,
         value="recomputed")  # fmt: skip
def test_both_trees_make_the_same_pax_archive(both: Both) -> None:
    archive = alike(both, *PAX, least=1_200_000)
    for held in (
        b"SCHILY.xattr.user.kept=\0\xff\n",
        b"SCHILY.acl.access=",
        b"mtime=4294967296.123456789\n",
        b"./names/-rf",
    ):
        assert held in archive


@outside("GNU tar", "format gnu, --sparse with --hole-detection=seek", "holes lie where they lay", main=True,
         value="recomputed")  # fmt: skip
def test_holes_lie_where_they_lay(both: Both) -> None:
    archive = alike(both, *SPARSE, least=10_000)
    assert len(archive) < 100_000, "the holes are not stored"


@outside("GNU coreutils", "stat(1), %b", "blocks that are taken by sparse files", value="recomputed", main=True)
def test_sparse_files_take_no_more_room(both: Both) -> None:
    names = ["holes/begin", "holes/between", "holes/end", "holes/all"]
    here, there = (run(folder, "stat", "-c", "%b %s %n", *names) for folder in (both.home, both.back))
    for ours, theirs in zip(here.splitlines(), there.splitlines(), strict=True):
        taken, size, name = theirs.split()
        assert [size, name] == ours.split()[1:]
        assert int(taken) <= int(ours.split()[0]) < int(size) // 512 // 4


@pytest.mark.slow  # not every memory disk keeps them, and a quick run is on one
@outside("acl", "getfacl(1)", "access lists and default lists", value="recomputed", main=True)
def test_access_lists_are_the_same(both: Both) -> None:
    told = alike_by_name(both, "getfacl", "--recursive", "--physical", "--numeric", ".", least=1000)
    for line in (b"user:12345:r--", b"group:54321:rwx", b"default:user:12345:r-x", b"# flags: s--", b"# flags: --t"):
        assert line in told


@pytest.mark.slow  # not every memory disk keeps them, and a quick run is on one
@outside("attr", "getfattr(1)", "extended attributes of files and folders", value="recomputed", main=True)
def test_extended_attributes_are_the_same(both: Both) -> None:
    told = alike_by_name(both, "getfattr", "-R", "-P", "-h", "-d", "-m", "-", "-e", "hex", ".", least=100)
    assert b"user.kept=0x00ff0a" in told
    assert b"user.folder=0x73616964" in told


@outside("GNU findutils", "find -samefile", "names of the same file", value="recomputed", main=True)
def test_names_of_one_file_are_names_of_one_file(both: Both) -> None:
    groups = {"twins/one": 3, "twins/three": 2, "sizes/1": 1}
    for name, count in groups.items():
        told = [sorted(run(folder, "find", ".", "-samefile", name).splitlines()) for folder in (both.home, both.back)]
        assert told[0] == told[1]
        assert len(told[0]) == count


@outside("GNU findutils", "find -printf", "kind, mode, owner, links, time and target of each entry",
         value="recomputed", main=True)  # fmt: skip
def test_every_entry_has_the_same_properties(both: Both) -> None:
    form = "%P %y %m %U %G %n %T@ %l\\0"
    listed = [sorted(run(folder, "find", ".", "-printf", form).split(b"\0")) for folder in (both.home, both.back)]
    assert listed[0] == listed[1]
    assert len(listed[0]) > 40
    assert any(b" 4294967296.1234567890" in line for line in listed[0]), "after 2106"


@outside("GNU diffutils", "diff -r --no-dereference", "content of every file and link", value="recomputed", main=True)
def test_diff_finds_nothing(both: Both) -> None:
    argv = ["diff", "--recursive", "--no-dereference", str(both.home), str(both.back)]
    assert run(both.home, *argv) == b""


@outside(
    "GNU coreutils", "b2sum --check", "the listing's digests hold for what came back", value="recomputed", main=True
)
def test_digests_of_the_listing_hold_for_what_came_back(both: Both) -> None:
    text = run(both.home, "zcat", str(both.job.listing(max(both.job.trees))))
    rows = [json.loads(line) for line in text.splitlines()[1:-1]]
    plain = [row for row in rows if row["kind"] == "file" and "path" in row and "\n" not in row["path"]]
    assert len(plain) > 15
    sums = "".join(f"{row['digest']}  {row['path']}\n" for row in plain).encode()
    argv = [program("b2sum"), "-l", "256", "--check", "--strict", "--quiet"]
    done = subprocess.run(argv, input=sums, cwd=both.back, capture_output=True, timeout=30, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


@outside(POSIX, "XCU, cmp, and the layout that READ-ME-FIRST.txt promises", "the newest copy is ordinary files",
         main=True, value="recomputed")  # fmt: skip
def test_the_newest_copy_is_ordinary_files_at_their_paths(both: Both) -> None:
    argv = ["diff", "--recursive", "--no-dereference", str(both.home), str(both.job.latest)]
    assert run(both.home, *argv) == b""


@outside(POSIX, "XBD 3.164, file types: sockets and pipes", "what is no file, folder or link is left out and counted",
         value="from memory", main=True)  # fmt: skip
def test_sockets_and_pipes_are_left_out_and_counted(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        job.put("file", b"x")
        os.mkfifo(job.path("pipe"))
        with socket.socket(socket.AF_UNIX) as way:
            way.bind(str(job.path("socket")))
        result = job.run()
        assert (result.report.outcome, result.report.files.left_out) == ("done", 2)
        _, back = job.restore()
        assert run(back, "find", ".", "-mindepth", "1", "-printf", "%y %P\n") == b"f file\n"
