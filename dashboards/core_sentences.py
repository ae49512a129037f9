"""What the core says, in people's language and units."""

from __future__ import annotations


def core_text(text: object) -> str:
    """A sentence of the core as a person reads it."""
    return str(text or "")
