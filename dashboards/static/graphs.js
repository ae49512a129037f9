// The two graphs of a sump: level and strength over the same time, looked into, moved and read together.
(() => {
  "use strict";

  const host = document.getElementById("graphs");
  if (!host || !window.uPlot) return;

  const HEIGHT_PX = 264;
  const REFINE_AFTER_MS = 250; // a hand that is still moving asks for nothing
  const CLOSEST_S = 120;
  const MORE_SHARE = 0.25; // of what is looked at, fetched on each side of it
  const marks = sumpside.marks;
  const { colour, faint } = marks;
  const together = uPlot.sync("sump");
  const known = (value) => value !== null && value !== undefined;
  const { word, decimal } = sumpside;
  const language = sumpside.language === "en" ? "en-GB" : sumpside.language; // the day before the month

  let data = null; // what is drawn
  let plots = [];
  let view = null; // [min, max] of what somebody looks at more closely; null: the whole range, moving with the time
  let set = [0, 0]; // the stretch that both were told to show: a change to another one came from a hand
  let refining = 0;
  let asked = 0;

  // ── columns ──

  // The outlook as three lines from now; the soonest stays at the low mark until the latest gets there.
  function outlookColumns() {
    const o = data.outlook;
    if (!o || !known(o.likely)) return [[], [], [], []];
    const soonest = o.soonest ?? o.likely;
    const far = Math.max(o.latest ?? data.until, soonest, o.likely);
    const times = [...new Set([o.t, soonest, o.likely, far])].sort((a, b) => a - b);
    const way = (end) => times.map((t) => (end <= o.t ? o.to : Math.max(o.to, o.from + ((o.to - o.from) * (t - o.t)) / (end - o.t))));
    const latest = known(o.latest) ? way(o.latest) : times.map((t) => o.from + ((o.to - o.from) * (t - o.t)) / (3 * (far - o.t)));
    return [times, times.map((t, i) => (t <= o.likely ? way(o.likely)[i] : null)), way(soonest), latest];
  }

  // A hole in one line stays whole though others have times within it.
  const [AS_IS, WHOLE_HOLE] = [1, 2]; // uPlot's null modes
  const holes = (tables, mode) => tables.map((columns) => columns.map(() => mode));
  const levelTable = () => {
    const seen = [data.level, [data.belief.t, data.belief.low, data.belief.high]];
    const ahead = outlookColumns();
    return uPlot.join([...seen, ahead], [...holes(seen, WHOLE_HOLE), ...holes([ahead], AS_IS)]);
  };
  const strengthTable = () => {
    const lines = [[data.belief.t, data.belief.strength, data.belief.p05, data.belief.p95], data.inline];
    return uPlot.join(lines, holes(lines, WHOLE_HOLE));
  };

  // ── the plots ──

  const hours = (time) => uPlot.tzDate(new Date(time * 1000), data.zone);
  const pad = (n) => String(n).padStart(2, "0");
  const byClock = (date) => `${pad(date.getHours())}:${pad(date.getMinutes())}`;
  // Of an hour that autumn has twice the zone's name tells which one it is.
  function clock(time) {
    const text = byClock(hours(time));
    if (![-3600, 3600].some((more) => byClock(hours(time + more)) === text)) return text;
    return new Date(time * 1000).toLocaleTimeString("en-GB", { timeZone: data.zone, hour: "2-digit", minute: "2-digit", timeZoneName: "short" });
  }
  const dayOf = (date) => date.toLocaleDateString(language, { day: "numeric", month: "short" });

  // The vertical range has to hold the marks and the lines. The inline line is left out: it may stand anywhere.
  function spread(label) {
    const m = data.marks;
    const [held, columns] = label === "level"
      ? [[m.low, m.full, m.high], levelTable().slice(1)]
      : [[m.low_pct, m.high_pct], [data.belief.strength, data.belief.p05, data.belief.p95, data.readings.map((one) => one.pct)]];
    let [low, high] = [Math.min(...held), Math.max(...held)];
    for (const column of columns) for (const v of column) if (known(v)) { low = Math.min(low, v); high = Math.max(high, v); }
    const room = 0.12 * (high - low || 1);
    return [low - room, high + room];
  }

  // Marks of time on a 24 h clock, the day where it changes; of a long stretch the days, and the year where it does.
  function timeMarks(plot, ticks, at, space, step) {
    let before = "";
    return ticks.map((t) => {
      const date = hours(t);
      const [fine, coarse] = step < 86400 ? [clock(t), dayOf(date)] : [dayOf(date), String(date.getFullYear())];
      const text = coarse === before ? fine : `${fine}\n${coarse}`;
      before = coarse;
      return text;
    });
  }

  function options(place, label, unit, series, bands, under, over) {
    const axis = { stroke: colour("soft"), grid: { stroke: faint(colour("line"), 0.7), width: 1 }, ticks: { stroke: colour("line"), width: 1 }, font: "13px system-ui, sans-serif" };
    return {
      width: place.clientWidth,
      height: HEIGHT_PX,
      tzDate: hours,
      legend: { show: false },
      padding: [10, 8, 0, 0],
      cursor: { sync: { key: together.key, setSeries: false }, drag: { x: true, y: false }, points: { show: false }, bind: { dblclick: () => () => whole() } },
      scales: { x: { time: true, range: (plot, low, high) => [low, high] }, y: { range: () => spread(label) } },
      axes: [
        { ...axis, space: 70, values: timeMarks },
        { ...axis, size: 54, values: (plot, ticks) => ticks.map((t) => (+t.toFixed(2)).toLocaleString(language)) },
      ],
      series: [{}, ...series],
      bands,
      hooks: {
        drawClear: [under],
        draw: [over],
        setScale: [(plot, key) => key === "x" && follow(plot)],
        setCursor: [(plot) => readOut(plot, label, unit)],
      },
    };
  }

  function draw() {
    for (const plot of plots) plot.destroy();
    const [first, last] = view ?? [data.from, data.until];
    const line = (ink, more = {}) => ({ stroke: colour(ink), width: 2, points: { show: false }, ...more });
    const edge = { width: 0, points: { show: false }, stroke: "transparent" };
    const thin = (ink) => line(ink, { width: 1, dash: [3, 4] });
    const ahead = (plot) => marks.ahead(plot, data.now, word("ahead"));
    set = [first, last];
    plots = [
      put("level", data.unit, levelTable(),
        [line("level"), edge, edge, line("level", { dash: [7, 5] }), thin("level"), thin("level")],
        [{ series: [3, 2], fill: faint(colour("level"), 0.2) }, { series: [6, 5], fill: faint(colour("level"), 0.1) }],
        ahead, overLevel),
      put("strength", "%", strengthTable(),
        [line("strength"), edge, edge, line("soft", { width: 1, points: { show: true, size: 3, fill: colour("soft") } })],
        [{ series: [3, 2], fill: faint(colour("strength"), 0.25) }],
        (plot) => { marks.box(plot, data.marks.low_pct, data.marks.high_pct); ahead(plot); }, overStrength),
    ];
    both(first, last);
    host.dataset.drawn = String(Number(host.dataset.drawn ?? 0) + 1);
    host.dataset.step = String(data.step_s);
    show();
  }

  function both(min, max) {
    set = [min, max];
    for (const plot of plots) plot.setScale("x", { min, max });
  }

  function put(label, unit, table, series, bands, under, over) {
    const place = document.getElementById(`${label}-graph`);
    return new uPlot(options(place, label, unit, series, bands, under, over), table, place);
  }

  function overLevel(plot) {
    const m = data.marks;
    marks.across(plot, m.low, colour("soft"), [], word("low"));
    marks.across(plot, m.full, colour("soft"), [2, 3], word("full"));
    marks.across(plot, m.high, colour("bad"), [], word("high"));
    marks.doubtful(plot, data.doubtful);
    marks.additions(plot, data.additions, "volume");
  }

  function overStrength(plot) {
    const m = data.marks;
    marks.across(plot, m.low_pct, colour("good"), [], word("low"));
    marks.across(plot, m.target_pct, colour("good"), [4, 4], word("target"));
    marks.across(plot, m.high_pct, colour("good"), [], word("high"));
    marks.additions(plot, data.additions, "mix");
    marks.readings(plot, data.readings);
  }

  // ── looking closer, together ──

  // One graph was dragged across: the other shows the same stretch.
  function follow(plot) {
    const { min, max } = plot.scales.x;
    const near = (max - min) / 10000;
    if (plots.includes(plot) && Math.abs(min - set[0]) + Math.abs(max - set[1]) > near) look(min, max);
  }

  function look(min, max) {
    const length = Math.max(max - min, CLOSEST_S);
    const middle = (min + max) / 2;
    view = [middle - length / 2, middle + length / 2];
    both(...view);
    show();
    clearTimeout(refining);
    refining = setTimeout(refine, REFINE_AFTER_MS);
  }

  // The stretch at a finer step, or one that is not here yet, with some more on both sides.
  function refine() {
    if (!view) return;
    const length = view[1] - view[0];
    const here = view[0] >= data.from && view[1] <= data.until;
    if (here && (data.step_s === 0 || length > (data.until - data.from) / 4)) return;
    load();
  }

  function whole() {
    if (!view || !data) return;
    view = null;
    load();
  }

  function step(name) {
    if (!data || !plots.length) return;
    const [min, max] = set;
    const length = max - min;
    if (name === "closer") look(min + length / 4, max - length / 4);
    if (name === "wider") look(min - length / 2, max + length / 2);
    if (name === "earlier") look(min - length / 2, max - length / 2);
    if (name === "later") look(min + length / 2, max + length / 2);
    if (name === "whole") whole();
  }

  function show() {
    const [min, max] = set;
    host.dataset.from = String(Math.round(min));
    host.dataset.until = String(Math.round(max));
    for (const button of host.querySelectorAll("[data-graph='whole']")) button.disabled = !view;
  }

  const KEYS = { "+": "closer", "=": "closer", "-": "wider", ArrowLeft: "earlier", ArrowRight: "later", 0: "whole", Escape: "whole" };
  host.addEventListener("keydown", (event) => {
    const name = KEYS[event.key];
    if (!name || !event.target.closest(".graph, .graph-tools") || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    step(name);
  });
  host.addEventListener("click", (event) => {
    const button = event.target.closest("[data-graph]");
    if (button) step(button.dataset.graph);
  });

  // ── reading ──

  function readOut(plot, label, unit) {
    const place = document.getElementById(`${label}-readout`);
    const i = plot.cursor.idx;
    const t = known(i) ? plot.data[0][i] : null;
    if (!known(t)) {
      place.textContent = "";
      return;
    }
    const at = (s) => nearest(plot.data[0], plot.data[s], i);
    const words = label === "level"
      ? [[word("measured"), at(1)], [word("estimate"), range(at(2), at(3), unit)], [word("outlook"), at(4)]]
      : [[word("estimate"), at(1)], [word("9 in 10"), range(at(2), at(3), unit)], [word("inline"), at(4)], readingAt(t)];
    const text = words.filter(([, v]) => known(v)).map(([n, v]) => `${n} ${typeof v === "number" ? `${decimal(v, 1)} ${unit}` : v}`);
    place.textContent = `${dayOf(hours(t))} ${clock(t)}: ${text.join(", ")}`;
  }

  const range = (low, high, unit) => (known(low) && known(high) ? `${decimal(low, 1)}–${decimal(high, 1)} ${unit}` : null);

  // The reading under the cursor, and how likely it is held to be wrong.
  function readingAt(t) {
    const { min, max } = plots[1]?.scales.x ?? { min: 0, max: 0 };
    const one = data.readings.find((r) => Math.abs(r.t - t) < (max - min) / 80);
    if (!one) return ["", null];
    return [word("reading"), known(one.doubt) ? `${one.text} (${word("likely wrong")}: ${Math.round(100 * one.doubt)} %)` : one.text];
  }

  // Columns have different times: the value that stands at most one gap away.
  function nearest(times, column, i) {
    for (let step = 0; step < 60; step++) {
      for (const j of [i - step, i + step]) if (known(column[j]) && Math.abs(times[j] - times[i]) <= data.gap_s) return column[j];
    }
    return null;
  }

  // ── live ──

  function append(picture) {
    const sump = picture.sumps[host.dataset.sump];
    if (!data || !sump || data.until < data.now) return; // a stretch of the past stays as it is
    const passed = picture.now - data.now;
    data.now = picture.now;
    if (!view) [data.from, data.until] = [data.from + passed, data.until + passed];
    const grew = [add(data.level, sump.level), add(data.inline, sump.inline), addBelief(sump.belief)];
    if (!grew.some(Boolean)) return;
    const [min, max] = view ?? [data.from, data.until];
    plots[0].setData(levelTable(), false);
    plots[1].setData(strengthTable(), false);
    both(min, max);
    show();
    host.dataset.live = String(Number(host.dataset.live ?? 0) + 1);
  }

  // Of a long range only what a step is apart: the sums to come are drawn when the page is opened anew.
  function add(columns, point) {
    const last = columns[0].at(-1) ?? 0;
    if (!point || point[0] <= last || point[0] - last < data.step_s) return false;
    if (columns[0].length && point[0] - last > data.gap_s) {
      columns[0].push((point[0] + last) / 2);
      columns[1].push(null);
    }
    columns[0].push(point[0]);
    columns[1].push(point[1]);
    return true;
  }

  function addBelief(belief) {
    const b = data.belief;
    const last = b.t.at(-1) ?? 0;
    if (!belief || belief.t <= last || belief.t - last < data.step_s / 2) return false;
    b.t.push(belief.t);
    for (const name of ["volume", "low", "high", "strength", "p05", "p95"]) b[name].push(belief[name]);
    if (data.outlook) Object.assign(data.outlook, { t: belief.t, from: belief.volume });
    return true;
  }

  async function load() {
    const turn = ++asked;
    const more = view ? (view[1] - view[0]) * MORE_SHARE : 0;
    const stretch = view && `${host.dataset.series.split("?")[0]}?from=${view[0] - more}&until=${view[1] + more}`;
    const answer = await fetch(stretch ?? host.dataset.series);
    if (!answer.ok || turn !== asked) return; // gone on meanwhile
    const found = await answer.json();
    if (turn !== asked) return;
    data = found;
    draw();
  }

  document.addEventListener("sumpside:picture", (event) => append(event.detail));
  document.addEventListener("sumpside:changed", () => load());
  document.addEventListener("sumpside:theme", () => data && draw());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => data && draw());
  new ResizeObserver(() => {
    for (const plot of plots) plot.setSize({ width: plot.root.parentElement.clientWidth, height: HEIGHT_PX });
  }).observe(host);
  load();
})();
