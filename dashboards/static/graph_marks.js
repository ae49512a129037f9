// What is drawn over and under the lines of a sump's graphs: marks, bands, additions, readings, doubts.
sumpside.marks = (() => {
  "use strict";

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const faint = (hex, share) => hex + Math.round(share * 255).toString(16).padStart(2, "0");

  // The canvas as it was before, whatever is drawn; nothing outside the plot.
  function on(plot, paint) {
    const c = plot.ctx;
    const { left, top, width, height } = plot.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    c.textAlign = "left"; // the axes leave theirs behind
    c.textBaseline = "alphabetic";
    c.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
    paint(c, { left, top, width, height, right: left + width, bottom: top + height, px: devicePixelRatio });
    c.restore();
  }

  const x = (plot, time) => plot.valToPos(time, "x", true);
  const y = (plot, value) => plot.valToPos(value, "y", true);

  // A line across at a value, its name at the left end: at the right is what lies ahead.
  function across(plot, value, ink, dash, words) {
    on(plot, (c, f) => {
      const at = y(plot, value);
      c.strokeStyle = c.fillStyle = ink;
      c.lineWidth = f.px;
      c.setLineDash(dash.map((d) => d * f.px));
      c.beginPath();
      c.moveTo(f.left, at);
      c.lineTo(f.right, at);
      c.stroke();
      c.fillText(words, f.left + 4 * f.px, at - 3 * f.px);
    });
  }

  function box(plot, low, high) {
    on(plot, (c, f) => {
      c.fillStyle = colour("good-fill");
      c.fillRect(f.left, y(plot, high), f.width, y(plot, low) - y(plot, high));
    });
  }

  // What lies ahead of now is shaded, and named where there is room.
  function ahead(plot, now, words) {
    on(plot, (c, f) => {
      const at = x(plot, now);
      if (at > f.right) return;
      c.fillStyle = faint(colour("edge"), 0.12);
      c.fillRect(at, f.top, f.right - at, f.height);
      c.fillStyle = colour("soft");
      if (f.right - at > c.measureText(words).width + 8 * f.px) c.fillText(words, at + 5 * f.px, f.top + 13 * f.px);
    });
  }

  // An addition is a band from its first inflow to its last, with a pointer and what it was.
  function additions(plot, rows, name) {
    on(plot, (c, f) => {
      let textEnds = -Infinity;
      for (const one of rows) {
        const x0 = x(plot, one.start);
        const x1 = Math.max(x(plot, one.end), x0 + 2 * f.px);
        if (x1 < f.left || x0 > f.right) continue;
        c.fillStyle = faint(colour("accent"), 0.22);
        c.fillRect(x0, f.top, x1 - x0, f.height);
        const mid = (x0 + x1) / 2;
        c.fillStyle = colour("accent");
        c.beginPath();
        c.moveTo(mid, f.bottom - 10 * f.px);
        c.lineTo(mid + 6 * f.px, f.bottom);
        c.lineTo(mid - 6 * f.px, f.bottom);
        c.fill();
        const room = c.measureText(one[name]).width;
        const at = Math.min(Math.max(mid - room / 2, f.left + 2 * f.px), f.right - room - 2 * f.px);
        if (one[name] && at > textEnds) {
          c.fillStyle = colour("ink");
          c.fillText(one[name], at, f.bottom - 14 * f.px);
          textEnds = at + room + 6 * f.px;
        }
      }
    });
  }

  // Hand readings are round, titrations stand on a corner; one that is held for wrong is dashed and asks.
  function readings(plot, rows) {
    on(plot, (c, f) => {
      c.lineWidth = 2 * f.px;
      c.textAlign = "center";
      for (const one of rows) {
        const [at, up] = [x(plot, one.t), y(plot, one.pct)];
        const wrong = one.doubt !== null;
        c.strokeStyle = colour(wrong ? "warn" : "ink");
        c.setLineDash(wrong ? [3 * f.px, 2 * f.px] : []);
        c.beginPath();
        if (one.titration) {
          for (const [dx, dy] of [[0, -7], [7, 0], [0, 7], [-7, 0]]) c.lineTo(at + dx * f.px, up + dy * f.px);
          c.closePath();
        } else c.arc(at, up, 5 * f.px, 0, 2 * Math.PI);
        c.fillStyle = colour("card");
        c.fill();
        c.stroke();
        c.fillStyle = colour("warn");
        if (wrong) c.fillText("?", at, up - 9 * f.px);
      }
    });
  }

  // Samples that a gate did not let pass: small crosses, no part of the line.
  function doubtful(plot, [times, values]) {
    on(plot, (c, f) => {
      c.strokeStyle = colour("warn");
      c.lineWidth = 1.5 * f.px;
      const r = 3 * f.px;
      c.beginPath();
      times.forEach((time, i) => {
        const at = x(plot, time);
        const up = Math.min(Math.max(y(plot, values[i]), f.top + r), f.bottom - r);
        c.moveTo(at - r, up - r);
        c.lineTo(at + r, up + r);
        c.moveTo(at + r, up - r);
        c.lineTo(at - r, up + r);
      });
      c.stroke();
    });
  }

  return { across, additions, ahead, box, colour, doubtful, faint, readings };
})();
