"""JSON pointers (RFC 6901) and the number in what they point to. Outcomes: a number, or a `Fault`."""

from __future__ import annotations

import json
import math
import re
from typing import Any, Final

from agent.wire.outcomes import Fault, shown

MOST_BYTES: Final = 65_536  # a message with a reading in it is some hundred bytes
WORDS: Final = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0}
_INDEX: Final = re.compile(r"0|[1-9][0-9]*")


def parse(payload: bytes) -> Any | Fault:
    """A message as JSON; one that is none is taken as a text."""
    if len(payload) > MOST_BYTES:
        return Fault(f"a message of {len(payload)} bytes")
    try:
        return json.loads(
            payload.decode("utf-8-sig")
        )  # of bytes, the library would take what is no UTF-8 (RFC 8259), too
    except RecursionError:
        return Fault("nested too deeply")
    except ValueError:  # UnicodeDecodeError is one, too
        return payload.decode("utf-8", "replace").strip()


def value_at(document: Any, pointer: str) -> Any | Fault:
    """What stands at the pointer."""
    here = document
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        if isinstance(here, dict) and key in here:
            here = here[key]
        elif isinstance(here, list) and _INDEX.fullmatch(key) and len(key) < 10 and int(key) < len(here):
            here = here[int(key)]
        else:
            return Fault(f"nothing at {pointer} in the message")
    return here


def number_in(found: Any) -> float | Fault:
    """A number, a number written as text, or a state as true, false, "on", "off"."""
    if isinstance(found, bool | int | float):
        try:
            value = float(found)
        except OverflowError:
            return Fault("a number beyond all measure")
    elif isinstance(found, str):
        text = found.strip()
        if text.lower() in WORDS:
            return WORDS[text.lower()]
        try:
            value = float(text) if "_" not in text else math.nan
        except ValueError:
            return Fault(f"{shown(text.encode())} is no number")
    else:
        return Fault("no number there: " + ("null" if found is None else f"a {type(found).__name__}"))
    return value if math.isfinite(value) else Fault("not a number: the sender has no reading")
