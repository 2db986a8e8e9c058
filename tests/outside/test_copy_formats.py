"""The copy's own formats against what is published, and against programs that no one here wrote."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.copying.home.chunks import Chunker
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.copying.home.read import SourceFolder, new_digest
from otherroof.copying.home.scan import Scan
from otherroof.far_copy.numbers import join_path
from support.blake2b import blake2b
from support.main_job import OneJob, one_job
from support.outside import outside


def need(program: str) -> str:
    found = shutil.which(program)
    if found is None:
        why = f"{program} is not installed"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    return found


# RFC 7693, appendix A: BLAKE2b-512 of "abc".
BLAKE2B_ABC = (
    "ba80a53f981c4d0d6a2797b69f12f6e94c212f14685ac4b74b12bb6fdbffa2d1"
    "7d87c5392aab792dc252d5de4533cc9518d38aa8dbf1925ab92386edd4009923"
)


@outside("RFC 7693", "App. A, with §3 written out in tests/support/blake2b.py", "the digest of a file's content",
         main=True, value="from memory, recomputed")  # fmt: skip
def test_digest_is_blake2b_of_rfc_7693() -> None:
    """The RFC's own value is of 64 bytes: it holds the algorithm as it is written out; that holds ours, of 32."""
    assert blake2b(b"abc").hex() == BLAKE2B_ABC
    for content in (b"", b"abc", b"x" * 128, bytes(range(256)) * 5):
        digest = new_digest()
        digest.update(content[:7])
        digest.update(content[7:])
        assert digest.digest() == blake2b(content, 32)


@outside(
    "GNU coreutils",
    "b2sum -l 256",
    "the digest that the scan takes of a file",
    value="recomputed",
    main=True,
    each=True,
)
@pytest.mark.parametrize("size", [0, 3, 127, 128, 129, 1_048_576, 2_500_000])
def test_digest_of_a_file_is_what_coreutils_print(tmp_path: Path, size: int) -> None:
    """`b2sum -l 256`, which a person at the far box has."""
    path = tmp_path / "file"
    path.write_bytes(random.Random(size).randbytes(size))
    told = subprocess.run([need("b2sum"), "-l", "256", str(path)], capture_output=True, check=True, timeout=30).stdout
    source = SourceFolder(os.fsencode(tmp_path), SystemClock())
    assert source.digest(b"file")[1].digest.hex() == told.split()[0].decode()
    source.close()


@outside("RFC 8439", "§2.5.2", "the tag of a chunk", value="read", main=True)
def test_chunk_tag_is_poly1305_of_rfc_8439() -> None:
    """RFC 8439, section 2.5.2: key, message and tag (values from memory, and they agree)."""
    key = bytes.fromhex("85d6be7857556d337f4452fe42d506a80103808afb0db2fd4abff6af4149f51b")
    chunker = Chunker(64 * 1024, key)
    assert chunker.feed(b"Cryptographic Forum Research Group") == []
    ((_, tag),) = chunker.finish()
    assert tag.hex() == "a8061dc1305136c6c22b8baf0c0127a9"


@outside(
    "Cache Directory Tagging Specification",
    "§Specification",
    "the tag of a folder that is left out",
    value="from memory",
    main=True,
)
def test_cache_tag_is_that_of_the_specification(tmp_path: Path) -> None:
    """https://bford.info/cachedir/ : "Signature: " and the MD5 of ".IsCacheDirectory", at the very beginning."""
    tag = b"Signature: 8a477f597d28d172789f06886806bc55"
    assert tag == b"Signature: " + hashlib.md5(b".IsCacheDirectory").hexdigest().encode()
    contents = {"tagged": tag + b"\n# a comment", "later": b"\n" + tag, "other": tag[:-1] + b"6"}
    for name, content in contents.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "CACHEDIR.TAG").write_bytes(content)
        (tmp_path / name / "kept").write_bytes(b"")
    found = {join_path(batch.folder, name) for batch in Scan(os.fsencode(tmp_path)) for name in batch.names}
    assert {path for path in found if path.endswith(b"kept")} == {b"later/kept", b"other/kept"}


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        dice = random.Random(1)
        for number in range(50):
            made.put(f"{number % 4}/{number:02} ä", dice.randbytes(dice.randrange(20_000)))
        made.put("big", dice.randbytes(3_000_000))
        made.done()
        made.put("0/00 ä", b"changed")
        made.done()
        yield made


