"""``tapewright demo``: the whole job, end to end."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from tapewright.cli.options import Force

__all__ = ["demo"]


def demo(
    folder: Annotated[
        str, Parameter(name="DIR", help="Folder for the files it makes.", show_default=True)
    ] = "tapewright-demo",
    /,
    *,
    force: Force = False,
) -> int:
    """Run the demonstration."""
    from tapewright.demo import run

    return run(folder, force=force)
