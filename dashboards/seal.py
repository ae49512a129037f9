"""What this server said, recognised when it comes back: form tokens, and the record of what a person was shown."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import sqlite3
from typing import Any
from urllib.parse import urlsplit


def key_of(store: sqlite3.Connection) -> bytes:
    """The server's secret key, made once and kept, so that a page opened before a restart still works."""
    store.execute("INSERT OR IGNORE INTO meta VALUES ('seal_key', ?)", (secrets.token_bytes(32),))
    return bytes(store.execute("SELECT value FROM meta WHERE key = 'seal_key'").fetchone()[0])


def _mac(key: bytes, purpose: str, body: bytes) -> str:
    return hmac.new(key, purpose.encode() + b"\0" + body, hashlib.sha256).hexdigest()


def form_token(key: bytes, cookie: str) -> str:
    """The token that every form of this cookie's holder carries."""
    return _mac(key, "form", cookie.encode())


def form_token_ok(key: bytes, cookie: str, given: str) -> bool:
    return bool(cookie) and hmac.compare_digest(form_token(key, cookie).encode(), given.encode())


def same_origin(origin: str | None, fetch_site: str | None, host: str | None) -> bool:
    """True when the browser says that the request comes from our own page.

    `Sec-Fetch-Site`, where sent, must be same-origin. `Origin` must name our own host; browsers send it with every
    POST, so a request without it is refused.
    """
    if fetch_site is not None and fetch_site != "same-origin":
        return False
    return bool(origin) and bool(host) and urlsplit(origin or "").netloc == host


def shut(key: bytes, shown: dict[str, Any]) -> str:
    """What was shown, as text for a hidden field that cannot be changed unnoticed."""
    body = json.dumps(shown, separators=(",", ":"), sort_keys=True).encode()
    return base64.urlsafe_b64encode(body).decode() + "." + _mac(key, "shown", body)


def opened(key: bytes, sealed: str) -> dict[str, Any] | None:
    """What was shown, or None when it is not as we wrote it."""
    text, _, mac = sealed.partition(".")
    try:
        body = base64.urlsafe_b64decode(text.encode())
    except ValueError:
        return None
    if not hmac.compare_digest(_mac(key, "shown", body).encode(), mac.encode()):
        return None
    shown: dict[str, Any] = json.loads(body)
    return shown