@outside(
    "GNU coreutils",
    "b2sum --check, over a listing read by zcat",
    "the far copy can be checked with no tool of ours",
    value="recomputed",
    main=True,
)
def test_far_copy_can_be_checked_with_zcat_and_b2sum_alone(job: OneJob) -> None:
    """What the note at the far end promises to somebody who has no tool of ours."""
    newest = max(job.trees)
    text = subprocess.run([need("zcat"), str(job.listing(newest))], capture_output=True, check=True, timeout=30).stdout
    rows = [json.loads(line) for line in text.splitlines()][1:-1]
    sums = "".join(f"{row['digest']}  {row['path']}\n" for row in rows if row["kind"] == "file")
    assert sums.count("\n") == 51
    check = [need("b2sum"), "-l", "256", "--check", "--strict", "--quiet"]
    done = subprocess.run(check, input=sums.encode(), cwd=job.latest, capture_output=True, timeout=30, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
    (job.latest / "0/04 ä").write_bytes(b"spoiled")
    done = subprocess.run(check, input=sums.encode(), cwd=job.latest, capture_output=True, timeout=30, check=False)
    assert done.returncode == 1


@outside(
    "POSIX.1-2017",
    "XCU, cp, by the recipe in READ-ME-FIRST.txt",
    "an earlier version can be put together with no tool of ours",
    value="recomputed",
    main=True,
)
def test_version_can_be_put_together_with_cp_alone(job: OneJob, tmp_path: Path) -> None:
    """The recipe in READ-ME-FIRST.txt: `latest`, then over it what later nights moved aside, the oldest last."""
    first, second = sorted(job.trees)
    by_hand = tmp_path / "by hand"
    for source in (job.latest, job.earlier(second)):
        subprocess.run([need("cp"), "-rT", str(source), str(by_hand)], check=True, timeout=30)
    _, back = job.restore(first)
    done = subprocess.run([need("diff"), "-r", str(by_hand), str(back)], capture_output=True, timeout=30, check=False)
    assert (done.returncode, done.stdout) == (0, b"")


PATTERNS = (
    ("*.tmp",), ("*.tmp", "!keep.tmp"), ("/top",), ("build/",), ("a/b",), ("**/cache",), ("logs/**",), ("a/**/z",),
    ("# a comment", "", "*.log"), ("\\#file", "\\!bang"), ("foo[0-9].txt",), ("fo?",), ("trailing ",),
    ("dir/*", "!dir/in"), ("*", "!*/", "!*.txt"), (".*",), ("Upper",), ("x*y",), ("/a/*", "!/a/b"), ("*", "!n"),
    ("fo[!b]",), ("fo[^b]*",), ("[[:upper:]]*",), ("fo[z-a]",), ("fo[]b]",), ("fo[",), ("\\a",), ("?.txt", "??.txt"),
    ("trailing\\ ",), ("a/",), ("/",), ("**",), ("**/b",), ("a/**",), ("*/b",), ("build", "!build/x"), ("[[:no:]]",),
)  # fmt: skip
ENTRIES = (
    "a.tmp", "keep.tmp", "top", "sub/top", "build/x", "sub/build/y", "sub2/build", "a/b", "a/c/b", "cache/1",
    "s/cache/2", "logs/1", "logs/d/2", "s/logs/3", "a/z", "a/y/z", "a/y/x/z", "e.log", "#file", "!bang", "foo1.txt",
    "fooa.txt", "fob", "fobb", "trailing", "trailing ", "dir/in", "dir/out", "n/p.txt", "n/p.bin", ".hid", "n/.hid/f",
    "upper", "Upper", "xAy", "ä.txt", "fo]", "fo[",
)  # fmt: skip


@outside(
    "Git",
    "gitignore(5), by git ls-files",
    "what a leave-out pattern leaves out",
    value="recomputed",
    main=True,
    each=True,
)
@pytest.mark.parametrize("patterns", PATTERNS, ids=" ".join)
def test_patterns_leave_out_what_git_ignores(tmp_path: Path, patterns: tuple[str, ...]) -> None:
    """gitignore(5), by git itself: `git ls-files --others` with the same lines."""
    root = tmp_path / "root"
    for name in ENTRIES:
        path = root / name
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"")
    lines = tmp_path / "patterns"
    lines.write_text("\n".join(patterns) + "\n")
    git = [need("git"), "-c", "core.excludesFile=/dev/null", "-C", str(root)]
    subprocess.run([*git, "init", "--quiet"], check=True, timeout=30)
    listed = [*git, "ls-files", "--others", "-z", f"--exclude-from={lines}"]
    wanted = subprocess.run(listed, capture_output=True, check=True, timeout=30).stdout.split(b"\0")[:-1]
    shutil.rmtree(root / ".git")
    scan = Scan(os.fsencode(root), left_out=leave_out_rule(patterns))
    found = [join_path(batch.folder, name) for batch in scan for name in batch.names]
    assert [path for path in found if not os.path.isdir(os.path.join(os.fsencode(root), path))] == sorted(wanted)
