"""Everything a page works with, put together once at the start, and one question of a page asked."""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request

from agent.core.spec import SiteSpec, SumpSpec
from agent.io.inbox import FILE_NAME as INBOX_FILE
from agent.io.inbox import Inbox, Word
from agent.io.journal import FILE_NAME as JOURNAL_FILE
from agent.site import Site
from dashboards import instructions, seal, sump_views
from dashboards.instructions import Instruction
from dashboards.language import negotiate
from dashboards.live_file import FILE_NAME as LIVE_FILE
from dashboards.live_file import Live, LiveFile
from dashboards.people import People, Person, open_store, set_up_code
from dashboards.queries import Queries
from dashboards.sessions import COOKIE, Sessions
from dashboards.settings import Settings
from dashboards.show import Show
from dashboards.tries import Tries

AT_ONCE_S, LONGEST_KEPT_S = 20.0, 31 * 86_400.0  # a slow network is no lost one; after a month the hour is lost
DOOR_COOKIE = "sumpside_door"  # ties a form to the browser it was shown in, before anybody has signed in
PEOPLE_FILE = "people.sqlite"


@dataclass(frozen=True, slots=True)
class Folders:
    """Where the files are: the journal's, our own, the live file's."""

    state: Path
    inbox: Path
    runtime: Path


class Desk:
    """The stores, the site and what is asked of them together. One a process."""

    def __init__(self, site: Site, folders: Folders) -> None:
        folders.inbox.mkdir(parents=True, exist_ok=True)
        self._as_in_file = site.spec()
        self.file, self.folders = site, folders
        self.journal_path = folders.state / JOURNAL_FILE
        self.valves = {sump.id: sump.dosing for sump in site.sump if sump.dosing is not None}
        self.show = Show(self._as_in_file.units, ZoneInfo(self._as_in_file.timezone), site.site.degrees)
        self.queries = Queries(self.journal_path, folders.inbox / INBOX_FILE)
        self._settings = Settings(self.queries)
        self.inbox = Inbox.open(folders.inbox / INBOX_FILE)
        self.live_file = LiveFile(folders.runtime / LIVE_FILE, site.simulated)
        self.store = open_store(folders.inbox / PEOPLE_FILE)
        self.people = People(self.store)
        self.sessions = Sessions(self.store, self.people)
        self.tries = Tries()
        self.seal_key = seal.key_of(self.store)
        prefix = "__Host-" if site.web.tls else ""
        self.session_cookie, self.door_cookie = prefix + COOKIE, prefix + DOOR_COOKIE
        self.code = set_up_code() if self.people.empty() else None

    @property
    def site(self) -> SiteSpec:
        """The site as it is in force: its file, and what people have set in the journal since."""
        return self._settings.over(self._as_in_file)

    def close(self) -> None:
        self.queries.close()
        self.inbox.close()
        self.store.close()

    def live(self) -> Live:
        return self.live_file.read(time.time())

    def belief(self, sump: str, live: Live) -> dict[str, Any] | None:
        """The newest belief: the live picture's, else the last that was kept."""
        return live.belief(sump) or self.queries.latest_belief(sump)

    def show_for(self, person: Person | None, accept_language: str | None) -> Show:
        """How one person reads: as they chose, else as the site and the browser say."""
        language = (person.language if person else None) or negotiate(accept_language)
        units = (person.units if person else None) or self.show.units
        degrees = (person.degrees if person else None) or self.show.degrees
        return replace(self.show, units=units, degrees=degrees, language=language)

    def instructions(self, waiting: Iterable[Word], sump: str | None = None) -> list[Instruction]:
        """Open instructions of the site's sumps, those due first."""
        words = list(waiting)
        rows = self.queries.open_instructions(sump)
        read = (instructions.read(r, self.site.sumps[r["sump"]], words) for r in rows if r["sump"] in self.site.sumps)
        live = self.live()
        found = [self._foreseen(one, live) for one in read]
        return sorted(found, key=lambda one: (one.advice.get("due_in_h") or 0.0, one.posted_at or 0.0))

    def _foreseen(self, one: Instruction, live: Live) -> Instruction:
        """With what it leads to, as far as the newest belief tells."""
        if not one.advice.get("volume_l"):
            return one
        belief = self.belief(one.spec.id, live)
        return instructions.foreseen(one, belief) if belief else one

    def views(self, live: Live, opened: list[Instruction], show: Show) -> list[sump_views.SumpView]:
        """All sumps, the most urgent first."""
        views = (self.view(spec, live, opened, show) for spec in self.site.sumps.values())
        return sorted(views, key=lambda v: v.urgency)

    def view(self, spec: SumpSpec, live: Live, opened: list[Instruction], show: Show) -> sump_views.SumpView:
        belief = self.belief(spec.id, live)
        one = next((i for i in opened if i.spec.id == spec.id and i.state != "done"), None)
        return sump_views.view(spec, live, belief, one, show)


@dataclass(frozen=True, slots=True)
class Ask:
    """One request, after the door: who asks, what was typed, what time it is."""

    request: Request
    desk: Desk
    person: Person | None
    cookie: str  # whose holder the form token is for
    live: Live
    form: dict[str, str] = field(default_factory=dict)
    seq: int = 0  # newest row as the request came in: the live stream tells the page of all that came while it was made

    @property
    def now_s(self) -> float:
        """The site's time: what a person's word is stamped with."""
        return self.live.now_s

    def belief(self, sump: str) -> dict[str, Any] | None:
        """The newest belief of a sump."""
        return self.desk.belief(sump, self.live)

    @property
    def show(self) -> Show:
        """How who asks reads numbers."""
        return self.desk.show_for(self.person, self.request.headers.get("accept-language"))

    @property
    def form_token(self) -> str:
        return seal.form_token(self.desk.seal_key, self.cookie)

    @property
    def kept_s(self) -> float:
        """How long ago this entry was made on a phone without a network; 0 where it came at once."""
        try:
            seconds = float(self.form.get("kept_s") or 0.0)
        except ValueError:
            return 0.0
        return seconds if AT_ONCE_S < seconds < LONGEST_KEPT_S else 0.0

    def sump(self) -> SumpSpec | None:
        return self.desk.site.sumps.get(self.request.path_params.get("sump", ""))

    def put(self, kind: str, sump: str, body: dict[str, Any], part: str = "") -> None:
        """A person's word into the inbox; the same form sent twice is one word. `part` tells two words of one form."""
        assert self.person is not None  # every route that writes is for people signed in
        token = f"{self.person.id}:{self.form.get('once') or secrets.token_hex(16)}{part}"
        self.desk.inbox.put(
            time=self.now_s, person=self.person.name, role=self.person.role, sump=sump, kind=kind, body=body,
            token=token,
        )  # fmt: skip
