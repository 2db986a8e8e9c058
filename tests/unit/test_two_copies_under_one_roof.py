"""Two far boxes that are one machine: their copies stand under one roof, and count as no more than that, everywhere."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.clock import SteppedClock
from otherroof.cli.main import main
from otherroof.forecast.planning.outlook import outlook
from otherroof.jobs.planning.gather import facts_of
from otherroof.jobs.planning.request import PlanRequest
from otherroof.ledger import Ledger
from otherroof.pairing.sheet.content import sheet_content
from otherroof.settings import FarBox, Settings, read_parts
from otherroof.settings.copies.one_place import at_one_place
from otherroof.settings.copies.remarks import copies_under_one_roof
from otherroof.settings.copies.roofs import has_same_address, has_same_key, roofs
from otherroof.watch import digest
from otherroof.watch.overview import overview
from support.household import host_key
from support.lab.household import toml_text
from support.simulated import household
from support.watching import HOUR, NOW, Night, run_id

TWO: dict[str, dict[str, object]] = {
    f"photos@{box}": {"folder": "/srv/family/photos", "far": box} for box in ("heron", "wren")
}


def box(**changed: Any) -> dict[str, Any]:
    usual = {"address": "192.0.2.7", "account": "copykeeper", "login_key": "keys/far", "host_key": host_key(1)}
    return usual | {"base": "/copies"} | changed


def remarks(where: Path, heron: dict[str, Any], wren: dict[str, Any], far: object = ("heron", "wren")) -> list[str]:
    raw = {"home": {"name": "larch", "zone": "America/St_Johns"}, "far": {"heron": heron, "wren": wren}}
    (where / "jobs").mkdir(parents=True)
    (where / "otherroof.toml").write_text(toml_text(raw))
    for number, boxes in enumerate(far if isinstance(far, list) else [list(far)]):  # type: ignore[call-overload]
        job = {"folder": "/srv/family/photos", "far": boxes, "at": "30 1 * * *"}
        (where / "jobs" / f"photos{number or ''}.toml").write_text(toml_text(job))
    return [one.line() for one in copies_under_one_roof(read_parts(str(where)))]


ONE_MACHINE = {
    "the same host key, for another account": {"address": "192.0.2.8", "account": "keeper"},
    "another key of the same address": {"host_key": host_key(2), "base": "/more"},
    "another port of the same address": {"host_key": host_key(2), "port": 2222},
}
TWO_MACHINES = {
    "another key and address": {"host_key": host_key(2), "address": "192.0.2.8"},
}


SPELLINGS = [
    ("2001:db8::7", "2001:DB8:0:0::7"),
    ("192.0.2.7", "::ffff:192.0.2.7"),
    ("heron.example.org", "Heron.Example.ORG."),
]


@pytest.mark.parametrize("spellings", SPELLINGS, ids=["IPv6", "IPv4 in IPv6", "name"])
def test_one_address_in_two_spellings_is_one_roof_and_one_place(tmp_path: Path, spellings: tuple[str, str]) -> None:
    one, other = spellings
    heron, wren = box(address=one), box(address=other, host_key=host_key(2))
    (line,) = remarks(tmp_path / "roof", heron, wren | {"base": "/more"})
    assert "stand under one roof" in line
    assert remarks(tmp_path / "place", heron, wren) == []
    assert [mistake.key for mistake in read_parts(str(tmp_path / "place")).mistakes] == ["far"]


@pytest.mark.parametrize("wren", ONE_MACHINE.values(), ids=ONE_MACHINE)
def test_two_far_boxes_that_are_one_machine_are_told_of_in_one_line(tmp_path: Path, wren: dict[str, Any]) -> None:
    (line,) = remarks(tmp_path, box(), box(**wren))
    assert line == (
        f"{tmp_path}/jobs/photos.toml: far: heron and wren have one host key or one address: both copies of "
        "/srv/family/photos stand under one roof, and one fire takes both; take a far box in another house for the "
        "second one"
    )


@pytest.mark.parametrize("wren", TWO_MACHINES.values(), ids=TWO_MACHINES)
def test_two_machines_are_two_roofs(tmp_path: Path, wren: dict[str, Any]) -> None:
    assert remarks(tmp_path, box(), box(**wren)) == []


def test_ways_of_other_programs_that_end_at_this_machine_lead_to_two_roofs(tmp_path: Path) -> None:
    for number, address in enumerate(("127.0.0.1", "::1", "localhost", "LocalHost.", "::ffff:127.0.0.1")):
        heron, wren = box(address=address, port=2201), box(address=address, port=2202, host_key=host_key(2))
        assert remarks(tmp_path / str(number), heron, wren) == []


def test_two_files_that_copy_one_folder_to_one_machine_are_seen_as_well(tmp_path: Path) -> None:
    (line,) = remarks(tmp_path, box(), box(base="/more"), ["heron", "wren"])
    assert "photos1.toml: far: heron and wren have one host key" in line


def test_what_is_refused_as_one_place_is_not_remarked_on_too(tmp_path: Path) -> None:
    assert remarks(tmp_path, box(), box(address="192.0.2.8")) == []
    assert [mistake.key for mistake in read_parts(str(tmp_path)).mistakes] == ["far"]


def test_check_tells_it_and_is_no_mistake(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    remarks(tmp_path, box(), box(base="/more"))
    parts = read_parts(str(tmp_path))
    assert parts.mistakes == []
    with pytest.raises(SystemExit):
        main(["check", "--config", str(tmp_path)])
    (mind,) = [line for line in capsys.readouterr().out.splitlines() if "one roof" in line]
    assert mind.startswith("mind: ")


@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 2)), min_size=1, max_size=5))
def test_boxes_are_under_one_roof_if_a_chain_of_keys_and_addresses_joins_them(given: list[tuple[int, int]]) -> None:
    far = {
        f"box{number}": FarBox(**box(host_key=host_key(key), address=f"192.0.2.{address + 1}"))
        for number, (key, address) in enumerate(given)
    }
    found = roofs(far)
    for name, under in found.items():
        assert name in under
        assert {found[other] for other in under} == {under}
        for other in set(far) - set(under):
            assert far[name].host_key != far[other].host_key
            assert far[name].address != far[other].address


def lived(where: Path, **wren: object) -> tuple[Settings, Ledger, SteppedClock]:
    """A household whose two copies of one folder are of last night."""
    settings = household(TWO, zone="UTC", far={"heron": {}, "wren": {}})
    boxes = {"heron": settings.far["heron"], "wren": settings.far["wren"].model_copy(update=wren)}
    ledger = Ledger(str(where / "ledger.sqlite"))
    for place, (job, made) in enumerate(settings.jobs.items()):
        at = NOW - (8 - place) * HOUR
        ledger.runs.begin(job, run_id(at), made.far, at)
        ledger.runs.end(Night().report(job, run_id(at)), at + timedelta(minutes=4))
    return settings.model_copy(update={"far": boxes}), ledger, SteppedClock(NOW)


@pytest.mark.parametrize("one", [True, False])
def test_status_digest_plan_and_sheet_count_one_machine_as_one_roof(tmp_path: Path, *, one: bool) -> None:
    settings, ledger, clock = lived(tmp_path, **({"host_key": host_key(0)} if one else {}))
    under = " under one roof" if one else ""
    line = f"2 copies{under}: heron last night, wren last night"
    (folder,) = overview(settings, ledger, clock).as_json()["folders"]
    assert (folder["said"], folder["roofs"]) == (line, 1 if one else 2)
    weekly = digest.make(settings, ledger, clock)
    assert weekly.several == [f"photos: {line}"]
    assert {job.copies.count for job in weekly.jobs} == {2 if one else 3}
    roof = "under the roof of heron and wren" if one else "under the roof of heron; under the roof of wren"
    assert roof in " ".join(digest.as_text(weekly).split())
    copies = outlook(facts_of(settings, "photos@wren", ledger, clock.now(), PlanRequest(up_mbit=20.0))).as_json()
    assert copies["figures"]["copies.there"]["likely"] == (2 if one else 3)
    ways = [box.way for box in sheet_content(settings, ledger, clock.now(), {}).boxes]
    said = ["; it stands under one roof with wren" in way for way in ways]
    assert said == [one, False]
    ledger.close()


def test_what_tells_one_machine_by_its_settings() -> None:
    heron = FarBox(**box(host_key=f"{host_key(1)} copied at the box"))
    wren = FarBox(**box(host_key=f"{host_key(1)} as written down", address="192.0.2.8"))
    assert has_same_key(heron, wren), "what stands behind a key is a remark"
    tunnel = {"kind": "command", "up": ["/usr/local/bin/up"], "down": ["/usr/local/bin/down"], "test": ["/bin/true"]}
    beside = FarBox(**box(host_key=host_key(2), tunnel=tunnel))
    assert not has_same_address(heron, beside), "through another tunnel the same address is another one"
    assert roofs({"heron": heron, "beside": beside}) == {"heron": ("heron",), "beside": ("beside",)}


def test_copies_at_one_place_are_those_of_one_folder_in_one_folder_of_one_machine() -> None:
    papers = {"papers@wren": {"folder": "/srv/papers", "far": "wren"}}
    jobs = household(TWO | papers, zone="UTC", far={"heron": {}, "wren": {}}).jobs

    def found(**changed: Any) -> dict[str, str]:
        return at_one_place(jobs, {"heron": FarBox(**box()), "wren": FarBox(**box(**changed))})

    at_one = {"photos@wren": "photos@heron"}
    assert found() == at_one
    assert found(base="/copies/") == at_one
    assert found(address="192.0.2.8") == at_one, "one host key is one machine's"
    assert found(host_key=host_key(2)) == at_one, "a machine may have several keys"
    assert found(host_key=host_key(2), port=2222) == {}, "behind one address there may be two machines"
    assert found(account="keeper") == {}
    assert found(base="/more") == {}
