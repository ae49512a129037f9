"""A sump as shown: where it stands, how urgent it is, its map, the numbers of its graphs."""

from __future__ import annotations

import re
from dataclasses import replace
from math import exp
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.core.outputs import Finding
from agent.core.spec import SumpSpec
from agent.site import load_site
from dashboards import sump_map
from dashboards.desk import Desk
from dashboards.live_file import SILENT_AFTER_S, LiveFile
from dashboards.render import STATIC
from dashboards.series import MOST_BELIEFS, MOST_POINTS, RANGES, Window, between, lately, outlook, series
from dashboards.sump_views import judge
from tests.dashboards import works as plant
from tests.dashboards.works import SITE, Works


@pytest.fixture(scope="module")
def spec(tmp_path_factory: pytest.TempPathFactory) -> SumpSpec:
    path = tmp_path_factory.mktemp("site") / "site.toml"
    path.write_text(SITE.replace("UNITS", "litre").replace("SIMULATED", "true"))
    return load_site(path).spec().sumps["mill-2"]


def belief(spec: SumpSpec, **changed: Any) -> dict[str, Any]:
    """A settled belief in the middle of the box, changed as asked."""
    row = plant.Plant(spec, 300.0, 7.0, 8.0, 4.0, 2.5).belief(1000.0)
    return replace(row, strength_p05=6.7, strength_p95=7.3, hours_to_low=40.0, **changed).row()


@pytest.mark.parametrize(
    ("changed", "state", "words"),
    [
        ({}, "in", "In the box"),
        ({"volume_l": 239.0}, "out", "Low"),
        ({"volume_l": 361.0}, "out", "Too full"),
        ({"strength_pct": 5.9}, "out", "Weak"),
        ({"strength_pct": 8.5}, "out", "Strong"),
        ({"volume_l": 239.0, "strength_pct": 5.9}, "out", "Low and weak"),
        ({"status": "stale"}, "unsure", "No fresh readings"),
        ({"status": "learning"}, "unsure", "Still learning"),
        ({"volume_l": 239.0, "status": "stale"}, "out", "Low"),
    ],
)
def test_where_a_sump_stands(spec: SumpSpec, changed: dict[str, Any], state: str, words: str) -> None:
    assert judge(spec, belief(spec, **changed)) == (state, words)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"hours_to_low": 3.0}, "Low soon"),
        ({"strength_p05": 5.9}, "Perhaps weak"),
        ({"strength_p95": 8.5}, "Perhaps strong"),
    ],
)
def test_near_the_edge_of_its_box(spec: SumpSpec, changed: dict[str, Any], words: str) -> None:
    assert judge(spec, belief(spec) | changed) == ("edge", words)


def test_nothing_known_is_nothing_said(spec: SumpSpec) -> None:
    assert judge(spec, None) == ("unsure", "No estimate yet")


# ── the map ──


def test_the_box_lies_inside_the_map_and_the_high_mark_too(spec: SumpSpec) -> None:
    frame = sump_map.frame_of(spec, 160.0, 130.0)
    assert 0 < frame.x(spec.low_l) < frame.x(spec.full_l) < frame.x(spec.high_l) < frame.width
    assert 0 < frame.y(spec.high_pct) < frame.y(spec.target_pct) < frame.y(spec.low_pct) < frame.height


@given(st.floats(0, 10_000), st.floats(0, 50), st.floats(0, 500), st.floats(0, 9))
def test_the_point_never_leaves_the_map(volume_l: float, pct: float, volume_sd: float, pct_sd: float) -> None:
    frame = sump_map.Frame(200.0, 380.0, 5.0, 9.0, 160.0, 130.0)
    spot = sump_map.spot(frame, volume_l, volume_sd, pct, pct_sd)
    assert 0 <= spot.x <= frame.width and 0 <= spot.y <= frame.height
    assert spot.rx >= sump_map.SMALLEST_R and spot.ry >= sump_map.SMALLEST_R


