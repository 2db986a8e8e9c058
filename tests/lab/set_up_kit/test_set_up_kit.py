"""set-up.sh on a throwaway Debian: it shows before it does, does it once, takes it back, and stops where it must."""

from __future__ import annotations

import os
import subprocess

import pytest

from otherroof.settings import check_machine, read_parts
from support.set_up_kit import KIT, OWN, FarBox, Household, reply_in

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.each_release]


def changes(before: dict[str, str], after: dict[str, str]) -> dict[str, tuple[str | None, str | None]]:
    """What differs, so that a failing test names it."""
    paths = before.keys() | after.keys()
    return {path: (before.get(path), after.get(path)) for path in paths if before.get(path) != after.get(path)}


@pytest.mark.lasts(300)  # the first of all, since the other tests of the kit wait for the base system that it makes
def test_without_apply_nothing_changes_and_every_step_is_shown(box):
    before = box.snapshot()
    code, said = box.set_up()
    assert code == 0, said
    assert changes(before, box.snapshot()) == {}
    for step in range(8):
        assert f"\n{step}. " in said
    assert "Nothing was changed." in said
    assert "otherroof reply" not in said


def test_a_second_apply_changes_nothing_and_gives_the_same_reply(box):
    first = box.apply()
    before = box.snapshot()
    second = box.apply()
    assert changes(before, box.snapshot()) == {}
    assert reply_in(second) == reply_in(first)
    assert "  + " not in second


def test_undo_leaves_the_system_as_it_was(box):
    before = box.snapshot()
    box.apply()
    assert len(changes(before, box.snapshot())) > 20
    box.undo()
    assert changes(before, box.snapshot()) == {}


def test_undo_after_a_cut_apply_leaves_the_system_as_it_was(box):
    before = box.snapshot()
    box.run("mv", "/usr/bin/wg", "/usr/bin/wg.away")
    code, said = box.set_up("--apply")
    assert code != 0, said
    box.run("mv", "/usr/bin/wg.away", "/usr/bin/wg")
    box.undo()
    assert changes(before, box.snapshot()) == {}


def test_the_reply_completes_settings_without_a_mistake_and_pins_the_box_s_real_host_key(box, household):
    household.finish("Dear all, it said:\n" + reply_in(box.apply()))
    parts = read_parts(str(household.where))
    assert parts.mistakes + check_machine(parts) == []
    pinned = parts.far["heron"].host_key
    assert pinned == " ".join(box.read("/etc/ssh/ssh_host_ed25519_key.pub").split()[:2])
    assert parts.far["heron"].tunnel.far_key == box.run("sh", "-c", f"wg pubkey <{OWN}/tunnel.key").strip()


def test_no_private_key_and_no_shared_key_is_printed_or_readable(box):
    said = box.apply()
    for name in ("tunnel.key", "shared.key"):
        assert box.read(f"{OWN}/{name}").strip() not in said
        assert box.run("stat", "-c", "%a %U %G", f"{OWN}/{name}").split() == ["600", "root", "root"]
    for path in box.run("find", OWN, "-name", "*.new").split():
        pytest.fail(f"{path} was left behind")


def test_undo_keeps_the_copies_out_of_everybody_s_reach_until_they_are_given_back(box):
    box.apply()
    box.write("/srv/otherroof/copies/album/photo.jpg", "a photo")
    box.run("chown", "-R", "otherroof:otherroof", "/srv/otherroof/copies/album")
    said = box.undo()
    assert "left, with all in it: /srv/otherroof/copies" in said
    assert box.read("/srv/otherroof/copies/album/photo.jpg") == "a photo"
    assert box.run("stat", "-c", "%a %U", "/srv/otherroof/copies").split() == ["700", "root"]
    code, said = box.set_up("--apply")
    assert code == 1
    assert "chown -hR otherroof:otherroof /srv/otherroof/copies" in said
    box.run("chown", "-hR", "otherroof:otherroof", "/srv/otherroof/copies")
    box.apply()


def test_undo_ends_what_the_account_still_does_and_nothing_else(box):
    box.apply()
    box.popen("setpriv", "--reuid=otherroof", "--clear-groups", "sleep", "600")
    box.popen("setpriv", "--reuid=daemon", "--clear-groups", "sleep", "601")
    box.run(
        "sh", "-c", "for i in $(seq 100); do pgrep -f 'sleep 600' && pgrep -f 'sleep 601' && exit; sleep 0.05; done"
    )
    box.undo()
    assert box.run("pgrep", "-f", "sleep 601").strip()
    assert not box.run("pgrep", "-f", "sleep 600", may_fail=True).strip()
    assert not box.run("getent", "passwd", "otherroof", may_fail=True)


def test_undo_without_anything_to_undo_says_so(box):
    before = box.snapshot()
    code, said = box.set_up("--undo")
    assert (code, changes(before, box.snapshot())) == (1, {})
    assert "nothing of otherroof to take back" in said


