"""Settings files that are no TOML are told in one line that names the file; none of them is taken, and none is a crash.

The cases are the examples that the specification (TOML 1.0.0, https://toml.io/en/v1.0.0, read in a stored copy) calls
invalid, and what its sentences forbid; each has the name of its file in the toml-test suite, if there is one (names
from memory). The suite itself lies in no package of Debian's or of PyPI's, so the texts are written here.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.base.errors import WrongUse
from otherroof.pairing.answers import read_answers
from otherroof.settings import read_parts, read_settings
from support.household import write_household
from support.outside import COMMON, outside

INVALID = {
    "spec/key-value-pair-1: no value": "key = # INVALID",
    "spec/key-value-pair-2: two on a line": 'first = "Tom" last = "Preston-Werner" # INVALID',
    "spec/keys-2: no key": '= "no key name"',
    "spec/keys-2: multi-line string as a key": '"""key"""  = "not allowed"',
    "spec/keys: defined twice": 'name = "Tom"\nname = "Pradyun"',
    "spec/keys: bare and quoted are the same": 'spelling = "favorite"\n"spelling" = "favourite"',
    "spec/keys: an integer is no table": "fruit.apple = 1\nfruit.apple.smooth = true",
    "spec/string-4: three quotation marks within": 'str5 = """Here are three quotation marks: """."""',
    "spec/string-7: fifteen apostrophes": "apos15 = '''Here are fifteen apostrophes: ''''''''''''''''''",
    "string: reserved escape": r'x = "\a"',
    "string: escape that is no scalar value": r'x = "\uD800"',
    "string: control character": 'x = "\x01"',
    "string: newline in a basic string": 'x = "a\nb"',
    "string: never ended": 'x = "a',
    "integer: leading zero": "x = 01",
    "integer: underscore at its end": "x = 1_",
    "integer: two underscores": "x = 1__0",
    "integer: signed hexadecimal": "x = +0xff",
    "integer: no digits": "x = 0b",
    "float: .7": "invalid_float_1 = .7",
    "float: 7.": "invalid_float_2 = 7.",
    "float: 3.e+20": "invalid_float_3 = 3.e+20",
    "float: capital INF": "x = Inf",
    "bool: capital": "x = True",
    "datetime: month 13": "x = 2031-13-01",
    "datetime: 30 February": "x = 2031-02-30T00:00:00Z",
    "array: never ended": "x = [1, 2",
    "array: no comma": "x = [1 2]",
    "spec/table-9: a table twice": '[fruit]\napple = "red"\n[fruit]\norange = "orange"',
    "spec/table: a key is a table": '[fruit]\napple = "red"\n[fruit.apple]\ntexture = "smooth"',
    "spec/inline-table-2: added to afterwards": '[product]\ntype = { name = "Nail" }\ntype.edible = false',
    "spec/inline-table-3: takes the place of a table": '[product]\ntype.name = "Nail"\ntype = { edible = false }',
    "inline-table: comma at its end": "x = { a = 1, }",
    "spec/array-of-tables: a static array": "fruits = []\n[[fruits]]\nx = 1",
    "spec/array-of-tables: a table and an array": '[fruit.physical]\ncolor = "red"\n[[fruit]]\nname = "apple"',
    "control: carriage return alone": "x = 1\ry = 2",
    "control: NUL in a comment": "x = 1 # \0",
    "encoding: no UTF-8": b'x = "\xff"',
    "encoding: UTF-16": 'x = "a"'.encode("utf-16"),
}  # fmt: skip


@outside("TOML 1.0.0", "invalid examples of the specification, with the names of toml-test",
         "a settings file that is no TOML is told and not taken", value="read", each=True)  # fmt: skip
@pytest.mark.parametrize("text", INVALID.values(), ids=INVALID)
def test_a_file_that_is_no_toml_is_told_in_one_line(text: str | bytes, tmp_path: Path) -> None:
    data = text if isinstance(text, bytes) else text.encode()
    config = write_household(tmp_path)
    main, job = tmp_path / "otherroof.toml", tmp_path / "jobs" / "photos.toml"
    job.write_bytes(data)
    (mistake,) = read_parts(config).mistakes
    assert (mistake.file, mistake.wrong.startswith("is not TOML: ")) == (str(job), True)
    assert "\n" not in mistake.line()
    assert main.exists()
    main.write_bytes(main.read_bytes() + b"\n" + data + b"\n")
    assert read_settings(config)[0] is None, "with a main file that cannot be read nothing is done"
    assert read_settings(config)[1][0].file == str(main)
    job.rename(tmp_path / "answers.toml")
    with pytest.raises(WrongUse, match="is not TOML"):
        read_answers(str(tmp_path / "answers.toml"), first_box=True)


@outside("TOML 1.0.0", "integer: 64 bits are to be taken; nesting has no bound", "texts past what the reader can hold",
         value="read")  # fmt: skip
@pytest.mark.parametrize("text", ["x = " + "[" * 100_000, "x = 1" + "0" * 5000, "x = " + "{a = " * 50_000])
def test_what_the_reader_cannot_hold_is_told_too(text: str, tmp_path: Path) -> None:
    config = write_household(tmp_path)
    (tmp_path / "jobs" / "photos.toml").write_text(text)
    (mistake,) = read_parts(config).mistakes
    assert mistake.wrong.startswith("is not TOML: ")
    with pytest.raises(WrongUse, match="is not TOML"):
        read_answers(str(tmp_path / "jobs" / "photos.toml"), first_box=True)


@outside(COMMON, "", "the household of these tests is read without a mistake", value="recomputed")
def test_the_household_itself_has_no_mistake(tmp_path: Path) -> None:
    assert read_parts(write_household(tmp_path)).mistakes == []
