"""What an install gives to people at a shell, as steps: the man page, and completion for each shell; and takes away.

Pure, like `install_steps`, whose kinds of steps these are. It must not know what stands in the files.
"""

from __future__ import annotations

from collections.abc import Mapping

from otherroof.system.install_steps import InstallStep, RemoveFile, WriteFile

MAN_PAGE = "/usr/local/share/man/man1/otherroof.1"
# Where each shell looks for what an administrator adds: bash-completion(7) in XDG_DATA_DIRS, zsh in its site-functions;
# fish does not look below /usr/local unless it was built there.
COMPLETION = {
    "bash": "/usr/local/share/bash-completion/completions/otherroof",
    "zsh": "/usr/local/share/zsh/site-functions/_otherroof",
    "fish": "/etc/fish/completions/otherroof.fish",
}
USES = {MAN_PAGE: "for `man otherroof`"} | {path: f"for the tab key in {shell}" for shell, path in COMPLETION.items()}


def help_steps(there: Mapping[str, str], texts: Mapping[str, str]) -> list[InstallStep]:
    """What brings `texts`, by path, onto a machine that has `there` of them."""
    return [
        InstallStep(f"write {path}, {USES[path]}", None if there.get(path) == text else WriteFile(path, text))
        for path, text in texts.items()
    ]


def help_undo_steps(there: Mapping[str, str]) -> list[InstallStep]:
    """What takes them off a machine that has `there` of them."""
    return [InstallStep(f"remove {path}", RemoveFile(path) if path in there else None) for path in USES]
