"""Lets a verb do for each copy of a folder what it does for one: `photos` means all of them, `photos@wren` the one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from otherroof.base.errors import EXIT_WELL, OtherroofError
from otherroof.cli.common import as_typed, jobs_of, print_json, say
from otherroof.settings import Settings

Deed = Callable[[str], tuple[int, Mapping[str, Any]]]


def for_each_copy(settings: Settings, job: str, deed: Deed, *, as_json: bool) -> int:
    """Do `deed` for every job that `job` means, and print in JSON what they give, if that is asked for.

    What one of several copies meets bars none of the others: it is told, and the exit code is that of the first that
    was not well. Raises what `deed` does if there is one alone, WrongUse or WrongSettings if there is none.
    """
    names = jobs_of(settings, job)
    return for_each(names, deed, "copies", alone=len(names) == 1, as_json=as_json)


def for_each(names: Sequence[str], deed: Deed, called: str, *, alone: bool, as_json: bool) -> int:
    """The same for these jobs, which JSON has in a list that is `called` so; `alone`: the first is all there is."""
    if alone:
        code, told = deed(names[0])
        if as_json:
            print_json(told)
        return code
    codes, told_of = [], []
    for name in names:
        try:
            code, told = deed(name)
        except OtherroofError as error:
            code, told = error.exit_code, {"job": name, "error": str(error)}
            say(as_typed(f"{name}: {str(error).removeprefix(f'{name}: ')}"), err=True)
        codes.append(code)
        told_of.append(told)
    if as_json:
        print_json({called: told_of})
    return next(filter(None, codes), EXIT_WELL)
