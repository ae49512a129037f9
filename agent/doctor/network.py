"""Checks of what the agent talks to: ports, broker, store, certificates."""

from __future__ import annotations

import grp
import os
import re
import socket
import ssl
import stat
import urllib.error
import urllib.parse
import urllib.request
from dataclasses import replace
from pathlib import Path

from agent.doctor.place import Place, Verdict, fail, ok, skip, warn
from agent.errors import NetworkError
from agent.site import Mqtt, Site, Timeseries

ANSWER_S = 8.0
EXPIRES_DAYS = 30
RENEW = "make a new one: systemd/install, with --broker for the broker's"
DAY_S = 86_400.0
PASSING_NAME = re.compile(r"/dev/tty(USB|ACM)\d+")
PORT_GROUPS = ("dialout", "i2c", "gpio", "plugdev", "uucp", "tty")
DEDUP = re.compile(r'^flag\{name="dedup\.minScrapeInterval",\s*value="([^"]*)"', re.MULTILINE)


def _ports(place: Place) -> dict[str, Path]:
    """Serial and I²C devices of the site, by bus."""
    named = {bus.id: getattr(bus, "port", None) for bus in place.site.bus} if place.site else {}
    return {id: Path(port) for id, port in named.items() if isinstance(port, str) and port.startswith("/")}


def ports(place: Place) -> Verdict:
    """There, a device, and open to the agent."""
    named = _ports(place)
    for id, path in named.items():
        if not path.exists():
            there = sorted(str(p) for p in Path("/dev/serial/by-id").glob("*"))
            todo = f"plug it in, or name one of: {', '.join(there)}" if there else "plug the adapter in"
            return fail(f"bus {id}: {path} is not there", todo)
        if not stat.S_ISCHR(path.stat().st_mode):
            return fail(f"bus {id}: {path} is no device", "name the adapter's port in the site file")
        if not _open_to_agent(path, place):
            return fail(f"bus {id}: the agent may not use {path}", "systemd/install sets the rule for it; plug it anew")
    return ok(f"{len(named)} ports are there and open to the agent") if named else skip("the site has no port")


def _open_to_agent(path: Path, place: Place) -> bool:
    """Its own, its group's, or this user's where the agent is run by hand."""
    told = path.stat()
    if os.geteuid() != 0 and os.access(path, os.R_OK | os.W_OK):
        return True
    state = place.folders.state
    if state.exists() and state.stat().st_uid == told.st_uid and told.st_mode & 0o600 == 0o600:
        return True
    return told.st_mode & 0o060 == 0o060 and _group(told.st_gid) in PORT_GROUPS


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return ""


def port_names(place: Place) -> Verdict:
    """Names that stay when adapters are plugged anew."""
    passing = [f"{id}: {path}" for id, path in _ports(place).items() if PASSING_NAME.fullmatch(str(path))]
    if passing:
        todo = "use the name below /dev/serial/by-id or /dev/sumpside: two adapters may swap numbers"
        return warn(f"{passing[0]} may be another adapter after a restart", todo)
    return ok("every port has a lasting name") if _ports(place) else skip("the site has no port")


def broker(place: Place) -> Verdict:
    """Reachable, lets us in, and lets us write below our own site and nowhere else."""
    if place.site is None or place.site.mqtt is None:
        return skip("the site has no broker")
    from agent.io.mqtt import _address
    from agent.io.mqtt_link import Link
    from agent.io.sink import CredentialsError

    told = place.site.mqtt
    address = replace(_address(place.site, told), client_id=f"sumpside-{place.site.slug}-doctor")
    topic = f"sumpside/{place.site.slug}/doctor"
    try:
        link = Link(address, topic, b"gone")
        mid = link.publish(topic, b"here")
        link.wait_for({mid})
        refused = link.refused.get(mid)
        link.leave()
    except CredentialsError as why:
        return fail(str(why), f"the user and the password file in the site file, {told.password_file or 'none now'}")
    except NetworkError as why:
        return fail(f"the broker cannot be reached: {why}", "is it running, are host, port and tls right?")
    if refused is not None and refused.is_failure:
        return fail(
            f"the broker lets us in, and refuses {topic}: {refused}", "its access list must allow the site's id"
        )
    return ok(f"the broker at {told.host}:{told.port} takes messages")


def store(place: Place) -> Verdict:
    """Reachable and lets us write: asked by an empty write, which changes nothing."""
    if place.site is None or place.site.timeseries is None:
        return skip("the site has no store")
    told = place.site.timeseries
    try:
        token = None if told.token_file is None else place.site.resolve(told.token_file).read_text("utf-8").strip()
    except OSError as why:
        text = f"the store's token cannot be read: {why.filename}: {why.strerror}"
        return fail(text, "write the token into it, mode 600, owner sumpside; or run this as root")
    try:
        status, words = _empty_write(told, token)
    except OSError as why:
        return fail(f"the store cannot be reached: {why}", f"is it running, is {told.url} right?")
    if status in (401, 403):
        return fail(
            f"the store does not let us in: {status} {words}", f"the token in {told.token_file or 'token_file'}"
        )
    if status == 404:
        return fail(f"the store knows no such bucket or address: {words}", "see url, org and bucket in the site file")
    if status >= 500:
        return fail(f"the store is not well: {status} {words}", "see its own log")
    return ok(f"the store at {told.url} takes writes")


