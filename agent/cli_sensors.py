"""Commands for fitting sensors: `listen`, and what `check --live` adds to `check`."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer

FAULTY, BAD_USE = 1, 2


def tell(line: str) -> None:
    """A line for the person, who may send the result elsewhere."""
    print(line, file=sys.stderr, flush=True)


def _refuse(reason: str) -> NoReturn:
    raise typer.BadParameter(reason)


def _range(text: str, most: int) -> range:
    found = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", text)
    first, last = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
    if not first <= last <= most:
        _refuse(f"{text!r} is no range from 0 to {most}, like 1-16")
    return range(first, last + 1)


def _escaped(text: str) -> str:
    """What was typed as \\r or \\x05 as the character it means."""
    try:
        return text.encode("latin-1", "backslashreplace").decode("unicode_escape")
    except UnicodeDecodeError:
        _refuse(f"{text!r} has a backslash that means nothing")


def listen(
    port: Annotated[str, typer.Argument(metavar="PORT", help="/dev/serial/by-id/..., or HOST:PORT of Modbus TCP.")],
    baud: Annotated[
        int | None, typer.Option(min=50, max=4_000_000, help="The usual ones are tried unless said.")
    ] = None,
    parity: Annotated[str, typer.Option(metavar="N|E|O")] = "N",
    seconds: Annotated[float, typer.Option(min=0.1, max=600.0, help="How long to listen.")] = 5.0,
    ask: Annotated[str, typer.Option(metavar="TEXT", help=r"Send this to ask for a line, like '?L\r'.")] = "",
    units: Annotated[str, typer.Option(metavar="A-B", help="Modbus units that are asked.")] = "1-16",
    registers: Annotated[str, typer.Option(metavar="A-B", help="Registers that are read of each.")] = "0-15",
    timeout: Annotated[float, typer.Option(min=0.02, max=10.0, metavar="SECONDS", help="For each answer.")] = 0.2,
    no_modbus: Annotated[bool, typer.Option("--no-modbus", help="Only listen, ask nothing.")] = False,
    sump: Annotated[str, typer.Option(metavar="ID", help="The sump it belongs to.")] = "my-sump",
    signal: Annotated[str, typer.Option(help="What it measures.")] = "level",
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the piece here, a new file.")] = None,
) -> int:
    """Show what a device sends, guess what it means, and write the piece of the site file for it."""
    from agent.io.bus import PortGone
    from agent.listen import Wish
    from agent.listen import listen as heard

    if parity not in ("N", "E", "O"):
        _refuse(f"--parity is N, E or O, not {parity!r}")
    if out is not None and out.exists():
        _refuse(f"--out: {out} is there already")
    wish = Wish(
        port=port, baud=baud, parity=parity, seconds=seconds, poll=_escaped(ask), units=_range(units, 247),
        registers=_range(registers, 65_535), timeout_s=timeout, modbus=not no_modbus, sump=sump, signal=signal,
    )  # fmt: skip
    try:
        piece = heard(wish, tell)
    except PortGone as gone:
        tell(f"sumpside: {gone}")
        return FAULTY
    if piece is None:
        return FAULTY
    if out is None:
        print(piece)
    else:
        out.write_text(piece, encoding="utf-8")
        tell(f"written to {out}")
    return 0


def check_live(site_path: str, seconds: float) -> int:
    """Read every sensor of a sound site file; faults on stderr, all else on stdout; 1 where there is a fault."""
    from agent.live_check import look
    from agent.site import load_site

    faulty = 0
    for found in look(load_site(site_path), seconds, print):
        line = f"{site_path}: {found.where}: {found.text}"
        faulty += found.is_fault
        print(f"warning: {line}" if found.is_odd else line, file=sys.stderr if found.is_fault else sys.stdout)
    return FAULTY if faulty else 0