def test_the_region_holds_nine_in_ten_of_two_independent_normals(spec: SumpSpec) -> None:
    """Of two independent standard normals, 1 - exp(-r²/2) lie within the radius r."""
    assert 1 - exp(-(sump_map.JOINT_90_SD**2) / 2) == pytest.approx(0.9, abs=5e-4)
    frame = sump_map.Frame(0.0, 100.0, 0.0, 10.0, 1000.0, 500.0)
    spot = sump_map.spot(frame, 50.0, 2.0, 5.0, 0.4)
    assert (spot.x, spot.y) == (500.0, 250.0)
    assert spot.rx == pytest.approx(42.9, abs=0.05) and spot.ry == pytest.approx(42.9, abs=0.05)


def test_the_map_says_in_words_what_it_draws(spec: SumpSpec) -> None:
    words = sump_map.draw(spec, belief(spec, volume_l=230.0, strength_pct=9.0), None).words
    assert words == "Mill 2: level below the low mark, strength strong"


# ── the graphs ──


def drawn(desk: Desk, sump: str, span: str, **more: Any) -> dict[str, Any]:
    """What the graphs of a sump draw over a range up to now."""
    live = desk.live()
    spec = desk.site.sumps[sump]
    return series(spec, lately(RANGES[span], live.now_s), live, desk.queries, desk.show, **more)


def test_the_level_graph_follows_the_kept_samples(works: Works, desk: Desk) -> None:
    spec, live = works.specs["mill-2"], desk.live()
    for span in RANGES.values():
        found = series(spec, lately(span, live.now_s), live, desk.queries, desk.show)
        times, levels = found["level"]
        assert len(times) == len(levels) <= MOST_POINTS + 2 and times == sorted(times)
        known = [v for v in levels if v is not None]
        assert known and all(abs(v - works.plants["mill-2"].volume_l) < 30.0 for v in known)
        assert found["from"] <= times[0] and times[-1] <= found["now"] + 0.05 < found["until"]
        assert len(found["belief"]["t"]) == len(found["belief"]["p95"]) <= MOST_BELIEFS + 3


def test_a_hole_in_the_data_is_a_hole_in_the_line(works: Works, desk: Desk) -> None:
    works.now_s += 3 * 3600.0
    for minute in range(30):
        works.journal.sample("mill-1", "level", works.now_s - 60.0 * (30 - minute), 100.0, 230.0, 0, True)
    works.journal.commit()
    works.live()
    times, levels = drawn(desk, "mill-1", "1d")["level"]
    holes = [t for t, v in zip(times, levels, strict=True) if v is None]
    assert len(holes) == 1 and works.now_s - 3 * 3600.0 < holes[0] < works.now_s - 1700.0


def test_doubtful_samples_are_no_points_of_the_line(works: Works, desk: Desk) -> None:
    works.journal.sample("mill-1", "level", works.now_s - 30.0, 0.0, 0.0, 4, True)
    works.journal.commit()
    for span in ("1h", "1d"):
        levels = drawn(desk, "mill-1", span)["level"][1]
        assert min(v for v in levels if v is not None) > 100.0


def test_doubtful_levels_are_shown_apart_where_every_sample_is(works: Works, desk: Desk) -> None:
    works.journal.sample("mill-1", "level", works.now_s - 30.0, 0.0, 0.0, 4, True)
    works.journal.commit()
    assert drawn(desk, "mill-1", "1h")["doubtful"] == [[works.now_s - 30.0], [0.0]]
    assert drawn(desk, "mill-1", "1d")["doubtful"] == [[], []]


def test_the_inline_refractometer_is_drawn_only_while_fluid_passed_it(works: Works, desk: Desk) -> None:
    """The gates mark what it reads with the pump off; neither the samples nor the kept sums show that."""
    for minute in range(40):
        works.journal.sample("mill-1", "brix", works.now_s - 60.0 * (50 - minute), 9.9, 9.9, 8, True)
    works.journal.sample("mill-1", "brix", works.now_s - 500.0, 4.0, 4.0, 0, True)
    works.journal.commit()
    for span in ("1h", "1d", "1y"):
        assert [v for v in drawn(desk, "mill-1", span)["inline"][1] if v is not None] == [6.0]


