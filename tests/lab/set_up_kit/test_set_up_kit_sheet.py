"""A new home that has nothing but the recovery sheet: through the tunnel, with the keys that were typed."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from support.by_find import seen_by_find, unlike
from support.paired_houses import Tunnelled
from support.pairing import FAR
from support.set_up_kit import wait_until
from support.sheets import letters_of

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.lasts(60)]

NEW_ADDRESS = "192.168.71.9"


def test_letters_alone_bring_another_server_through_the_tunnel_to_every_file(both: Tunnelled, tmp_path: Path) -> None:
    where, family = both.household.where, tmp_path / "family"
    (family / "2019").mkdir(parents=True)
    (family / "2019" / "beach.jpg").write_bytes(os.urandom(70_000))
    (family / "cover").symlink_to("2019/beach.jpg")
    (where / "jobs").mkdir(exist_ok=True)
    (where / "jobs" / "photos.toml").write_text(f'folder = "{family}"\nfar = "{FAR}"\nat = "30 1 * * *"\n')

    def found() -> bool:
        both.tunnel("again")  # as the far box's timer does
        return both.otherroof("probe", FAR)[0] == 0

    both.tunnel("up")
    wait_until(found, 240)
    code, said = both.otherroof("run", "photos")
    assert code == 0, said
    code, sheet = both.otherroof("sheet", "--with-keys")
    assert code == 0, sheet
    assert "where it lies in /srv/otherroof/copies/photos" in sheet
    assert os.path.isfile(both.box.path("/srv/otherroof/copies/photos/READ-ME-FIRST.txt"))
    was = seen_by_find(family)

    shutil.rmtree(where)
    shutil.rmtree(family)
    both.new_home(NEW_ADDRESS)
    both.houses.home_router.forget_flows()  # one that goes on with them has a test of its own
    typed = tmp_path / "typed"
    typed.write_text(letters_of(sheet).lower())
    code, said = both.otherroof("sheet", "--take", "--text", str(typed))
    assert code == 0, said
    wait_until(found, 240)
    code, said = both.otherroof("restore", "photos", "--into", str(family))
    assert code == 0, said
    assert unlike(was, seen_by_find(family)) == []
