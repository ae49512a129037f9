"""Checks of the card or disk that the journal is on."""

from __future__ import annotations

import os
import re
from pathlib import Path

from agent.doctor.place import Place, Verdict, fail, ok, skip, warn

LITTLE_MB, TOO_LITTLE_MB = 1_000, 200  # a year of four sumps takes some 2 GB; below the second a day may not fit
LITTLE_SHARE = 0.05
TOO_FEW_INODES = 1_000
WORN_TENTHS = 8  # of its life, as an eMMC counts it


def _nearest(path: Path) -> Path:
    """The folder, or the first above it that is there."""
    return next(folder for folder in (path, *path.absolute().parents) if folder.exists())


def space(place: Place) -> Verdict:
    """Free for the agent, who is not root."""
    told = os.statvfs(_nearest(place.folders.state))
    free_mb = told.f_bavail * told.f_frsize / 1e6
    share = told.f_bavail / max(1, told.f_blocks)
    text = f"{free_mb:,.0f} MB free for the journal ({share:.0%})"
    if free_mb < TOO_LITTLE_MB:
        return fail(text, "make room: the agent goes on, but samples will be thinned")
    return warn(text, "make room, or use a larger card") if free_mb < LITTLE_MB or share < LITTLE_SHARE else ok(text)


def inodes(place: Place) -> Verdict:
    """Room for more files, which is another thing than room for bytes."""
    told = os.statvfs(_nearest(place.folders.state))
    if not told.f_files:
        return skip("this file system does not count them")
    text = f"{told.f_favail:,} more files fit"
    if told.f_favail < TOO_FEW_INODES:
        return fail(text, "something here makes files without end: find and remove them")
    return ok(text)


def writable(place: Place) -> Verdict:
    """A card that fails is turned read-only by the kernel."""
    if os.statvfs(_nearest(place.folders.state)).f_flag & os.ST_RDONLY:
        return fail("the journal's file system is read-only", "see dmesg: cards end so. Put a backup onto a new one")
    return ok("the journal's file system takes writes")


def wear(place: Place) -> Verdict:
    """What the card itself tells of its life: eMMC and newer ones do, most SD cards do not."""
    device = place.file("/sys/class/block") / _disk(place) / "device"
    told = _text(device / "life_time")
    if not told:
        return skip("the card does not tell how worn it is")
    tenths = max(int(part, 16) for part in told.split())  # two kinds of memory, each 1 (to 10 %) … 11 (over)
    end = _text(device / "pre_eol_info")
    text = f"{min(tenths, 10) * 10} % of the card's life is used"
    if tenths > 10 or (end and int(end, 16) > 1):
        return fail(text, "make a backup now and change the card")
    return warn(text, "get a new card, of an endurance kind") if tenths >= WORN_TENTHS else ok(text)


def _text(path: Path) -> str:
    return path.read_text().strip() if path.exists() else ""


def _disk(place: Place) -> str:
    """The whole disk below the journal's file system, such as mmcblk0."""
    number, blocks = os.stat(_nearest(place.folders.state)).st_dev, place.file("/sys/class/block")
    for name in sorted(os.listdir(blocks)) if blocks.exists() else []:
        if _text(blocks / name / "dev") == f"{os.major(number)}:{os.minor(number)}":
            return re.sub(r"(?<=\d)p\d+$|(?<=[a-z])\d+$", "", name)
    return "none"