def test_a_reading_that_is_held_for_wrong_says_so(works: Works, desk: Desk) -> None:
    for at, brix in ((600.0, 4.0), (500.0, 9.0)):
        body = {"time": works.now_s - at, "sump": "mill-2", "signal": "hand_reading", "value": brix, "by": "Petra"}
        works.journal.event("word", body["time"], "mill-2", None, body)  # type: ignore[arg-type]
    doubts = [{"time": works.now_s - 500.0, "pct": 13.5, "doubt": 0.8}]
    rows = drawn(desk, "mill-2", "1h", doubts=doubts)["readings"]
    assert [(row["pct"], row["doubt"]) for row in rows] == [(6.0, None), (13.5, 0.8)]


def test_who_looks_closer_gets_the_finest_step_that_is_kept(works: Works) -> None:
    now, day_s = works.now_s, 86_400.0
    steps = {between(now - length_s, now, now).step_s for length_s in (60.0, 3600.0, 7200.0)}
    assert steps == {0}
    assert between(now - day_s, now, now).step_s == 60
    assert between(now - 9 * day_s, now - 8 * day_s, now).step_s == 600  # the minutes of last week are thinned away
    assert between(now - 60 * day_s, now, now).step_s == 1800
    assert between(now - 700 * day_s, now, now).step_s == 21_600
    assert between(now - 3000 * day_s, now, now).step_s == 86_400


def test_a_stretch_of_the_past_shows_that_stretch_alone(works: Works, desk: Desk) -> None:
    t0, t1 = works.now_s - 20 * 3600.0, works.now_s - 19 * 3600.0
    found = series(works.specs["mill-2"], Window(t0, t1, 0, 180.0), desk.live(), desk.queries, desk.show)
    assert (found["from"], found["until"]) == (t0, t1)
    times = [t for t, v in zip(*found["level"], strict=True) if v is not None]
    assert len(times) == 60 and t0 <= min(times) and max(times) < t1
    assert max(found["belief"]["t"]) <= t1 + 1.0


def test_readings_stand_where_they_were_taken_and_those_taken_back_do_not(works: Works, desk: Desk) -> None:
    def said(time: float, signal: str, **fields: Any) -> None:
        body = {"time": time, "sump": "mill-2", "signal": signal, "by": "Petra"} | fields
        works.journal.event("word", time, "mill-2", None, body)

    now = works.now_s
    said(now - 600.0, "hand_reading", value=4.0, at=now - 4000.0)
    said(now - 500.0, "titration", value=6.5)
    said(now - 400.0, "hand_reading", value=9.9)
    said(now - 300.0, "void", record_time=now - 400.0, record_signal="hand_reading")
    found = drawn(desk, "mill-2", "1h")["readings"]
    assert [(r["t"], r["pct"], r["titration"]) for r in found] == [(now - 4000.0, 6.0, False), (now - 500.0, 6.5, True)]


def test_additions_are_drawn_as_last_judged_and_not_when_withdrawn(works: Works, desk: Desk) -> None:
    start = works.now_s - 3000.0

    def found(id: str, revision: int, **changed: Any) -> None:
        row = Finding(
            id, revision, start + 900.0 + revision, "mill-2", "top_off", start, start + 300.0, 40.0, 1.0, 2.4, 0.3,
            None, None, "40 L went in",
        )  # fmt: skip
        works.journal.event("finding", row.time, row.sump, id, replace(row, **changed).row())

    found("mill-2-f1", 1)
    found("mill-2-f1", 2, makeup_pct=0.0)
    found("mill-2-f2", 1)
    found("mill-2-f2", 2, withdrawn=True)
    found("mill-2-f3", 1, kind="leak", volume_l=None)
    (one,) = drawn(desk, "mill-2", "1h")["additions"]
    assert (one["id"], one["volume"], one["mix"]) == ("mill-2-f1", "+40.0 L", "0 %")
    assert (one["start"], one["end"]) == (start, start + 300.0)


