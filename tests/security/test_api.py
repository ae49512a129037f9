"""Whatever is sent to any route, drawn by schemathesis from a description of all of them: no fault of ours."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.generation.modes import GenerationMode

from dashboards.guard import NOBODY, Way
from dashboards.routes import ROUTES
from tests.dashboards.visitor import Visitor
from tests.security.api import NEVER_ENDS, described

Visit = Callable[..., Visitor]
ENDS_THE_VISIT = {"/sign-out"}
MODES = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)


def ways_of(role: str) -> list[Way]:
    ways = [way for way in ROUTES if role in way.roles and way.path not in {NEVER_ENDS, *ENDS_THE_VISIT}]
    return ways if role != NOBODY else [way for way in ways if "maintenance" not in way.roles or way.path == "/healthz"]


def test_every_route_is_described_but_the_two_that_end_or_never_end(visit: Visit) -> None:
    told = {(way.method, way.path) for role in ("maintenance", NOBODY) for way in ways_of(role)}
    assert told == {(w.method, w.path) for w in ROUTES} - {("GET", NEVER_ENDS), ("POST", "/sign-out")}
    paths = described(visit("maintenance"), ways_of("maintenance"))["paths"]
    for path, ways in paths.items():
        form = ways.get("post", {}).get("requestBody")
        assert form is None or "form_token" in form["content"].popitem()[1]["schema"]["properties"], path


@pytest.mark.timeout(1800)  # of the whole programme; a request has a deadline of its own
@pytest.mark.parametrize("role", ["maintenance", NOBODY])
def test_no_request_is_answered_by_a_fault_of_ours(visit: Visit, role: str, long_run: bool) -> None:
    visitor = visit(None if role == NOBODY else role)
    visitor.get("/sign-in")  # a door's cookie for whoever has none
    schema = schemathesis.openapi.from_dict(described(visitor, ways_of(role)))
    answered: list[int] = []
    for found in schema.get_all_operations():
        operation = found.ok()
        drawn = st.one_of(*(operation.as_strategy(generation_mode=mode) for mode in MODES))

        @settings(
            max_examples=100 if long_run else 2, deadline=None, database=None,
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=drawn)
        def send(case: schemathesis.Case) -> None:
            cookies = dict(visitor.client.cookies)
            answer = case.call(visitor.address, headers=visitor.own, cookies=cookies, allow_redirects=False, timeout=20)
            assert answer.status_code < 500, case.as_curl_command()
            answered.append(answer.status_code)

        send()
    # The test of the test: what was drawn came through the door and further than that.
    assert {200, 303} & set(answered) if role == NOBODY else {200, 303, 404} <= set(answered)
