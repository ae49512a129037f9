// The two graphs of a sump: level and strength over the same time, moved and read together.
(() => {
  "use strict";

  const host = document.getElementById("graphs");
  if (!host || !window.uPlot) return;

  const HEIGHT_PX = 264;
  const together = uPlot.sync("sump");
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const faint = (hex, share) => hex + Math.round(share * 255).toString(16).padStart(2, "0");
  const known = (value) => value !== null && value !== undefined;

  let data = null;
  let plots = [];
  let moving = false;

  // ── drawing on top of the lines ──

  function across(plot, value, ink, dash, words) {
    const y = plot.valToPos(value, "y", true);
    const { left, top, width, height } = plot.bbox;
    if (y < top || y > top + height) return;
    const c = plot.ctx;
    c.save();
    c.strokeStyle = c.fillStyle = ink;
    c.lineWidth = devicePixelRatio;
    c.setLineDash(dash.map((d) => d * devicePixelRatio));
    c.beginPath();
    c.moveTo(left, y);
    c.lineTo(left + width, y);
    c.stroke();
    c.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
    c.textAlign = "right";
    c.fillText(words, left + width - 4 * devicePixelRatio, y - 3 * devicePixelRatio);
    c.restore();
  }

  function box(plot, low, high) {
    const c = plot.ctx;
    const { left, top, width, height } = plot.bbox;
    const y0 = Math.max(plot.valToPos(high, "y", true), top);
    const y1 = Math.min(plot.valToPos(low, "y", true), top + height);
    if (y1 <= y0) return;
    c.save();
    c.fillStyle = colour("good-fill");
    c.fillRect(left, y0, width, y1 - y0);
    c.restore();
  }

  function nowLine(plot) {
    const x = plot.valToPos(data.now, "x", true);
    const { left, top, width, height } = plot.bbox;
    if (x < left || x > left + width) return;
    const c = plot.ctx;
    c.save();
    c.fillStyle = faint(colour("edge"), 0.12);
    c.fillRect(x, top, left + width - x, height);
    c.fillStyle = colour("soft");
    c.textAlign = "left";
    c.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
    c.fillText("ahead", x + 5 * devicePixelRatio, top + 13 * devicePixelRatio);
    c.restore();
  }

  // An addition is a band from its first inflow to its last, with a pointer and what it was.
  function additions(plot, name) {
    const c = plot.ctx;
    const px = devicePixelRatio;
    const { left, top, width, height } = plot.bbox;
    let textEnds = -Infinity;
    c.save();
    c.textAlign = "left";
    c.font = `${12 * px}px system-ui, sans-serif`;
    for (const one of data.additions) {
      const x0 = plot.valToPos(one.start, "x", true);
      const x1 = Math.max(plot.valToPos(one.end, "x", true), x0 + 2 * px);
      if (x1 < left || x0 > left + width) continue;
      c.fillStyle = faint(colour("accent"), 0.22);
      c.fillRect(Math.max(x0, left), top, Math.min(x1, left + width) - Math.max(x0, left), height);
      const mid = (x0 + x1) / 2;
      c.fillStyle = colour("accent");
      c.beginPath();
      c.moveTo(mid, top + height - 10 * px);
      c.lineTo(mid + 6 * px, top + height);
      c.lineTo(mid - 6 * px, top + height);
      c.fill();
      const words = one[name];
      const room = c.measureText(words).width;
      const at = Math.min(Math.max(mid - room / 2, left + 2 * px), left + width - room - 2 * px);
      if (words && at > textEnds) {
        c.fillStyle = colour("ink");
        c.fillText(words, at, top + height - 14 * px);
        textEnds = at + room + 6 * px;
      }
    }
    c.restore();
  }

  function readings(plot) {
    const c = plot.ctx;
    const px = devicePixelRatio;
    c.save();
    c.lineWidth = 2 * px;
    c.strokeStyle = colour("ink");
    c.fillStyle = colour("card");
    for (const one of data.readings) {
      const x = plot.valToPos(one.t, "x", true);
      const y = plot.valToPos(one.pct, "y", true);
      c.beginPath();
      if (one.titration) {
        for (const [dx, dy] of [[0, -7], [7, 0], [0, 7], [-7, 0]]) c.lineTo(x + dx * px, y + dy * px);
        c.closePath();
      } else c.arc(x, y, 5 * px, 0, 2 * Math.PI);
      c.fill();
      c.stroke();
    }
    c.restore();
  }

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

  function levelTable() {
    const b = data.belief;
    return uPlot.join([data.level, [b.t, b.low, b.high], outlookColumns()]);
  }

  function strengthTable() {
    const b = data.belief;
    return uPlot.join([[b.t, b.strength, b.p05, b.p95], data.inline]);
  }

  // ── the plots ──

  const hours = (time) => uPlot.tzDate(new Date(time * 1000), data.zone);

  function spread(values, marks) {
    let low = Math.min(...marks);
    let high = Math.max(...marks);
    for (const column of values) for (const v of column) if (known(v)) { low = Math.min(low, v); high = Math.max(high, v); }
    const room = 0.12 * (high - low || 1);
    return [low - room, high + room];
  }

  function options(place, label, unit, series, bands, marks, under, over) {
    const axis = { stroke: colour("soft"), grid: { stroke: faint(colour("line"), 0.7), width: 1 }, ticks: { stroke: colour("line"), width: 1 }, font: "13px system-ui, sans-serif" };
    return {
      width: place.clientWidth,
      height: HEIGHT_PX,
      tzDate: hours,
      legend: { show: false },
      padding: [10, 8, 0, 0],
      cursor: { sync: { key: together.key, setSeries: false }, drag: { x: true, y: false }, points: { show: false } },
      scales: {
        x: { time: true, range: (plot, low, high) => [low, high] },
        y: { range: () => spread(plotValues(label), marks) },
      },
      axes: [
        { ...axis, space: 70, values: clockMarks },
        { ...axis, size: 54, values: (plot, ticks) => ticks.map((t) => `${+t.toFixed(2)}`) },
      ],
      series: [{}, ...series],
      bands,
      hooks: {
        drawClear: [(plot) => under(plot)],
        draw: [(plot) => over(plot)],
        setScale: [(plot, key) => key === "x" && follow(plot)],
        setCursor: [(plot) => readOut(plot, label, unit)],
      },
    };
  }

  const dayOf = (date) => date.toLocaleDateString("en-GB", { day: "numeric", month: "short" });
  // What the vertical range has to hold. The inline line is left out: out of the fluid it reads anything.
  function plotValues(label) {
    if (label === "level") return levelTable().slice(1);
    return [data.belief.strength, data.belief.p05, data.belief.p95, data.readings.map((one) => one.pct)];
  }

  // Marks of time on a 24 h clock; the day where it changes.
  function clockMarks(plot, ticks, at, space, step) {
    let day = "";
    return ticks.map((t) => {
      const d = hours(t);
      const today = dayOf(d);
      const time = `${String(d.getHours()).padStart(2, "0")}:${String(d.getMinutes()).padStart(2, "0")}`;
      const text = step >= 86400 ? today : today === day ? time : `${time}\n${today}`;
      day = today;
      return text;
    });
  }

  function follow(plot) {
    if (moving) return;
    moving = true;
    const { min, max } = plot.scales.x;
    for (const other of plots) if (other !== plot) other.setScale("x", { min, max });
    moving = false;
  }

  function readOut(plot, label, unit) {
    const place = document.getElementById(`${label}-readout`);
    const i = plot.cursor.idx;
    const t = known(i) ? plot.data[0][i] : null;
    if (!known(t)) {
      place.textContent = "";
      return;
    }
    const d = hours(t);
    const stamp = `${dayOf(d)} ${String(d.getHours()).padStart(2, "0")}:${String(d.getMinutes()).padStart(2, "0")}`;
    const at = (s) => nearest(plot.data[0], plot.data[s], i);
    const words = label === "level"
      ? [["measured", at(1)], ["estimate", range(at(2), at(3), unit)], ["outlook", at(4)]]
      : [["estimate", at(1)], ["9 in 10", range(at(2), at(3), unit)], ["inline", at(4)]];
    place.textContent = `${stamp}: ` + words.filter(([, v]) => known(v)).map(([n, v]) => `${n} ${typeof v === "number" ? `${v.toFixed(1)} ${unit}` : v}`).join(", ");
  }

  const range = (low, high, unit) => (known(low) && known(high) ? `${low.toFixed(1)} to ${high.toFixed(1)} ${unit}` : null);

  // Columns have different times: the value that stands at most one gap away.
  function nearest(times, column, i) {
    for (let step = 0; step < 60; step++) {
      for (const j of [i - step, i + step]) if (known(column[j]) && Math.abs(times[j] - times[i]) <= data.gap_s) return column[j];
    }
    return null;
  }

  function draw() {
    for (const plot of plots) plot.destroy();
    const m = data.marks;
    const level = document.getElementById("level-graph");
    const strength = document.getElementById("strength-graph");
    const line = (ink, more = {}) => ({ stroke: colour(ink), width: 2, points: { show: false }, ...more });
    const edge = { width: 0, points: { show: false }, stroke: "transparent" };
    const thin = (ink) => line(ink, { width: 1, dash: [3, 4] });
    const levelPlot = new uPlot(
      options(level, "level", data.unit,
        [line("level"), edge, edge, line("level", { dash: [7, 5] }), thin("level"), thin("level")],
        [{ series: [3, 2], fill: faint(colour("level"), 0.2) }, { series: [6, 5], fill: faint(colour("level"), 0.1) }],
        [m.low, m.full, m.high], nowLine,
        (plot) => {
          across(plot, m.low, colour("soft"), [], "low");
          across(plot, m.full, colour("soft"), [2, 3], "full");
          across(plot, m.high, colour("bad"), [], "high");
          additions(plot, "volume");
        }),
      levelTable(), level);
    const strengthPlot = new uPlot(
      options(strength, "strength", "%",
        [line("strength"), edge, edge, line("soft", { width: 1 })],
        [{ series: [3, 2], fill: faint(colour("strength"), 0.25) }],
        [m.low_pct, m.high_pct],
        (plot) => { box(plot, m.low_pct, m.high_pct); nowLine(plot); },
        (plot) => {
          across(plot, m.low_pct, colour("good"), [], "low");
          across(plot, m.target_pct, colour("good"), [4, 4], "target");
          across(plot, m.high_pct, colour("good"), [], "high");
          additions(plot, "mix");
          readings(plot);
        }),
      strengthTable(), strength);
    plots = [levelPlot, strengthPlot];
    whole();
    for (const plot of plots) plot.root.addEventListener("dblclick", whole);
    host.dataset.drawn = String(Number(host.dataset.drawn ?? 0) + 1);
  }

  function whole() {
    for (const plot of plots) plot.setScale("x", { min: data.from, max: data.until });
  }

  // ── live ──

  function append(picture) {
    const sump = picture.sumps[host.dataset.sump];
    if (!data || !sump) return;
    const before = data.now;
    data.now = picture.now;
    data.from += picture.now - before;
    data.until += picture.now - before;
    const grew = [put(data.level, sump.level), put(data.inline, sump.inline), putBelief(sump.belief)];
    if (!grew.some(Boolean)) return;
    const [min, max] = [plots[0].scales.x.min, plots[0].scales.x.max];
    moving = true;
    plots[0].setData(levelTable(), false);
    plots[1].setData(strengthTable(), false);
    const shift = picture.now - before;
    for (const plot of plots) plot.setScale("x", { min: min + shift, max: max + shift });
    moving = false;
    host.dataset.live = String(Number(host.dataset.live ?? 0) + 1);
  }

  function put(columns, point) {
    if (!point || point[0] <= (columns[0].at(-1) ?? 0)) return false;
    if (columns[0].length && point[0] - columns[0].at(-1) > data.gap_s) {
      columns[0].push((point[0] + columns[0].at(-1)) / 2);
      columns[1].push(null);
    }
    columns[0].push(point[0]);
    columns[1].push(point[1]);
    return true;
  }

  function putBelief(belief) {
    const b = data.belief;
    if (!belief || belief.t <= (b.t.at(-1) ?? 0)) return false;
    b.t.push(belief.t);
    for (const name of ["volume", "low", "high", "strength", "p05", "p95"]) b[name].push(belief[name]);
    if (data.outlook) Object.assign(data.outlook, { t: belief.t, from: belief.volume });
    return true;
  }

  async function load() {
    const answer = await fetch(host.dataset.series);
    if (!answer.ok) return;
    data = await answer.json();
    draw();
  }

  document.addEventListener("sumpside:picture", (event) => append(event.detail));
  document.addEventListener("sumpside:changed", load);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => data && draw());
  new ResizeObserver(() => {
    for (const plot of plots) plot.setSize({ width: plot.root.parentElement.clientWidth, height: HEIGHT_PX });
  }).observe(host);
  load();
})();
