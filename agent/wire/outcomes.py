"""What a decoder can say: a frame (each decoder has its own), a fault in words, or "more bytes, please"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Fault:
    """What came over the wire is no measurement; `text` says what was wrong, in words for a person."""

    text: str


class NeedMore:
    """Nothing is wrong, nothing is whole yet."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "NEED_MORE"


NEED_MORE: Final = NeedMore()


def shown(data: bytes, most: int = 40) -> str:
    """Bytes for a person's eyes: text where it is text, \\x.. where not, cut to `most` bytes."""
    text = data[:most].decode("ascii", "backslashreplace")
    printable = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return f"'{printable}'" + ("…" if len(data) > most else "")