def test_the_outlook_leads_to_the_low_mark_at_the_hours_believed(spec: SumpSpec, desk: Desk) -> None:
    row = belief(spec) | {"hours_to_low": 10.0, "hours_to_low_p05": 8.0, "hours_to_low_p95": None}
    ahead = outlook(row, spec, desk.show)
    assert ahead is not None
    assert (ahead["t"], ahead["from"], ahead["to"]) == (1000.0, 300.0, 240.0)
    assert (ahead["soonest"], ahead["likely"], ahead["latest"]) == (1000.0 + 8 * 3600, 1000.0 + 10 * 3600, None)
    assert outlook(row | {"hours_to_low": None}, spec, desk.show) is None
    assert outlook(row | {"volume_l": 230.0}, spec, desk.show) is None
    assert outlook(None, spec, desk.show) is None


# ── the live file ──


def test_the_site_s_time_is_the_live_file_s_and_goes_on_with_it(works: Works) -> None:
    works.live()
    file = LiveFile(works.folder / "run" / "live.json")
    written = file.path.stat().st_mtime
    live = file.read(written + 5.0)
    assert live.now_s == works.now_s + 5.0 and not live.silent
    assert file.read(written + SILENT_AFTER_S + 1.0).silent
    assert file.read(written - 100.0).now_s == works.now_s  # a clock set back makes nothing younger


def test_without_a_live_file_there_is_nothing_but_silence(tmp_path: Path) -> None:
    live = LiveFile(tmp_path / "live.json", simulated=True).read(1234.0)
    assert live.silent and live.now_s == 1234.0 and live.simulated and live.signal("mill-2", "level") is None


# ── colours ──


def _palette(css: str, dark: bool) -> dict[str, str]:
    blocks = re.findall(r":root(?:\S*) \{\n(.*?)\}", css, re.S)
    found = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", blocks[0]))
    return found | (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", blocks[1])) if dark else {})


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_dark_is_the_same_by_the_systems_wish_and_by_a_persons_own() -> None:
    blocks = re.findall(r":root(\S*) \{\n(.*?)\}", (STATIC / "sumpside.css").read_text(), re.S)
    by_system, by_person = (re.findall(r"--[a-z-]+: #[0-9a-f]{6}", block) for _, block in blocks[1:3])
    assert [name for name, _ in blocks] == ["", ':not([data-theme="light"])', '[data-theme="dark"]', ":root:root"]
    assert by_system == by_person and len(by_system) > 15


@pytest.mark.parametrize("dark", [False, True])
def test_text_stands_out_from_its_ground_by_the_aa_ratio(dark: bool) -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11: 4.5 to 1 for text, 3 to 1 for the edges of what is tapped and for lines."""
    palette = _palette((STATIC / "sumpside.css").read_text(), dark)
    grounds = ("paper", "card", "well")
    pairs = [(ink, ground, 4.5) for ink in ("ink", "soft", "accent", "bad", "warn") for ground in grounds]
    pairs += [(name, f"{name}-fill", 4.5) for name in ("good", "warn", "bad", "sim")]
    pairs += [("ink", f"{name}-fill", 4.5) for name in ("good", "warn", "bad", "accent")]
    pairs += [("on-accent", "accent", 4.5), ("edge", "card", 3.0), ("edge", "paper", 3.0)]
    pairs += [(line, "card", 3.0) for line in ("level", "strength", "good", "belief")]
    for ink, ground, least in pairs:
        light, deep = sorted((_luminance(palette[ink]), _luminance(palette[ground])), reverse=True)
        assert (light + 0.05) / (deep + 0.05) >= least, (ink, ground)
