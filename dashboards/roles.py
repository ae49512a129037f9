"""Roles as people read them."""

from __future__ import annotations

from dashboards.language import N_

ROLE_NAMES = {"operator": N_("operator"), "supervisor": N_("supervisor"), "maintenance": N_("maintenance")}
