"""A listing as programs see it that no one here wrote, and the digests and tags in it against published ones."""

from __future__ import annotations

import bz2
import gzip
import json
import os
import subprocess
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import Damaged
from otherroof.copying.home.read import new_digest
from otherroof.far_copy.entry import Entry, parse_line
from otherroof.far_copy.listing import check_listing
from otherroof.far_copy.listing_key import ListingKey, read_key
from support.blake2b import blake2b
from support.lab.need import program, require_programs
from support.main_job import OneJob, one_job
from support.outside import outside

ODD = (b"\xff\xfe not UTF-8", "ä".encode(), "a\u0308".encode(), b'"quoted" \\ and\ttab', b"\x01", b"new\nline")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[OneJob]:
    with one_job(tmp_path_factory.mktemp("listing")) as made:
        for name in ODD:
            made.put(name, name * 3)
        made.put("sub/file", b"x" * 5000)
        made.done()
        yield made


def run(*argv: str, stdin: bytes | None = None, code: int = 0) -> bytes:
    require_programs(argv[0])
    done = subprocess.run([program(argv[0]), *argv[1:]], input=stdin, capture_output=True, timeout=30, check=False)
    assert done.returncode == code, done.stderr.decode(errors="replace")
    return done.stdout


def lines_of(job: OneJob) -> list[bytes]:
    return run("zcat", str(job.listing(max(job.trees)))).splitlines(keepends=True)


def keyed_digest(key: str, path: Path) -> str:
    """By OpenSSL."""
    options = (f"hexkey:{key}", "size:32", "custom:otherroof-list")
    more = [word for option in options for word in ("-macopt", option)]
    return run("openssl", "mac", *more, "-in", str(path), "BLAKE2BMAC").decode().strip().lower()


@outside("GNU gzip", "gzip -t", "a listing is whole, and a listing cut short is not", value="recomputed", main=True)
def test_a_listing_passes_gzips_own_test(job: OneJob, tmp_path: Path) -> None:
    path = job.listing(max(job.trees))
    run("gzip", "-t", str(path))
    cut = tmp_path / "cut.gz"
    cut.write_bytes(path.read_bytes()[:-3])
    run("gzip", "-t", str(cut), code=1)


@outside(
    "RFC 1952", "§2.2 and §2.3.1", "members one after the other, each with its head", value="from memory", main=True
)
def test_a_listing_is_gzip_members_one_after_the_other(job: OneJob) -> None:
    data = job.listing(max(job.trees)).read_bytes()
    # ID1 ID2, CM 8 is deflate, FLG 0: no name, no comment.
    assert data[:4] == b"\x1f\x8b\x08\x00"
    assert data.count(b"\x1f\x8b\x08\x00") >= 3, "header, entries, digest"
    assert gzip.decompress(data) == b"".join(lines_of(job))


@outside("RFC 8259", "§2, §7 and §8.1, by jq(1)", "each line is JSON in UTF-8", value="recomputed", main=True)
def test_each_line_is_json_for_another_reader(job: OneJob) -> None:
    require_programs("jq")
    told = run("jq", "-c", 'select(.kind == "file") | [.size, .mode]', stdin=b"".join(lines_of(job))).split()
    wanted = sorted(f'[{3 * len(name)},"0644"]'.encode() for name in ODD)
    assert sorted(told) == sorted([*wanted, b'[5000,"0644"]'])


@outside(
    "RFC 8259", "§7, characters that must be escaped", "names with quotes and controls", value="from memory", main=True
)
def test_what_json_must_escape_is_escaped(job: OneJob) -> None:
    text = b"".join(lines_of(job))
    for raw, escaped in ((b'"quoted" \\ and\ttab', rb"\"quoted\" \\ and\ttab"), (b"\x01", rb"\u0001"),
                         (b"new\nline", rb"new\nline")):  # fmt: skip
        assert raw not in text.replace(b"\n{", b"{")
        assert b'"path":"' + escaped + b'"' in text


