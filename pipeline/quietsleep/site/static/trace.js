// Draws the trace of a trial, and the strips on which its values stand among all of the centre's.
// Data come as scripts from this folder, so that the page works from a file share; nothing comes
// from outside. Colours are those of the style sheet, so dark screens and paper need no redrawing.
"use strict";
const quietsleep = (() => {
  const SVG = "http://www.w3.org/2000/svg";
  const HIGH = 104, GAP = 26, LEFT = 56, RIGHT = 10, TOP = 18, FOOT = 40;
  const make = (name, attributes = {}, text) => {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const html = (name, text, className) => {
    const element = document.createElement(name);
    if (text !== undefined) element.textContent = text;
    if (className) element.className = className;
    return element;
  };
  const shown = (value) => {
    if (!Number.isFinite(value)) return "–";
    const text = Number(value.toPrecision(4));
    return String(text).replace("-", "−");
  };

  // --- Reading what was packed: see site/packing.py ------------------------------------------
  const inflate = async (base64) => {
    const packed = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  };
  const unpack = (bytes) => {
    const length = new DataView(bytes.buffer, bytes.byteOffset).getUint32(0, true);
    const said = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
    let at = 4 + length;
    for (const trial of said.trials) {
      const n = trial.n, time = new Float64Array(n);
      let place = 0;
      for (let i = 0; i < n; i++) {
        place += bytes[at + i] | (bytes[at + n + i] << 8) | (bytes[at + 2 * n + i] << 16);
        time[i] = place / trial.rate;
      }
      at += 3 * n;
      trial.time = time;
      trial.values = {};
      for (const [name, low, step, order] of trial.channels) {
        const counts = new Int16Array(n);
        for (let i = 0; i < n; i++) {
          const folded = bytes[at + i] | (bytes[at + n + i] << 8);
          counts[i] = (folded >> 1) ^ -(folded & 1);
        }
        at += 2 * n;
        for (let times = 0; times < order; times++) {
          for (let i = 1; i < n; i++) counts[i] += counts[i - 1];
        }
        trial.values[name] = Float64Array.from(counts, (count) => low + step * count);
      }
      for (const [name, [source, factor]] of Object.entries(trial.derived || {})) {
        if (trial.values[source]) trial.values[name] = trial.values[source].map((v) => factor * v);
      }
    }
    return said;
  };

  // --- Scales and lines -----------------------------------------------------------------------
  const scale = (low, high, from, to) => {
    const span = high - low || 1;
    const f = (value) => from + ((value - low) / span) * (to - from);
    f.back = (place) => low + ((place - from) / (to - from)) * span;
    return f;
  };
  const ticks = (low, high, most) => {
    const rough = (high - low) / most || 1, power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) || 10 * power;
    const found = [];
    for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + step * 1e-9; v += step) {
      found.push(Math.abs(v) < step * 1e-9 ? 0 : v);
    }
    return found;
  };
  const round = (place) => Math.round(place * 10) / 10;
  // A channel was not measured between `first` and `last`: its line breaks there.
  const breaksOf = (trial, name) => trial.lost.filter(([channel]) =>
    channel === "" || channel === name || (name === "volume" && channel === "flow")
    || (name === "box_volume" && channel === "box_pressure"));
  const line = (trial, along, up, inside, breaks) => {
    let path = "", pen = "M", before = -Infinity;
    const edges = trial.segments.slice(1).map(([start]) => start);
    for (let i = 0; i < trial.time.length; i++) {
      const t = trial.time[i];
      if (!inside(t)) { if (t > before) { pen = "M"; } before = t; continue; }
      const lost = breaks.some(([, from, to]) => t > from + 1e-6 && t < to - 1e-6);
      const apart = breaks.some(([, from, to]) => before <= from + 1e-6 && t >= to - 1e-6 && before > -Infinity)
        || edges.some((edge) => before < edge - 1e-6 && t >= edge - 1e-6);
      if (apart) pen = "M";
      before = t;
      if (lost) { pen = "M"; continue; }
      path += pen + round(along(i)) + " " + round(up(i));
      pen = "L";
    }
    return path;
  };

  // --- Marks ----------------------------------------------------------------------------------
  // Marks that say the same share a number and a line in the list; what a rule was not met by first.
  const marksOf = (trial, faults) => {
    const marks = trial.marks.map(([axis, label, x, y, quantities]) => ({
      axis, label, x, y, fault: quantities.split(" ").some((q) => faults.has(q)), gap: quantities === "gap_s",
    })).sort((a, b) => b.fault - a.fault);
    const groups = new Map();
    for (const mark of marks) {
      const key = mark.fault + mark.label;
      if (!groups.has(key)) groups.set(key, { number: groups.size + 1, label: mark.label, fault: mark.fault, at: [] });
      const group = groups.get(key), times = mark.x.filter((v) => v !== null);
      mark.number = group.number;
      if (mark.axis === "loop") group.at.push("on the loop");
      else if (times.length) {
        const low = Math.min(...times), high = Math.max(...times);
        group.at.push(high - low < 0.05 ? "at " + low.toFixed(2) + " s" : low.toFixed(2) + " to " + high.toFixed(2) + " s");
      }
    }
    return [marks, [...groups.values()]];
  };
  // Numbers stand clear of each other: the first free place near the mark; a fault always gets one.
  const placer = (low, high) => {
    const taken = [];
    return (text, x, y, must) => {
      const wide = 7 * text.length + 3;
      for (const dy of [-6, 15, -19, 28, -32, 41]) {
        const top = y + dy - 10;
        if (top < low || top + 12 > high) continue;
        const box = [x - wide / 2, top, x + wide / 2, top + 12];
        if (taken.some((b) => box[0] < b[2] && box[2] > b[0] && box[1] < b[3] && box[3] > b[1])) continue;
        taken.push(box);
        return [x, y + dy];
      }
      return must ? [x, low + 10] : null;
    };
  };
  const drawMark = (into, mark, fx, fy, place) => {
    const points = mark.x.map((x, i) => [x, mark.y[i]]).filter(([x, y]) => x !== null && y !== null)
      .map(([x, y]) => [fx(x), fy(y)]);
    if (!points.length) return;
    const group = make("g", { class: mark.fault ? "mark fault" : "mark" });
    group.append(make("title", {}, mark.label));
    if (mark.gap) { /* Nothing is drawn through what was not measured. */ }
    else if (points.length > 1) group.append(make("path", { d: "M" + points.map(([x, y]) => round(x) + " " + round(y)).join("L") }));
    else {
      const [x, y] = points[0];
      group.append(mark.fault ? make("path", { class: "solid", d: `M${x} ${y - 3}l-6-9h12z` }) : make("circle", { cx: x, cy: y, r: 3.5 }));
    }
    const middle = points[points.length >> 1];
    const left = Math.max(LEFT + 6, middle[0]);
    const text = (mark.fault ? "▲" : "") + mark.number;
    const spot = place(text, points.length > 1 && points.length < 3 ? (Math.max(points[0][0], LEFT) + points[1][0]) / 2 : left, middle[1], mark.fault);
    if (spot) group.append(make("text", { x: round(spot[0]), y: round(spot[1]), class: "m" }, text));
    into.append(group);
  };

  // --- One trial against time -----------------------------------------------------------------
  const drawTime = (view) => {
    const { trial, common, marks, box, width } = view, [t0, t1] = view.range;
    const panels = common.panels.filter((p) => trial.values[p.name]);
    const height = TOP + panels.length * (HIGH + GAP) - GAP + FOOT;
    const svg = make("svg", { viewBox: `0 0 ${width} ${height}`, class: "drawn", role: "img", "aria-label":
      view.title + ": " + panels.map((p) => p.title.toLowerCase()).join(", ") + " against time; its marks are listed below" });
    const fx = scale(t0, t1, LEFT, width - RIGHT), bottom = height - FOOT;
    const clip = "c" + view.id;
    const cut = make("clipPath", { id: clip });
    cut.append(make("rect", { x: LEFT, y: 0, width: width - LEFT - RIGHT, height }));
    svg.append(cut);
    const inner = make("g", { "clip-path": `url(#${clip})` });
    // Stretches that a failed rule is about, through all panels.
    for (const mark of marks) {
      const times = mark.x.filter((v) => v !== null);
      if (!mark.fault || mark.axis === "loop" || !times.length) continue;
      const low = fx(Math.min(...times)), high = fx(Math.max(...times)), wide = Math.max(high - low, 6);
      inner.append(make("rect", { class: "band-of", x: round((low + high - wide) / 2), y: TOP - 6, width: round(wide), height: bottom - TOP + 6 }));
    }
    for (const [i, [, last]] of trial.segments.slice(0, -1).entries()) {
      const next = trial.segments[i + 1][0], x = fx(last), wide = fx(next) - x;
      if (wide > 1) inner.append(make("rect", { class: "left-out", x, y: TOP, width: wide, height: bottom - TOP }));
      if (wide > 90) inner.append(make("text", { class: "m", x: x + wide / 2, y: TOP + 40 }, "left out"));
    }
    for (const edge of trial.trial) inner.append(make("path", { class: "edge", d: `M${round(fx(edge))} ${TOP}V${bottom}` }));
    svg.append(inner);
    const inside = (t) => t >= t0 - (t1 - t0) * 0.02 && t <= t1 + (t1 - t0) * 0.02;
    panels.forEach((panel, i) => {
      const top = TOP + i * (HIGH + GAP), values = trial.values[panel.name];
      let low = Infinity, high = -Infinity;
      for (let k = 0; k < values.length; k++) {
        if (inside(trial.time[k])) { low = Math.min(low, values[k]); high = Math.max(high, values[k]); }
      }
      if (!(high > low)) { low = (Number.isFinite(low) ? low : 0) - 1; high = low + 2; }
      const pad = 0.06 * (high - low), fy = scale(low - pad, high + pad, top + HIGH, top);
      const g = make("g", { class: "panel" });
      for (const tick of ticks(low - pad, high + pad, 4)) {
        const y = round(fy(tick));
        g.append(make("path", { class: tick === 0 ? "zero" : "grid", d: `M${LEFT} ${y}H${width - RIGHT}` }),
          make("text", { class: "e", x: LEFT - 6, y: y + 4 }, shown(tick)));
      }
      g.append(make("text", { class: "name", x: LEFT, y: top - 5 }, panel.title + ", " + panel.unit));
      const lines = make("g", { "clip-path": `url(#${clip})` });
      const breaks = breaksOf(trial, panel.name);
      for (const [, from, to] of breaks) {
        lines.append(make("rect", { class: "gap", x: round(fx(from)), y: top, width: round(Math.max(fx(to) - fx(from), 2)), height: HIGH }));
      }
      const along = (k) => fx(trial.time[k]), up = (k) => fy(values[k]);
      lines.append(make("path", { class: "line", d: line(trial, along, up, inside, breaks) }));
      for (const [channel, from, to] of trial.clipped) {
        if (channel !== panel.name) continue;
        const within = (t) => t >= from - 1e-6 && t <= to + 1e-6;
        lines.append(make("path", { class: "clipped", d: line(trial, along, up, within, breaks) }));
      }
      const place = placer(top - 2, top + HIGH + 12);
      for (const mark of marks) {
        if (mark.axis !== panel.name) continue;
        const times = mark.x.filter((v) => v !== null);
        if (times.length && Math.max(...times) >= t0 && Math.min(...times) <= t1) drawMark(lines, mark, fx, fy, place);
      }
      g.append(lines);
      svg.append(g);
    });
    for (const tick of ticks(t0, t1, Math.max(3, width / 110))) {
      const x = round(fx(tick));
      svg.append(make("path", { class: "grid", d: `M${x} ${bottom}v5` }), make("text", { class: "m", x, y: bottom + 18 }, shown(tick)));
    }
    svg.append(make("text", { class: "m", x: (LEFT + width - RIGHT) / 2, y: height - 4 }, "Time from the start of the recording, s"));
    box.replaceChildren(svg);
    dragging(view, svg, fx, panels);
  };

  // A stretch is chosen by dragging; a finger scrolls the page, and has the buttons.
  const dragging = (view, svg, fx, panels) => {
    const place = (event) => {
      const box = svg.getBoundingClientRect();
      return Math.min(Math.max(((event.clientX - box.left) / box.width) * view.width, LEFT), view.width - RIGHT);
    };
    let from = null;
    const chosen = make("rect", { class: "chosen", y: TOP, height: svg.viewBox.baseVal.height - TOP - FOOT, width: 0 });
    svg.append(chosen);
    svg.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "touch" || event.button) return;
      from = place(event);
      svg.setPointerCapture(event.pointerId);
      event.preventDefault();
      view.group.focus({ preventScroll: true });
    });
    svg.addEventListener("pointermove", (event) => {
      const x = place(event), t = fx.back(x), time = view.trial.time;
      if (from !== null) {
        chosen.setAttribute("x", Math.min(from, x));
        chosen.setAttribute("width", Math.abs(x - from));
      }
      let k = 0;
      while (k < time.length - 1 && time[k + 1] <= t) k++;
      view.said.textContent = t.toFixed(2) + " s: " + panels.map((p) => p.title.toLowerCase() + " "
        + shown(view.trial.values[p.name][k]) + " " + p.unit).join(", ");
    });
    svg.addEventListener("pointerup", (event) => {
      if (from === null) return;
      const [a, b] = [from, place(event)].sort((p, q) => p - q).map(fx.back);
      from = null;
      if (b - a > 0.02) view.go(a, b);
      else chosen.setAttribute("width", 0);
    });
    svg.addEventListener("dblclick", () => view.go(...view.whole));
  };

  // --- Loops, as their axes are declared --------------------------------------------------------
  const drawLoop = (view, [along, up], marks, box, height) => {
    const { trial } = view, [first, last] = trial.loop, width = box.clientWidth || 320;
    if (!trial.values[along.name] || !trial.values[up.name]) return;
    const inside = (t) => t >= first - 1e-6 && t <= last + 1e-6;
    const on = (axis) => {
      const values = trial.values[axis.name], sign = axis.turned ? -1 : 1;
      let top = -Infinity;
      for (let k = 0; k < values.length; k++) if (inside(trial.time[k])) top = Math.max(top, values[k]);
      const zero = axis.fromTop && Number.isFinite(top) ? top : 0;
      return { at: (k) => sign * (values[k] - zero), of: (v) => (v === null ? null : sign * (v - zero)) };
    };
    const x = on(along), y = on(up);
    const range = (axis, key) => {
      let low = Infinity, high = -Infinity;
      const see = (v) => { if (v !== null && Number.isFinite(v)) { low = Math.min(low, v); high = Math.max(high, v); } };
      trial.time.forEach((t, k) => { if (inside(t)) see(axis.at(k)); });
      for (const mark of marks) mark[key].forEach((v) => see(axis.of(v)));
      const pad = 0.05 * (high - low || 1);
      return [low - pad, high + pad];
    };
    const rx = range(x, "x"), ry = range(y, "y");
    if (!Number.isFinite(rx[0] + ry[0])) return;
    const svg = make("svg", { viewBox: `0 0 ${width} ${height}`, class: "drawn", role: "img",
      "aria-label": view.title + ": " + up.title.toLowerCase() + " against " + along.title.toLowerCase() });
    const fx = scale(...rx, LEFT, width - RIGHT), fy = scale(...ry, height - FOOT, TOP);
    for (const tick of ticks(...ry, 5)) {
      svg.append(make("path", { class: tick === 0 ? "zero" : "grid", d: `M${LEFT} ${round(fy(tick))}H${width - RIGHT}` }),
        make("text", { class: "e", x: LEFT - 6, y: round(fy(tick)) + 4 }, shown(tick)));
    }
    for (const tick of ticks(...rx, Math.max(3, width / 80))) {
      svg.append(make("path", { class: tick === 0 ? "zero" : "grid", d: `M${round(fx(tick))} ${TOP}V${height - FOOT}` }),
        make("text", { class: "m", x: round(fx(tick)), y: height - FOOT + 16 }, shown(tick)));
    }
    svg.append(make("text", { class: "name", x: LEFT, y: TOP - 5 }, up.title + ", " + up.unit),
      make("text", { class: "m", x: (LEFT + width - RIGHT) / 2, y: height - 4 }, along.title + ", " + along.unit));
    const breaks = [...breaksOf(trial, along.name), ...breaksOf(trial, up.name)];
    const px = (k) => fx(x.at(k)), py = (k) => fy(y.at(k));
    svg.append(make("path", { class: "line", d: line(trial, px, py, inside, breaks) }));
    for (const [channel, from, to] of trial.clipped) {
      if (channel !== along.name && channel !== up.name) continue;
      const within = (t) => inside(t) && t >= from - 1e-6 && t <= to + 1e-6;
      svg.append(make("path", { class: "clipped", d: line(trial, px, py, within, breaks) }));
    }
    const place = placer(2, height - FOOT + 10);
    for (const mark of marks) drawMark(svg, mark, (v) => fx(x.of(v)), (v) => fy(y.of(v)), place);
    box.append(svg);
  };

  // --- A trial with all that belongs to it --------------------------------------------------------
  let count = 0;
  const views = new Map();
  const buttons = (view, faults) => {
    const bar = html("div", undefined, "zoom");
    const add = (text, action) => {
      const button = html("button", text);
      button.type = "button";
      button.addEventListener("click", action);
      bar.append(button);
    };
    const span = () => view.range[1] - view.range[0];
    const zoom = (share) => () => view.go((view.range[0] + view.range[1] - share * span()) / 2, (view.range[0] + view.range[1] + share * span()) / 2);
    const move = (share) => () => view.go(view.range[0] + share * span(), view.range[1] + share * span());
    let next = 0;
    if (faults.length) {
      view.fault = () => view.go(...faults[next++ % faults.length]);
      add(faults.length > 1 ? "Show the next fault" : "Show the fault", view.fault);
    }
    add("Zoom in", zoom(0.5));
    add("Zoom out", zoom(2));
    add("Earlier", move(-0.25));
    add("Later", move(0.25));
    add("Trial alone", () => view.go(...view.trial.trial));
    add("Whole trace", () => view.go(...view.whole));
    const keys = { "+": zoom(0.5), "=": zoom(0.5), "-": zoom(2), ArrowLeft: move(-0.25), ArrowRight: move(0.25),
      0: () => view.go(...view.whole), t: () => view.go(...view.trial.trial), f: () => view.fault && view.fault() };
    view.group.addEventListener("keydown", (event) => {
      const action = keys[event.key];
      if (!action || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      action();
    });
    return bar;
  };
  const faultRanges = (trial, marks) => {
    const found = [];
    for (const mark of marks) {
      const times = mark.x.filter((v) => v !== null);
      if (!mark.fault || mark.axis === "loop" || !times.length) continue;
      const low = Math.min(...times), high = Math.max(...times), pad = Math.max(0.75, 0.6 * (high - low));
      if (!found.some(([a, b]) => low >= a && high <= b)) found.push([low - pad, high + pad]);
    }
    return found;
  };
  const caption = (box, groups, hasFaults) => {
    const placed = groups.some((g) => g.fault);
    const list = html("ol", undefined, "marks");
    for (const group of groups) {
      const item = html("li", undefined, group.fault ? "act" : "");
      const places = group.at.length > 3 ? group.at.length + " places" : group.at.join(", ");
      item.append(html("b", (group.fault ? "▲" : "") + group.number), " " + group.label + (places ? ", " + places : ""));
      list.append(item);
    }
    const said = placed ? "▲ marks what a rule was not met by." : hasFaults
      ? "What was not met is no place on the trace; the lines above give the numbers." : "";
    box.replaceChildren(html("p", said), list);
  };
  const open = (figure, common) => {
    const trial = common.trials[Number(figure.dataset.at)];
    const faultNames = new Set(figure.dataset.faults.split(" ").filter(Boolean));
    const [marks, groups] = marksOf(trial, faultNames);
    const whole = [trial.segments[0][0], trial.segments[trial.segments.length - 1][1]];
    const faults = faultRanges(trial, marks), [begins, ends] = trial.trial;
    const pad = Math.min(1, 0.25 * (ends - begins));
    const near = [Math.max(begins - pad, whole[0]), Math.min(ends + pad, whole[1])];
    const seen = faults.length && (faults[0][0] < near[0] - 1 || faults[0][1] > near[1] + 1 || near[1] - near[0] > 25);
    const view = { trial, common, marks, whole, title: figure.parentElement.parentElement.dataset.title + ", " + figure.parentElement.querySelector("h2, h3").firstChild.data.trim().toLowerCase(), id: ++count,
      range: seen ? faults[0] : near, group: html("div", undefined, "time") };
    view.group.tabIndex = 0;
    view.group.setAttribute("role", "group");
    view.group.setAttribute("aria-label", view.title + ": trace; plus and minus zoom, arrows move, f shows the fault, 0 the whole trace");
    view.box = html("div", undefined, "panels");
    view.said = html("p", "", "pointed");
    view.said.setAttribute("aria-hidden", "true");
    view.go = (low, high) => {
      const least = Math.min(0.05, whole[1] - whole[0]), width = Math.min(Math.max(high - low, least), whole[1] - whole[0]);
      const start = Math.min(Math.max(low, whole[0]), whole[1] - width);
      view.range = [start, start + width];
      figure.dataset.range = view.range.map((t) => t.toFixed(3)).join(" ");
      drawTime(view);
    };
    const loops = html("div", undefined, "loops");
    view.draw = () => {
      view.width = Math.max(view.box.clientWidth, 260);
      loops.replaceChildren();
      const high = common.loops.length > 1 ? 236 : 300;
      common.loops.forEach((axes, i) => drawLoop(view, axes, i ? [] : marks.filter((m) => m.axis === "loop"), loops, high));
      view.go(...view.range);
    };
    view.group.append(view.box, view.said);
    figure.querySelector(".plots").replaceChildren(buttons(view, faults), view.group, loops);
    caption(figure.querySelector("figcaption"), groups, faultNames.size);
    views.set(figure, view);
    view.draw();
    figure.dataset.drawn = "yes";
  };

  // The panel of a trial is shown by its link (see the style sheet); its trace is drawn with it.
  let common = null;
  const figures = [...document.querySelectorAll("figure.trace")];
  const isShown = (element) => element.getClientRects().length > 0;
  const links = [...document.querySelectorAll(".small a")];
  const look = () => {
    for (const figure of figures) {
      const there = isShown(figure);
      figure.classList.toggle("open", there);
      if (there && common && !views.has(figure)) open(figure, common);
    }
    for (const link of links) {
      const panel = document.getElementById(link.hash.slice(1));
      if (panel && isShown(panel)) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    }
  };
  addEventListener("hashchange", look);
  let width = 0;
  addEventListener("resize", () => {
    if (innerWidth === width) return;
    width = innerWidth;
    for (const view of views.values()) if (isShown(view.box)) view.draw();
  });
  const failed = (words) => {
    for (const plots of document.querySelectorAll("figure.trace .plots")) plots.textContent = words;
  };

  // --- Strips: a value among all of the centre's ------------------------------------------------
  const STRIP = { width: 640, height: 118, base: 84, top: 22 };
  const strips = [...document.querySelectorAll("figure.values-strip")];
  const drawStrip = (figure, given) => {
    const own = JSON.parse(figure.dataset.own), limits = JSON.parse(figure.dataset.limits);
    const values = [...given.dots.map((d) => d[0]), ...own.map((o) => o[1]), ...limits.map((l) => l[0])];
    let low = Math.min(...values), high = Math.max(...values);
    const pad = 0.04 * (high - low || 1), width = Math.max(figure.clientWidth, 260);
    low -= pad; high += pad;
    const fx = scale(low, high, 12, width - 12);
    const svg = make("svg", { viewBox: `0 0 ${width} ${STRIP.height}`, class: "drawn strip-of", role: "group", "aria-label": figure.dataset.name + ": every trial of this centre; the arrows walk along the values, each opens its test" });
    if (given.others) {
      const [from, wide, heights] = given.others;
      let path = "";
      heights.forEach((h, i) => {
        const a = Math.max(fx(from + i * wide), 0), b = Math.min(fx(from + (i + 1) * wide), width), y = STRIP.base - h * 0.5;
        if (b > a && h) path += `M${round(a)} ${STRIP.base}V${round(y)}H${round(b)}V${STRIP.base}z`;
      });
      svg.append(make("path", { class: "others", d: path }));
    }
    svg.append(make("path", { class: "grid", d: `M0 ${STRIP.base}H${width}` }));
    for (const tick of ticks(low, high, Math.max(3, width / 110))) {
      svg.append(make("text", { class: "m", x: round(fx(tick)), y: STRIP.base + 16 }, shown(tick)));
    }
    svg.append(make("text", { class: "m", x: width / 2, y: STRIP.height - 3 }, figure.dataset.name));
    for (const [at, words] of limits) {
      const x = round(fx(at));
      svg.append(make("path", { class: "limit", d: `M${x} ${STRIP.top - 6}V${STRIP.base}` }),
        make("text", { class: x > width / 2 ? "e act" : "act", x: x + (x > width / 2 ? -5 : 5), y: STRIP.top - 8 }, words));
    }
    const dots = given.dots.map(([value, test, trial, status], i) => {
      const link = make("a", { href: figure.dataset.root + "tests/" + given.tests[test] + ".html#trial-" + trial, tabindex: i ? -1 : 0,
        "aria-label": shown(value) + ", " + given.names[test] + ", trial " + trial });
      const x = round(fx(value)), y = STRIP.base - 6 - ((i * 29) % 34);
      link.append(make("title", {}, shown(value) + ", " + given.names[test] + ", trial " + trial),
        status ? make("path", { class: "dot act", d: `M${x} ${y - 4}l4 7h-8z` }) : make("circle", { class: "dot good", cx: x, cy: y, r: 3 }));
      svg.append(link);
      return link;
    });
    // One stop for the keyboard; the arrows walk along the values.
    svg.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key], at = dots.indexOf(event.target.closest("a"));
      if (!step || at < 0) return;
      event.preventDefault();
      const to = dots[Math.min(Math.max(at + step, 0), dots.length - 1)];
      dots[at].setAttribute("tabindex", -1);
      to.setAttribute("tabindex", 0);
      to.focus();
    });
    const place = placer(2, STRIP.base);
    // Trials that lie within a few pixels share one line and their numbers.
    const near = [];
    for (const [number, value] of [...own].sort((a, b) => a[1] - b[1])) {
      const x = round(fx(value)), last = near[near.length - 1];
      svg.append(make("path", { class: "own", d: `M${x} ${STRIP.base - 2}l6 10h-12z` }));
      if (last && x - last.x < 9) last.numbers.push(number);
      else near.push({ x, numbers: [number] });
    }
    for (const { x, numbers } of near) {
      const said = numbers.length > 4 ? numbers.length + " trials" : numbers.sort((a, b) => a - b).join(", ");
      const from = Math.min(Math.max(x, 3.5 * said.length), width - 3.5 * said.length), spot = place(said, from, STRIP.top + 8, false);
      svg.append(make("path", { class: "own-line", d: `M${x} ${STRIP.base}V${spot ? round(spot[1]) + 3 : STRIP.top}` }));
      if (spot) svg.append(make("text", { class: "m own-word", x: spot[0], y: spot[1] }, said));
    }
    figure.querySelector(".plot").replaceChildren(svg);
    figure.dataset.drawn = "yes";
  };

  return {
    traces: (name, packed) => inflate(packed).then(unpack).then((said) => { common = said; look(); })
      .catch((error) => failed("The traces could not be read by this browser (" + error.message + ").")),
    strip: (key, given) => {
      for (const figure of strips) if (figure.dataset.key === key) drawStrip(figure, given);
    },
  };
})();
