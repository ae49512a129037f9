"""Errors say whose fault it is; each is translated once, at the edge. Anything else is a bug."""

from __future__ import annotations

from collections.abc import Sequence


class SumpsideError(Exception):
    """The root of every error that is somebody's fault and not a bug of ours."""


class Misused(SumpsideError):
    """What a person asked of a command cannot be meant, or cannot be done; the command line says it in one line."""

    def format_message(self) -> str:
        """As typer's own errors do."""
        return str(self)


class SiteFault(SumpsideError):
    """The site file is at fault. `faults`: one finished line each, `FILE: KEY PATH: what and what to do`."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = tuple(faults)


class BadRecord(SumpsideError):
    """A record is at fault: a line that nobody can take at its word. `reason` fits on one line."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class WireError(SumpsideError):
    """A sensor or its wire is at fault: no answer, rubbish, a checksum that does not fit."""


class NetworkError(SumpsideError):
    """The network, a broker or a store is away and may come back: keep what is to be sent and try again."""


class RefusedError(SumpsideError):
    """A store or broker refuses for good what it was sent: trying the same again is of no use."""