@pytest.mark.parametrize(
    ("prepare", "said"),
    [
        ("chmod 775 /srv", "/srv must belong to root"),
        ("chown daemon /srv", "/srv must belong to root"),
        ("mkdir /mnt/disk && rmdir /srv/otherroof; ln -s /mnt/disk /srv/otherroof", "symbolic link"),
        ("useradd --system otherroof", "an account otherroof exists"),
        ("mkdir -p /srv/otherroof/copies", "/srv/otherroof/copies is not otherroof's"),
        ("echo x >/etc/ssh/sshd_config.d/otherroof.conf", "is not from this kit"),
        ("echo x >>" + KIT + "/files/ssh.conf", "the kit is damaged"),
        ("rm " + KIT + "/files/note.sh", "the kit is damaged"),
        ("echo Port 2222 >>/etc/ssh/sshd_config.d/own.conf", "another port than 22"),
        ("sed -i '/^Include/d' /etc/ssh/sshd_config", "Is the line `Include"),
        ("rm /etc/debian_version", "not a Debian-family system"),
    ],
)
def test_it_stops_where_going_on_would_be_unsafe(box, prepare, said):
    box.run("sh", "-c", prepare + "; :")
    code, told = box.set_up("--apply")
    assert code == 1, told
    assert said in told
    assert "otherroof reply" not in told


def test_a_configuration_that_sshd_would_not_follow_is_taken_away_again(box):
    box.run("sed", "-i", "/^Include/d", "/etc/ssh/sshd_config")
    assert box.set_up("--apply")[0] == 1
    assert not os.path.exists(box.path("/etc/ssh/sshd_config.d/otherroof.conf"))
    box.run("sed", "-i", "1i Include /etc/ssh/sshd_config.d/*.conf", "/etc/ssh/sshd_config")
    box.apply()


def test_a_kit_of_another_home_does_not_take_over_the_account(box, household, tmp_path):
    box.apply()
    other = Household(tmp_path / "other")
    box.take_kit(other, other.pair(home="rowan"))
    code, said = box.set_up("--apply")
    assert code == 1
    assert "already serves another home" in said
    box.take_kit(other, other.pair(home="rowan", account="copies-of-rowan", folder="/srv/rowan"))
    box.apply()
    assert os.path.exists(box.path("/etc/ssh/sshd_config.d/otherroof.conf"))


def test_only_root_may_apply(box):
    box.run("chmod", "-R", "a+rX", "/root")
    code, said = box.try_out("setpriv", "--reuid=daemon", "--clear-groups", "sh", f"{KIT}/set-up.sh", "--apply")
    assert code == 1
    assert "must be run as root" in said


def test_a_word_that_it_does_not_know_does_nothing(box):
    before = box.snapshot()
    code, said = box.set_up("--aply")
    assert (code, changes(before, box.snapshot())) == (2, {})
    assert "usage" in said


def test_where_systemd_does_not_run_it_says_what_begins_at_the_next_start(box):
    said = box.apply()
    for unit in ("otherroof-tunnel.service", "otherroof-tunnel-again.timer", "otherroof-note.timer"):
        assert f"systemd is not running here: {unit} begins when this machine starts" in said
        assert box.run("systemctl", "is-enabled", unit).strip() == "enabled"


def test_systemd_accepts_every_unit(box):
    box.apply()
    units = box.run("find", "/etc/systemd/system", "-name", "otherroof-*", "-type", "f").split()
    assert len(units) == 5
    code, said = box.try_out("systemd-analyze", "verify", "--man=no", *units)
    assert (code, said) == (0, "")
    assert "Next elapse" in box.run("systemd-analyze", "calendar", "Mon 09:00")


def test_a_unit_with_a_mistake_would_be_found(box):
    box.apply()
    box.run("sed", "-i", "s/^Type=/Tpye=/", "/etc/systemd/system/otherroof-tunnel.service")
    code, said = box.try_out("systemd-analyze", "verify", "--man=no", "/etc/systemd/system/otherroof-tunnel.service")
    assert "Tpye" in said, code


def test_apt_reads_the_update_settings(box):
    box.apply()
    told = box.run("apt-config", "dump")
    assert 'APT::Periodic::Unattended-Upgrade "1";' in told
    assert "Automatic-Reboot " not in told


class Note:
    """The weekly look, with the box's clock moved by a stand-in for `date`."""

    def __init__(self, box) -> None:
        self.box = box
        box.run("mv", "/bin/date", "/bin/date.real")
        self.days(0)

    def days(self, count: int) -> None:
        self.box.write(
            "/bin/date",
            "#!/bin/sh\n"
            f'case "$*" in +%s) echo $(($(date.real +%s) + {count * 86400})) ;;\n'
            f'+%F) date.real -d "+{count} days" +%F ;; *) exec date.real "$@" ;; esac\n',
            0o755,
        )

    def look(self) -> str:
        self.box.run("sh", f"{OWN}/note.sh")
        return self.box.run("cat", "/etc/motd.d/otherroof", may_fail=True)


