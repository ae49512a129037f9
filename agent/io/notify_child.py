"""One message through apprise, in a process of its own: the agent stays small, and a library that hangs is ended.

Reads {"url", "title", "text", "severity"} as JSON from standard input. The address may hold a password: it stands on no
command line and in no output. Exit code: see the constants.
"""

from __future__ import annotations

import json
import logging
import sys
from typing import Final

DELIVERED, FAILED, BAD_ADDRESS, NO_LIBRARY = 0, 1, 2, 3
TYPES: Final = {"act now": "failure", "act soon": "warning", "know": "info"}  # how apprise calls how urgent it is


def main() -> int:
    """Send it; the exit code."""
    job = json.load(sys.stdin)
    try:
        import apprise
    except ImportError:
        return NO_LIBRARY
    logging.disable(logging.CRITICAL)  # it would name the address
    target = apprise.Apprise()
    if not target.add(job["url"]):
        return BAD_ADDRESS
    kind = TYPES.get(job["severity"], "info")
    sent = target.notify(title=job["title"], body=job["text"], notify_type=kind, body_format="text")
    return DELIVERED if sent else FAILED


if __name__ == "__main__":
    sys.exit(main())