@outside(
    "OpenSSL", "openssl mac BLAKE2BMAC, custom", "the keyed digest in a listing's last line", value="recomputed",
    main=True,
)  # fmt: skip
def test_keyed_digest_is_the_one_of_openssl(job: OneJob, tmp_path: Path) -> None:
    lines = lines_of(job)
    secret = job.settings.path(job.settings.home.listing_key)
    before = tmp_path / "before"
    before.write_bytes(b"".join(lines[:-1]))
    told = keyed_digest(Path(secret).read_text().strip(), before)
    last = json.loads(lines[-1])
    assert last == {"entries": len(lines) - 2, "keyed_digest": told}
    assert read_key(str(secret)).home_id == json.loads(lines[0])["home_id"]


@outside(
    "RFC 7693", "§3 written out in tests/support/blake2b.py, §2.5 with a person (BLAKE2 paper, §2.8)",
    "the keyed digest of a listing and the home's id", value="recomputed", main=True,
)  # fmt: skip
@pytest.mark.parametrize("text", [b"", b"abc", b"x" * 127, b"x" * 128, b"x" * 129, bytes(range(256)) * 3])
def test_keyed_digest_and_home_id_are_those_of_the_rfcs_algorithm(text: bytes) -> None:
    secret = bytes(range(32))
    key = ListingKey(secret)
    mac = key.mac()
    mac.update(text)
    assert mac.digest() == blake2b(text, 32, secret, b"otherroof-list")
    assert bytes.fromhex(key.home_id) == blake2b(b"home", 8, secret, b"otherroof-home")


@outside("GNU coreutils", "b2sum -l 256, empty input and abc", "the digest of a file", value="recomputed", main=True)
def test_digests_of_nothing_and_of_abc_are_those_of_b2sum() -> None:
    for content in (b"", b"abc"):
        digest = new_digest()
        digest.update(content)
        assert run("b2sum", "-l", "256", stdin=content).split()[0].decode() == digest.hexdigest()


@outside("OpenSSL", "openssl mac BLAKE2BMAC with another key", "one letter changed is found", main=True,
         value="recomputed")  # fmt: skip
def test_a_listing_with_one_letter_changed_is_refused(job: OneJob, tmp_path: Path) -> None:
    """Invariant 5. The digest that OpenSSL makes for the changed text with another key does not help."""
    lines = lines_of(job)
    key = read_key(str(job.settings.path(job.settings.home.listing_key)))
    newest = max(job.trees)
    whole, changed = tmp_path / "whole.gz", tmp_path / "changed.gz"
    whole.write_bytes(run("gzip", "-c", stdin=b"".join(lines)))
    assert check_listing(str(whole), key, "papers", newest).run == newest, "packed by another program it is as good"
    text = b"".join(lines[:-1]).replace(b'"size":5000', b'"size":5001')
    (tmp_path / "text").write_bytes(text)
    forged = keyed_digest("11" * 32, tmp_path / "text")
    last = json.dumps({"entries": len(lines) - 2, "keyed_digest": forged}).encode() + b"\n"
    changed.write_bytes(gzip.compress(text + last))
    with pytest.raises(Damaged, match="changed since it was written"):
        check_listing(str(changed), key, "papers", newest)


@outside("RFC 4648", "§10, test vectors of BASE64", "names and attributes that are not text", main=True,
         value="from memory, recomputed", each=True)  # fmt: skip
@pytest.mark.parametrize(
    ("plain", "packed"),
    [(b"f", "Zg=="), (b"fo", "Zm8="), (b"foo", "Zm9v"), (b"foob", "Zm9vYg=="), (b"fooba", "Zm9vYmE="),
     (b"foobar", "Zm9vYmFy")],
)  # fmt: skip
def test_attributes_are_in_base64_of_the_rfc(plain: bytes, packed: str) -> None:
    entry = Entry(b"a", "file", 0, 0, 0o644, 0, 0, digest=bytes(32), xattrs={"user.x": plain})
    assert f'"xattrs":{{"user.x":"{packed}"}}' in entry.line()
    assert parse_line(entry.line().encode()).xattrs == {"user.x": plain}
    name = b"\xff" + plain  # no UTF-8, so the whole name is in base64
    told = run("base64", "-w0", stdin=name).decode()
    line = Entry(name, "folder", 0, 0, 0o755, 0, 0).line()
    assert line.startswith(f'{{"path64":"{told}",')
    assert parse_line(line.encode()).path == name