def test_the_note_comes_when_home_is_silent_and_goes_when_it_has_written_again(box):
    box.apply()
    note = Note(box)
    assert note.look() == ""
    note.days(2)
    assert note.look() == ""
    note.days(9)
    told = note.look()
    assert '"larch" has written nothing here since' in told
    assert "for 9 days" in told
    assert "Please tell Ruth O'Dell, 555 0134." in told
    note.days(0)
    box.write("/srv/otherroof/copies/album/runs/one", "x")
    assert note.look() == ""


def test_the_note_tells_a_missing_disk_from_silence(box):
    box.apply()
    note = Note(box)
    box.run("rmdir", "/srv/otherroof/copies")
    assert "is not there. Is its disk plugged in" in note.look()


def test_a_note_that_stands_goes_with_undo(box):
    before = box.snapshot()
    box.apply()
    box.write("/etc/motd.d/otherroof", "a note")
    box.undo()
    assert changes(before, box.snapshot()) == {}


def test_a_kernel_without_links_is_noticed_at_the_start_and_gets_a_program_for_them(box):
    box.lose_links()
    for words in ((), ("--apply",)):
        said = box.set_up(*words)[1]
        assert "this kernel has no WireGuard links (Error: Unknown device type.), so a program does their work" in said
        assert "installed already: wireguard-go" in said


def test_a_kernel_without_links_and_no_program_to_be_had_stops_it_before_anything_is_opened(box):
    box.lose_links()
    box.run("apt-get", "clean")
    box.run("dpkg", "--remove", "--force-depends", "wireguard-go")
    code, said = box.set_up("--apply")
    assert code == 1
    assert "this kernel has no WireGuard links" in said
    assert "apt could not install wireguard-go" in said
    assert not box.run("getent", "passwd", "otherroof", may_fail=True)
    assert not box.run("find", "/etc/ssh", "-name", "otherroof*")


def test_a_kernel_without_links_and_without_their_device_is_told_what_would_help(box):
    box.lose_links()
    box.run("rm", "/dev/net/tun")
    code, said = box.set_up("--apply")
    assert code == 1
    assert "a kernel from 5.6 on" in said


def test_a_kernel_with_links_needs_no_program_for_them_and_keeps_nothing_of_the_trial(box):
    box.run("mv", "/usr/bin/unshare", "/usr/lib/unshare-of-the-lab")
    box.write("/usr/bin/unshare", '#!/bin/sh\necho "$*" >/tmp/tried\n', 0o755)
    box.run("dpkg", "--remove", "--force-depends", "wireguard-go")
    assert "wireguard-go" not in box.apply()
    assert box.read("/tmp/tried") == "--net ip link add dev trial type wireguard\n"
    assert "trial" not in box.run("ip", "-o", "link")


def test_packages_that_cannot_be_had_stop_it_before_anything_is_opened(box):
    box.run("apt-get", "clean")
    box.run("dpkg", "--remove", "--force-depends", "wireguard-tools")
    code, said = box.set_up("--apply")
    assert code == 1
    assert "apt could not install wireguard-tools" in said
    assert not box.run("getent", "passwd", "otherroof", may_fail=True)


def test_missing_packages_are_installed_for_real_and_left_by_undo(estate, base_system, household):
    box = FarBox(estate, base_system)  # in this machine's network, to reach the mirror
    box.take_kit(household, household.pair())
    box.run("apt-get", "clean")
    box.run("dpkg", "--remove", "--force-depends", "unattended-upgrades")
    resolver = box.path("/etc/resolv.conf")
    with open("/etc/resolv.conf", encoding="utf-8") as file, open(resolver, "w", encoding="utf-8") as out:
        out.write(file.read())
    said = box.apply()
    assert "unattended-upgrades" in box.read(f"{OWN}/installed")
    subprocess.run(box.argv(["dpkg", "-s", "unattended-upgrades"]), capture_output=True, timeout=20, check=True)
    assert "otherroof reply 1" in said
    assert "installed for this, and left: " in box.undo()
    subprocess.run(box.argv(["dpkg", "-s", "unattended-upgrades"]), capture_output=True, timeout=20, check=True)


def test_a_folder_on_a_disk_of_its_own_is_told_from_the_system_s_disk(box, household):
    assert "NOTE: this is the system's own disk" in box.set_up()[1]
    box.run("mkdir", "/mnt/disk")
    box.run("mount", "-t", "tmpfs", "-o", "size=8m,mode=755", "the-disk", "/mnt/disk")
    box.take_kit(household, household.pair(folder="/mnt/disk"))
    said = box.apply()
    assert "lies on the-disk, mounted at /mnt/disk, 8.0M free" in said
    assert "system's own disk" not in said
