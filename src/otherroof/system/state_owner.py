"""Has a verb that root runs work as the account that a folder belongs to, above all the state folder, before anything
in there is touched.

Decides which account that is, and becomes it. It must not know what the verb does.
"""

from __future__ import annotations

import contextlib
import os

from otherroof.base.accounts import ROOT, Account, account_of, become
from otherroof.base.errors import HomeTrouble, WrongSettings
from otherroof.base.handles import Passed, WayThere, open_folder, way_to
from otherroof.base.programs import SystemPrograms


def work_as_owner_of(folder: str, *, lend_root: bool = False, userspace_tunnel: bool = False) -> None:
    """If root runs this, and the folder is another account's, become that account; see `accounts.become`.

    `userspace_tunnel`: the settings may ask for one, so there must be room for its socket. Raises HomeTrouble, and
    WrongSettings if the folder is root's in a place that is not.
    """
    if os.geteuid() != ROOT:
        return
    try:
        way = way_to(folder)
    except OSError as problem:
        raise HomeTrouble(
            f"cannot be entered: {problem.strerror}", where=folder, advice="name another folder, or mend this one"
        ) from problem
    owner = owner_for(way)
    if owner is None:
        return
    account = account_of(owner.uid, owner.gid)
    if userspace_tunnel:
        _make_room_for_sockets(account)
    become(account, lend_root=lend_root)


def owner_for(way: WayThere) -> Passed | None:
    """The folder whose owner root has to become: that one, or if it is yet to be made, the one it will lie in. None if
    all is root's own. Raises WrongSettings if it is root's, and others could put their own in its place."""
    last = way.passed[-1]
    if last.uid != ROOT:
        return last
    loose = next((passed for passed in way.passed if passed.is_others), None)
    if loose is None:
        return None
    who = f"account {loose.uid}" if loose.uid != ROOT else "anybody"
    raise WrongSettings(
        f"is root's, but below {loose.path} {who} can put another in its place, and root would write there",
        where=os.path.join(last.path, *way.missing),
        advice="let both folders belong to one account, or name a folder (home.state in the settings) that is "
        "root's from / on",
    )


def _make_room_for_sockets(account: Account) -> None:
    """For a tunnel in userspace: have its socket's folder as `install` has it made, on a machine without that too. What
    is in there belongs to other tunnels and stays as it is."""
    from otherroof.system.install_steps import SOCKETS
    from otherroof.tunnel.lacks import USERSPACE

    if not SystemPrograms().find(USERSPACE):
        return
    # If there is no /run, or it cannot be written, the tunnel's own program says what it lacks.
    with contextlib.suppress(OSError):
        handle = open_folder(SOCKETS, make=0o755)
        try:
            if os.fstat(handle).st_uid == ROOT:
                os.fchown(handle, account.uid, account.gid)
        finally:
            os.close(handle)