UTF_8 = {
    "U+007F": b"\x7f", "U+0080": b"\xc2\x80", "U+07FF": b"\xdf\xbf", "U+0800": b"\xe0\xa0\x80",
    "U+D7FF": b"\xed\x9f\xbf", "U+E000": b"\xee\x80\x80", "U+FFFF": b"\xef\xbf\xbf", "U+10000": b"\xf0\x90\x80\x80",
    "U+10FFFF": b"\xf4\x8f\xbf\xbf",
}  # fmt: skip
NOT_UTF_8 = {
    "C0 80": b"\xc0\x80", "a surrogate": b"\xed\xa1\x8c\xed\xbe\xb4", "an overlong slash": b"\xe0\x80\xaf",
    "above U+10FFFF": b"\xf4\x90\x80\x80", "a lone continuation": b"\x80", "cut short": b"\xe2\x82", "F8": b"\xf8\x88",
}  # fmt: skip


@outside("RFC 3629", "§3 and §4, table of byte sequences", "names at the borders of UTF-8 stand as text", main=True,
         value="from memory", each=True)  # fmt: skip
@pytest.mark.parametrize("name", UTF_8.values(), ids=UTF_8)
def test_names_in_utf_8_stand_as_text(name: bytes) -> None:
    line = Entry(name, "folder", 0, 0, 0o755, 0, 0).line().encode()
    assert line.startswith(b'{"path":"' + name + b'"')
    assert parse_line(line).path == name


@outside("RFC 3629", "§3 and §10, invalid sequences", "names that are no UTF-8 are carried whole", value="from memory",
         main=True, each=True)  # fmt: skip
@pytest.mark.parametrize("name", NOT_UTF_8.values(), ids=NOT_UTF_8)
def test_names_that_are_no_utf_8_are_carried_whole(name: bytes) -> None:
    line = Entry(name, "folder", 0, 0, 0o755, 0, 0).line().encode()
    assert line.startswith(b'{"path64":"')
    assert parse_line(line).path == name


NORMALIZATION = Path("/usr/share/unicode/NormalizationTest.txt.bz2")


@outside("Unicode Character Database 15.0", "NormalizationTest.txt, columns 1 to 5",
         "names that look alike stay apart, byte for byte", value="read", main=True)  # fmt: skip
def test_names_of_unicodes_normalization_test_stay_byte_for_byte() -> None:
    if not NORMALIZATION.exists():
        if os.environ.get("CI") == "true":
            pytest.fail("unicode-data must be installed where CI=true")
        pytest.skip("unicode-data is not installed")
    rows = changed = 0
    for line in bz2.decompress(NORMALIZATION.read_bytes()).decode().splitlines():
        if not line or line[0] in "#@":
            continue
        names = ["".join(chr(int(one, 16)) for one in column.split()) for column in line.split(";")[:5]]
        rows += 1
        changed += len(set(names)) > 1
        if rows % 7:
            continue  # of 19 thousand, so that it takes no second
        # Compatible forms of some letters hold a slash or are a dot alone, which no file's name is.
        paths = {name.encode() for name in names if "/" not in name and name.strip(".")}
        assert {parse_line(Entry(path, "folder", 0, 0, 0o755, 0, 0).line().encode()).path for path in paths} == paths
    assert rows > 18_000
    assert changed > 15_000
    assert unicodedata.normalize("NFD", "ä") == "a\u0308"


@outside("Unicode Standard Annex 15", "§1.1, canonical equivalence: U+00E4 and U+0061 U+0308",
         "two files whose names look alike are two files, and both come back", value="from memory",
         main=True)  # fmt: skip
def test_two_names_that_look_alike_are_two_files(job: OneJob) -> None:
    composed, decomposed = "ä".encode(), "a\u0308".encode()
    _, back = job.restore()
    found = set(os.listdir(os.fsencode(back)))
    assert {composed, decomposed} <= found
    assert (back / os.fsdecode(composed)).read_bytes() == composed * 3
    assert (back / os.fsdecode(decomposed)).read_bytes() == decomposed * 3
    assert found == {*ODD, b"sub"}