def _empty_write(told: Timeseries, token: str | None) -> tuple[int, str]:
    query = urllib.parse.urlencode({"org": told.org, "bucket": told.bucket, "precision": "ms"})
    headers = {"Content-Type": "text/plain; charset=utf-8"}
    if token is not None:
        headers["Authorization"] = f"Token {token}"
    url = f"{told.url.rstrip('/')}/api/v2/write?{query}"
    try:
        with urllib.request.urlopen(urllib.request.Request(url, b"", headers), timeout=ANSWER_S) as answer:
            return answer.status, ""
    except urllib.error.HTTPError as refusal:
        return refusal.code, " ".join(refusal.read(300).decode("utf-8", "replace").split())


def store_doubles(place: Place) -> Verdict:
    """One kind of store counts a point that is sent again twice, unless told not to."""
    if place.site is None or place.site.timeseries is None:
        return skip("the site has no store")
    try:
        with urllib.request.urlopen(place.site.timeseries.url.rstrip("/") + "/metrics", timeout=ANSWER_S) as answer:
            page = answer.read().decode("utf-8", "replace")
    except OSError:
        return skip("the store does not tell")
    if "vm_app_version" not in page:
        return ok("the store keeps one point a time by itself")
    flag = DEDUP.search(page)
    if flag is None or flag[1] in ("0", "0s"):
        todo = "start it with -dedup.minScrapeInterval=1ms: points that are sent again count twice without"
        return fail("the store counts a point that is sent again twice", todo)
    return ok(f"the store takes a point once (-dedup.minScrapeInterval={flag[1]})")


def certificates(place: Place) -> Verdict:
    """The pages', the broker's and the store's, and the authority's that vouches for the broker."""
    if place.site is None:
        return skip("the site file is at fault")
    try:
        ends = _ends(place, place.site)
    except ssl.SSLError as why:
        return fail(f"a certificate does not hold: {why.reason or why}", "see its dates, names and the ca_file")
    except FileNotFoundError:
        return fail("the ca_file of the site file is missing", "copy the authority's certificate to where it names it")
    except OSError as why:
        return fail(f"the certificates could not be asked for: {why}", "see broker and store above")
    if not ends:
        return skip("nothing is encrypted")
    first = min(ends, key=lambda name: ends[name])
    days = (ends[first] - place.now) / DAY_S
    if days < 0:
        return fail(f"{first} certificate ended {-days:.0f} days ago", RENEW)
    text = f"{first} certificate ends in {days:.0f} days"
    return warn(text, RENEW) if days < EXPIRES_DAYS else ok(text)


def _ends(place: Place, site: Site) -> dict[str, float]:
    """When each certificate ends, epoch s, by whose it is."""
    ends: dict[str, float] = {}
    if site.mqtt is not None and site.mqtt.tls:
        ends |= _broker_ends(place, site.mqtt)
    if site.timeseries is not None and site.timeseries.url.startswith("https"):
        url = urllib.parse.urlsplit(site.timeseries.url)
        ends["the store's"] = _served_until(url.hostname or "", url.port or 443, ssl.create_default_context())
    if site.web.certificate_file is not None:
        ends["the pages'"] = _served_until(near(site), site.web.port, own_certificate(site))
    return ends


def near(site: Site) -> str:
    """Where this machine itself finds the pages."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(site.web.host, site.web.host)


def own_certificate(site: Site) -> ssl.SSLContext:
    """Trusts the very certificate that the pages are to show, whatever name this machine is asked by."""
    context = ssl.create_default_context(cafile=str(site.resolve(site.web.certificate_file or "")))
    context.check_hostname = False
    context.verify_flags |= ssl.VerifyFlags.VERIFY_X509_PARTIAL_CHAIN
    return context


def _broker_ends(place: Place, told: Mqtt) -> dict[str, float]:
    assert place.site is not None
    ca_file = None if told.ca_file is None else place.site.resolve(told.ca_file)
    context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    found: dict[str, float] = {}
    if ca_file is not None:
        ends = [ssl.cert_time_to_seconds(str(one["notAfter"])) for one in context.get_ca_certs()]
        found["the authority's"] = min(ends)
    found["the broker's"] = _served_until(told.host, told.port, context)
    return found


def _served_until(host: str, port: int, context: ssl.SSLContext) -> float:
    """When the certificate that a server shows ends, epoch s. Raises ssl.SSLError for one that does not hold."""
    with (
        socket.create_connection((host, port), ANSWER_S) as plain,
        context.wrap_socket(plain, server_hostname=host) as tls,
    ):
        told = tls.getpeercert()
    assert told is not None
    return ssl.cert_time_to_seconds(str(told["notAfter"]))
