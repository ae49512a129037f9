"""What people have set in the journal since the site file was written: factors, bands, curves. Pages read by these."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from agent.core.curve import Curve
from agent.core.spec import SiteSpec, SumpSpec
from agent.io.journal import LogRow
from agent.records import SETTINGS_PCT
from dashboards.queries import Queries

NUMBERS = SETTINGS_PCT | {"refractometer_factor"}


class Settings:
    """Looks again only when somebody has said something new."""

    def __init__(self, queries: Queries) -> None:
        self._queries = queries
        self._seen = 0
        self._set: dict[str, dict[str, Any]] = {}  # sump → fields of its spec

    def over(self, site: SiteSpec) -> SiteSpec:
        """The site with the settings in force; an unreadable journal leaves them as they were."""
        rows = self._queries.lasting("setting")
        if rows and rows[-1].seq != self._seen:
            self._seen = rows[-1].seq
            self._set = self._read(rows)
        if not self._set:
            return site
        return replace(site, sumps={id: _over(spec, self._set.get(id)) for id, spec in site.sumps.items()})

    @staticmethod
    def _read(rows: Sequence[LogRow]) -> dict[str, dict[str, Any]]:
        found: dict[str, dict[str, Any]] = {}
        for row in rows:
            if row.sump:
                found.setdefault(row.sump, {}).update(_field(row.data()))
        return found


def _field(body: Mapping[str, Any]) -> dict[str, Any]:
    """One field of a spec; a newer program's setting is none that is known here."""
    name, value = body.get("field"), body.get("value")
    if name == "curve" and isinstance(value, list):
        return {"curve": Curve.of(value)}
    return {name: float(value)} if name in NUMBERS and isinstance(value, int | float) else {}


def _over(spec: SumpSpec, fields: dict[str, Any] | None) -> SumpSpec:
    return replace(spec, **fields) if fields else spec
